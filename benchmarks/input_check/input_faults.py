"""Faults of clocks, tables and guns planted into a made line, each with where it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.blending.operator import record_operator
from deblend.errors import InputError
from deblend.model.geometry import Geometry
from deblend.model.recording import Gap, Recording
from deblend.model.shots import Shots
from deblend.model.timebase import NS_PER_S
from deblend.synth.line import MadeLine

STEP_S: Final = 0.5
DRIFT_S: Final = 0.005
GAP_S: Final = 1.7
MIXED_SCALES_S: Final = 18.0
LATE_SOURCE_S: Final = (0.005, 0.025, 0.1, 0.3, 1.0)


@dataclass(frozen=True, eq=False)
class FaultyLine:
    """What a processor gets, and what is wrong with it."""

    recording: Recording
    """The record."""
    shots: Shots
    """The table."""
    geometry: Geometry
    """Positions, one row a row of the table."""
    shot_points: tuple[int, ...] = ()
    """Shot points that the fault concerns, in the order of time; empty for faults of the line."""
    instant_ns: int = 0
    """When it happened; 0 for faults of the whole line."""
    size_s: float = 0.0
    """Size of a fault of time; 0 for others."""


def plant_fault(line: MadeLine, fault: str, seed: int = 0) -> FaultyLine:
    """Plant one fault somewhere in the middle half of a line.

    Parameters
    ----------
    line : MadeLine
        As made.
    fault : str
        One of `fault_names`: "none", "mixed_scales" (fire times 18 s late), "clock_step" (0.5 s
        late from some shot on), "clock_drift" (growing by 5 ms over the line), "misfire" (no energy
        and not marked), "autofire" (energy and no row), "swapped_sources" (two neighbouring rows
        have each other's source number), "gap" (1.7 s of the record missing), "late_source" (the
        last source late throughout by 5 ms to 1 s, by seed).
    seed : int, optional
        Of the place.

    Raises
    ------
    InputError
        If the fault is not known.
    """
    if fault not in _FAULTS:
        raise InputError(
            f"fault {fault!r} is not known", remedy=f"Use one of {', '.join(_FAULTS)}."
        )
    order = np.argsort(line.shots.fire_time_ns, kind="stable")
    order = order[line.shots.live[order]]
    count = len(order)
    place = int(np.random.default_rng((seed, 0xFA17)).integers(count // 4, 3 * count // 4))
    return _FAULTS[fault](line, order.astype(np.int64), place)


def fault_names() -> tuple[str, ...]:
    """Names of the faults; the first one is none."""
    return tuple(_FAULTS)


def _none(line: MadeLine, order: NDArray[np.int64], place: int) -> FaultyLine:
    return FaultyLine(line.recording, line.shots, line.geometry)


def _late(line: MadeLine, late_ns: NDArray[np.int64]) -> FaultyLine:
    shots = replace(line.shots, fire_time_ns=line.shots.fire_time_ns + late_ns)
    return FaultyLine(line.recording, shots, line.geometry)


def _mixed_scales(line: MadeLine, order: NDArray[np.int64], place: int) -> FaultyLine:
    late_ns = np.full(len(line.shots), round(MIXED_SCALES_S * NS_PER_S), dtype=np.int64)
    return replace(_late(line, late_ns), size_s=MIXED_SCALES_S)


def _clock_step(line: MadeLine, order: NDArray[np.int64], place: int) -> FaultyLine:
    first_ns = line.shots.fire_time_ns[order[place]]
    after = line.shots.fire_time_ns >= first_ns
    faulty = _late(line, np.where(after, round(STEP_S * NS_PER_S), 0))
    point = int(line.shots.shot_point[order[place]])
    return replace(faulty, shot_points=(point,), instant_ns=int(first_ns), size_s=STEP_S)


def _clock_drift(line: MadeLine, order: NDArray[np.int64], place: int) -> FaultyLine:
    elapsed = line.shots.fire_time_ns - line.shots.fire_time_ns.min()
    late_ns = np.rint(elapsed * (DRIFT_S * NS_PER_S / elapsed.max())).astype(np.int64)
    return replace(_late(line, late_ns), size_s=DRIFT_S)


def _misfire(line: MadeLine, order: NDArray[np.int64], place: int) -> FaultyLine:
    row = order[place]
    recording = line.recording
    alone = replace(line.shots, fire_time_ns=line.true_fire_time_ns).take(np.array([row]))
    source = line.shots.source[row].item()
    gather = line.truth[source][line.shots.rows_of(source) == row]
    operator = record_operator(recording, alone, gather.shape[2], dtype=np.float64)
    record = recording.read(range(recording.shape[0]), 0, recording.shape[1])
    record -= operator.blend(gather.astype(np.float64)).astype(np.float32)
    return replace(
        _none(line, order, place),
        recording=replace(recording, samples=record),
        shot_points=(int(line.shots.shot_point[row]),),
        instant_ns=int(line.shots.fire_time_ns[row]),
    )


def _autofire(line: MadeLine, order: NDArray[np.int64], place: int) -> FaultyLine:
    row = int(order[place])
    kept = np.delete(np.arange(len(line.shots)), row)
    geometry = replace(
        line.geometry,
        offset_m=line.geometry.offset_m[kept],
        receiver_x_m=line.geometry.receiver_x_m[kept],
        receiver_y_m=line.geometry.receiver_y_m[kept],
    )
    return FaultyLine(
        line.recording,
        line.shots.take(kept),
        geometry,
        instant_ns=int(line.true_fire_time_ns[row]),
    )


def _swapped_sources(line: MadeLine, order: NDArray[np.int64], place: int) -> FaultyLine:
    source = line.shots.source.copy()
    one = order[place]
    other = next(row for row in order[place:] if source[row] != source[one])
    source[[one, other]] = source[[other, one]]
    points = tuple(int(line.shots.shot_point[row]) for row in (one, other))
    return FaultyLine(line.recording, replace(line.shots, source=source), line.geometry, points)


def _gap(line: MadeLine, order: NDArray[np.int64], place: int) -> FaultyLine:
    recording = line.recording
    at_ns = int(line.true_fire_time_ns[order[place]])
    start = (at_ns - recording.start_ns) // recording.interval_ns
    stop = start + round(GAP_S / recording.interval_s)
    record = recording.read(range(recording.shape[0]), 0, recording.shape[1])
    record[:, start:stop] = np.nan
    gaps = tuple(sorted((*recording.gaps, Gap(int(start), int(stop))), key=lambda gap: gap.start))
    damaged = replace(recording, samples=record, gaps=gaps)
    return FaultyLine(damaged, line.shots, line.geometry, (), at_ns, GAP_S)


def _late_source(line: MadeLine, order: NDArray[np.int64], place: int) -> FaultyLine:
    late_s = LATE_SOURCE_S[place % len(LATE_SOURCE_S)]
    last = line.shots.source == line.shots.sources[-1]
    faulty = _late(line, np.where(last, -round(late_s * NS_PER_S), 0))
    return replace(faulty, size_s=-late_s)


_FAULTS: Final[dict[str, Callable[[MadeLine, NDArray[np.int64], int], FaultyLine]]] = {
    "none": _none,
    "mixed_scales": _mixed_scales,
    "clock_step": _clock_step,
    "clock_drift": _clock_drift,
    "misfire": _misfire,
    "autofire": _autofire,
    "swapped_sources": _swapped_sources,
    "gap": _gap,
    "late_source": _late_source,
}
