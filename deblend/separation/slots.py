"""Slots: shots of all sources paired along the line.

A separator works on a dense array (source, slot, channel, time). A slot holds one shot of every
source, fired at about the same place; where a source missed one, the slot stays empty for it, so
that neighbouring slots are neighbouring places for every source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deblend.model.shots import Shots, make_shots

_NEIGHBOURS = 9


@dataclass(frozen=True, eq=False)
class SlotLayout:
    """Which shot sits in which slot.

    Parameters
    ----------
    row : ndarray of int64, shape (source, slot)
        Row of the shot table; -1 where the slot is empty.
    """

    row: NDArray[np.int64]

    @property
    def source_count(self) -> int:
        """Number of sources."""
        return int(self.row.shape[0])

    @property
    def slot_count(self) -> int:
        """Number of slots along the line."""
        return int(self.row.shape[1])

    def order(self, shots: Shots) -> Shots:
        """Shots in slot order, source after source; an empty slot is a shot that is not live."""
        flat = self.row.ravel()
        empty = flat < 0
        taken = shots.take(np.where(empty, 0, flat))
        # Empty slots get instants of their own, all different, because a shot table refuses one
        # source firing twice at one instant; they are not live, so nothing else sees them.
        stand_in = taken.fire_time_ns.min() - 1 - np.arange(len(flat))
        return make_shots(
            np.repeat(np.arange(self.source_count), self.slot_count),
            taken.shot_point,
            np.where(empty, stand_in, taken.fire_time_ns),
            shots.time_scale,
            x_m=taken.x_m,
            y_m=taken.y_m,
            live=taken.live & ~empty,
            deliver=taken.deliver & ~empty,
        )


def pair_shots(shots: Shots) -> SlotLayout:
    """Slots of a table of shots, from fire times alone.

    The source with most shots sets the slots: its shots follow each other, with empty slots where
    the time between two of them is a multiple of the usual one. Every other shot goes to the slot
    whose time is nearest after removing the usual phase of its source.

    Parameters
    ----------
    shots : Shots
        Any number of sources, in any order.

    Returns
    -------
    SlotLayout
        Every shot has exactly one slot, in fire order.

    Notes
    -----
    Fails gently: where the interval of a source jumps about by more than half, empty slots appear
    or places shift by one, which costs coherence there and nothing else.
    """
    by_source = [_in_fire_order(shots, source) for source in shots.sources]
    clock = max(by_source, key=len)
    clock_slot = _own_slots(shots.fire_time_ns[clock])
    slots = [
        clock_slot
        if rows is clock
        else _nearest_slots(
            shots.fire_time_ns[rows], shots.fire_time_ns[clock], clock_slot.astype(np.float64)
        )
        for rows in by_source
    ]
    first = min(int(slot[0]) for slot in slots)
    count = max(int(slot[-1]) for slot in slots) - first + 1
    row = np.full((len(by_source), count), -1, dtype=np.int64)
    for index, (rows, slot) in enumerate(zip(by_source, slots, strict=True)):
        row[index, slot - first] = rows
    return SlotLayout(row)


def _in_fire_order(shots: Shots, source: int | str) -> NDArray[np.int64]:
    rows = shots.rows_of(source)
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


def _nearest_slots(
    fire_time_ns: NDArray[np.int64],
    clock_ns: NDArray[np.int64],
    clock_slot: NDArray[np.float64],
) -> NDArray[np.int64]:
    if len(clock_ns) == 1:
        return np.arange(len(fire_time_ns), dtype=np.int64)
    position = _interpolate_beyond(
        (fire_time_ns - clock_ns[0]).astype(np.float64),
        (clock_ns - clock_ns[0]).astype(np.float64),
        clock_slot,
    )
    turn = np.exp(2j * np.pi * position).mean()
    phase = np.angle(turn) / (2 * np.pi)
    slot = np.rint(position - phase).astype(np.int64)
    # Two shots never share a slot: the later one moves on.
    return np.maximum.accumulate(slot - np.arange(len(slot))) + np.arange(len(slot))


def _interpolate_beyond(
    at: NDArray[np.float64], x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Linear interpolation, continued with the mean slope outside."""
    slope = (y[-1] - y[0]) / (x[-1] - x[0])
    outside = np.minimum(at - x[0], 0) + np.maximum(at - x[-1], 0)
    return np.asarray(np.interp(at, x, y) + slope * outside, dtype=np.float64)
