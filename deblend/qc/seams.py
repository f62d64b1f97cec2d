"""Seams: where two blocks of a line meet, both have estimated the traces beside the cut.

The difference of the two estimates says how much of a result is owed to the way the line was cut.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.decibels import floored_decibels
from deblend.model.findings import Finding
from deblend.model.shots import Shots
from deblend.qc.metric import MeasuredLine, Metric
from deblend.separation.neighbours import Neighbours

SHOTS: Final = 8
"""Consecutive shots of a source in a window."""
CHANNELS: Final = 4
_SHOTS_AT_ONCE: Final = 16 * SHOTS
LOOK_DB: Final = -20.0
LEAST: Final = 1e-3
"""Windows with less than this part of the rms of all are left out: nothing is there."""


@dataclass(frozen=True, eq=False)
class SeamWindows:
    """Energies of windows beside cuts; `join_seams` puts those of several cuts together."""

    row: NDArray[np.int64]
    channel: NDArray[np.int64]
    window: NDArray[np.int64]
    """(place,): First row of the shot table, first channel row, and number of the time window."""
    difference: NDArray[np.float64]
    energy: NDArray[np.float64]
    """(place,): Energy of the difference of the two estimates, and of the delivered one."""
    samples: NDArray[np.int64]
    """(place,): How many samples each window has."""


def join_seams(parts: Sequence[SeamWindows]) -> SeamWindows:
    """One table of several; there is at least one."""
    names = [field.name for field in fields(SeamWindows)]
    return SeamWindows(
        **{name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
    )


def seam_windows(
    delivered: NDArray[np.float32],
    other: NDArray[np.float32],
    rows: NDArray[np.int64],
    channels: range,
    windows: Sequence[tuple[int, int]],
) -> SeamWindows:
    """Compare two estimates of the same traces, (shot, channel, time).

    Shots are those of one source in their order; `rows` and `channels` say which of the line.
    """
    found: list[tuple[Any, ...]] = []
    for shot in range(0, len(rows), SHOTS):
        for channel in range(0, len(channels), CHANNELS):
            some = slice(shot, shot + SHOTS), slice(channel, channel + CHANNELS)
            own = delivered[some].astype(np.float64)
            apart = np.square(own - other[some]).sum(axis=(0, 1))
            energy = np.square(own).sum(axis=(0, 1))
            traces = own.shape[0] * own.shape[1]
            for number, (begin, end) in enumerate(windows):
                sums = apart[begin:end].sum(), energy[begin:end].sum()
                place = rows[shot], channels[channel], number
                found.append((*place, *sums, traces * (end - begin)))
    columns = np.array(found, dtype=np.float64).reshape(-1, 6).T
    whole = columns.astype(np.int64)
    return SeamWindows(whole[0], whole[1], whole[2], columns[3], columns[4], whole[5])


Delivered = Callable[[int, NDArray[np.int64], range], NDArray[np.float32]]
"""Gathers (row, channel, time) of a source by its place in the table, some rows of the shot table,
and some channels."""


def compare_neighbours(
    neighbours: Neighbours,
    shots: Shots,
    dead: NDArray[np.bool_],
    windows: Sequence[tuple[int, int]],
    delivered: Delivered,
) -> Iterator[SeamWindows]:
    """Compare what a block estimated beyond its cuts with what is delivered there.

    `dead` channels of the line are delivered as zeros; `delivered` reads gathers.
    """
    channels = neighbours.channels
    silent = dead[channels.start : channels.stop, None]
    for number, source in enumerate(shots.sources):
        own = np.flatnonzero(shots.source[neighbours.rows] == source)
        for begin in range(0, len(own), _SHOTS_AT_ONCE):
            some = own[begin : begin + _SHOTS_AT_ONCE]
            rows = neighbours.rows[some]
            other = np.where(silent, 0, neighbours.estimate[some])
            yield seam_windows(delivered(number, rows, channels), other, rows, channels, windows)


def seam_findings(line: MeasuredLine, _: object = None) -> Iterator[Finding]:
    """Difference at the seams of a line: overall, and in the worst window."""
    seams, shots = line.seams, line.setup.shots
    if seams is None:
        return
    total = float(seams.energy.sum())
    if total <= 0:
        return
    rms = np.sqrt(seams.energy / np.maximum(seams.samples, 1))
    there = rms > LEAST * np.sqrt(total / seams.samples.sum())
    each = np.where(there, seams.difference / np.where(there, seams.energy, 1.0), 0.0)
    worst = int(np.argmax(each))
    overall_db = floored_decibels(float(seams.difference.sum()) / total)
    worst_db = floored_decibels(float(each[worst]))
    row = int(seams.row[worst])
    yield Finding(
        "seam_overall",
        overall_db,
        "dB",
        _verdict(overall_db),
        "Difference of the two estimates of traces beside a cut, where blocks or spans of the "
        "line meet and both sides have estimated them, relative to what is delivered there.",
        limit=LOOK_DB,
    )
    yield Finding(
        "seam_worst",
        worst_db,
        "dB",
        _verdict(worst_db),
        f"The same in the worst window of up to {SHOTS} shots and {CHANNELS} channels beside a "
        f"cut, of {int(there.sum())}. More iterations or a larger memory budget make it less.",
        source=shots.source[row].item(),
        shot_point=int(shots.shot_point[row]),
        channel=int(line.channel_numbers[seams.channel[worst]]),
        window_s=line.setup.windows_s[int(seams.window[worst])],
        limit=LOOK_DB,
    )


def _verdict(value: float) -> Any:
    return "look" if value > LOOK_DB else "pass"


SEAMS: Final = Metric("seams", seam_findings)
