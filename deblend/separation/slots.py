"""Slots: shots of all sources paired along the line.

A separator works on a dense array (source, slot, channel, time). A slot holds one shot of every
source, fired at about the same place; where a source missed one, the slot stays empty for it, so
that neighbouring slots are neighbouring places for every source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from deblend.model.shots import Shots

_NEIGHBOURS = 9
_Scalar = TypeVar("_Scalar", bound=np.generic)


@dataclass(frozen=True, eq=False)
class SlotLayout:
    """Which shot sits in which slot."""

    row: NDArray[np.int64]
    """(source, slot): Row of the shot table; -1 where the slot is empty."""

    @property
    def source_count(self) -> int:
        """Number of sources."""
        return int(self.row.shape[0])

    @property
    def slot_count(self) -> int:
        """Number of slots along the line."""
        return int(self.row.shape[1])

    def widened(self, margin: int) -> SlotLayout:
        """A layout with `margin` more empty slots at either end of the line."""
        return SlotLayout(np.pad(self.row, ((0, 0), (margin, margin)), constant_values=-1))

    def in_slots(self, column: NDArray[_Scalar], empty: int | bool) -> NDArray[_Scalar]:
        """A column of the shot table in slot order, source after source; `empty` in empty slots."""
        row = self.row.ravel()
        filled = column[row]
        filled[row < 0] = empty
        return filled


def pair_shots(shots: Shots, paired: NDArray[np.bool_] | None = None) -> SlotLayout:
    """Slots of a table of shots, from fire times alone; each shot has exactly one.

    The source with most shots sets the clock: its shots follow each other, with empty slots where
    the time between two of them is a multiple of the usual one. Every source then has a usual
    phase against that clock, and a slot begins with the source that makes it shortest.

    Parameters
    ----------
    paired : ndarray of bool, shape (shot,), optional
        Shots that get a slot, one at least; all by default. A single shot of another day would make
        slots for all the time between.

    Notes
    -----
    Fails gently: where the interval of a source jumps about by more than half, empty slots appear
    or places shift by one, which costs coherence there and nothing else.
    """
    by_source = [_in_fire_order(shots, source, paired) for source in shots.sources]
    clock = max(by_source, key=len)
    clock_ns = shots.fire_time_ns[clock]
    clock_slot = _own_slots(clock_ns)
    position = [
        _against_clock(shots.fire_time_ns[rows], clock_ns, clock_slot) for rows in by_source
    ]
    phase = np.array([_usual_phase(own) for own in position if own.size])
    layouts = [_layout(by_source, position, phase, begin) for begin in phase]
    return min(layouts, key=lambda layout: (round(layout[0], 1), layout[1].slot_count))[1]


def _layout(
    by_source: list[NDArray[np.int64]],
    position: list[NDArray[np.float64]],
    phase: NDArray[np.float64],
    begin: float,
) -> tuple[float, SlotLayout]:
    """Length of a slot that begins at phase `begin`, as a part of the interval, and the slots."""
    after = (phase - begin) % 1.0
    fired = [index for index, own in enumerate(position) if own.size]
    slots = [
        _one_a_slot(position[index] - begin - lag) for index, lag in zip(fired, after, strict=True)
    ]
    first = min(int(slot[0]) for slot in slots)
    count = max(int(slot[-1]) for slot in slots) - first + 1
    row = np.full((len(by_source), count), -1, dtype=np.int64)
    for index, slot in zip(fired, slots, strict=True):
        row[index, slot - first] = by_source[index]
    return float(after.max()), SlotLayout(row)


def _in_fire_order(
    shots: Shots, source: int | str, paired: NDArray[np.bool_] | None
) -> NDArray[np.int64]:
    rows = shots.rows_of(source)
    if paired is not None:
        rows = rows[paired[rows]]
    return rows[np.argsort(shots.fire_time_ns[rows], kind="stable")]


def _own_slots(fire_time_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """Slot numbers of one source by itself: 0, 1, 2, ... with steps over missed shots."""
    interval = np.diff(fire_time_ns).astype(np.float64)
    if interval.size == 0:
        return np.zeros(1, dtype=np.int64)
    step = np.maximum(1, np.rint(interval / _usual(interval))).astype(np.int64)
    return np.concatenate([[0], np.cumsum(step)])


def _usual(interval: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median interval around each shot, because speed changes along a line."""
    half = _NEIGHBOURS // 2
    return np.array(
        [np.median(interval[max(0, k - half) : k + half + 1]) for k in range(len(interval))]
    )


def _against_clock(
    fire_time_ns: NDArray[np.int64], clock_ns: NDArray[np.int64], clock_slot: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Slot position, with its fraction, of instants on the clock of another source."""
    if len(clock_ns) == 1:
        return np.arange(len(fire_time_ns), dtype=np.float64)
    return _interpolate_beyond(
        (fire_time_ns - clock_ns[0]).astype(np.float64),
        (clock_ns - clock_ns[0]).astype(np.float64),
        clock_slot.astype(np.float64),
    )


def _usual_phase(position: NDArray[np.float64]) -> float:
    """Mean direction of the fractions of some positions, as a part of a turn."""
    return float(np.angle(np.exp(2j * np.pi * position).mean()) / (2 * np.pi))


def _one_a_slot(position: NDArray[np.float64]) -> NDArray[np.int64]:
    """Nearest whole slots; two shots never share one: the later one moves on."""
    order = np.arange(len(position))
    return np.maximum.accumulate(np.rint(position).astype(np.int64) - order) + order


def _interpolate_beyond(
    at: NDArray[np.float64], x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Linear interpolation, continued with the mean slope outside."""
    slope = (y[-1] - y[0]) / (x[-1] - x[0])
    outside = np.minimum(at - x[0], 0) + np.maximum(at - x[-1], 0)
    return np.asarray(np.interp(at, x, y) + slope * outside, dtype=np.float64)
