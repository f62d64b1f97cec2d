"""Whether fire times vary enough for one source to look incoherent in the gathers of another.

In the common-channel gather of source a, the interference of source b arrives on every shot at the
time that b fires after (or before) a. Where that difference changes little from shot to shot, the
interference lines up like a reflection and no coherence filter can tell it apart.
"""

from __future__ import annotations

from itertools import combinations_with_replacement
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.model.shots import Shots
from deblend.model.timebase import NS_PER_S

_FEWEST_SHOTS: Final = 5
_STRIDES: Final = (1, 2)
"""Shots compared: the next one and, against alternating delays, the one after it."""

HALF_POWER_PRODUCT: Final = 0.6
"""Coherent fraction of interference sinc(f D)^2 is -6 dB at f D = 0.6: one shot of two dithered
over a range D, from the Fourier transform of a uniform distribution."""

_CHANGE_PER_RANGE: Final = 1.0 - 0.5**0.5
"""Median change between two independent delays that are uniform over a range of 1."""

LOWEST_BAND_HZ: Final = 6.0
"""Interference should be incoherent from here on (common practice, no source): the low end of the
band of a towed line, where its period is 0.17 s."""


def never_overlap(shots: Shots, length_ns: int) -> list[Finding]:
    """A note for the line in which no gather holds energy of another shot."""
    overlapping = overlapping_shots(shots, length_ns)
    if not overlapping:
        message = (
            f"No two shots overlap within {length_ns / NS_PER_S:g} s: there is nothing to separate."
        )
        return [Finding("overlapping_shots", 0.0, "shots", "note", message)]
    message = (
        f"{overlapping} of {np.count_nonzero(shots.live)} live shots are followed by another "
        f"within {length_ns / NS_PER_S:g} s."
    )
    return [Finding("overlapping_shots", float(overlapping), "shots", "note", message)]


def overlapping_shots(shots: Shots, length_ns: int) -> int:
    """Live shots that are followed by another within a gather."""
    times = np.sort(shots.fire_time_ns[shots.live])
    return int(np.count_nonzero(np.diff(times) < length_ns))


def regularity_findings(shots: Shots, length_ns: int) -> list[Finding]:
    """One finding for each pair of sources: how much their fire-time differences vary.

    The value is the range over which the difference varies from shot to shot (that of a uniform
    distribution which changes as much); the verdict is ``look`` where the interference stays
    coherent above `LOWEST_BAND_HZ`. A source is paired with itself where its next shot falls into
    its own gather. A pair that never overlaps gets a note that says so,
    unless none does.
    """
    live = shots.take(shots.live) if shots.live.any() else None
    if live is None:
        return []
    alone = not overlapping_shots(live, length_ns)
    findings = []
    for one, other in combinations_with_replacement(live.sources, 2):
        times = [np.sort(live.fire_time_ns[live.rows_of(source)]) for source in (one, other)]
        rows, delay_ns = _overlapping(times[0], times[1], length_ns, itself=one == other)
        if rows.size:
            change_ns = _median_change(times[0], times[1], rows, delay_ns)
            if change_ns is not None:
                findings.append(_finding(one, other, change_ns / NS_PER_S))
        elif one != other and not alone:
            message = f"Sources {one} and {other} never overlap within {length_ns / NS_PER_S:g} s."
            findings.append(Finding("sources_never_overlap", 0.0, "shots", "note", message))
    return findings


def _overlapping(
    one: NDArray[np.int64], other: NDArray[np.int64], length_ns: int, *, itself: bool
) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
    """Shots of `one` that overlap with `other`, and how much later the nearest of those fires."""
    delay = np.diff(one) if itself else _nearest(other, one) - one
    rows = np.flatnonzero(np.abs(delay) < length_ns)
    return rows, delay[rows]


def _median_change(
    one: NDArray[np.int64],
    other: NDArray[np.int64],
    rows: NDArray[np.intp],
    delay_ns: NDArray[np.int64],
) -> float | None:
    """Median change of the delay to a later shot, for the stride where it is least.

    None where too few shots overlap to say.
    """
    medians = []
    for stride in _STRIDES:
        within = rows + stride < len(one)
        expected = one[rows[within] + stride] + delay_ns[within]
        if expected.size >= _FEWEST_SHOTS:
            medians.append(float(np.median(np.abs(_nearest(other, expected) - expected))))
    return min(medians) if medians else None


def _nearest(times: NDArray[np.int64], wanted: NDArray[np.int64]) -> NDArray[np.int64]:
    """For each instant wanted the nearest of sorted `times`."""
    after = np.minimum(np.searchsorted(times, wanted), len(times) - 1)
    before = np.maximum(after - 1, 0)
    closer = np.abs(wanted - times[before]) <= np.abs(times[after] - wanted)
    return np.where(closer, times[before], times[after])


def _finding(one: int | str, other: int | str, change_s: float) -> Finding:
    range_s = change_s / _CHANGE_PER_RANGE
    limit_s = HALF_POWER_PRODUCT / LOWEST_BAND_HZ
    regular = range_s < limit_s
    # A variation below a millisecond is none to a seismic band.
    coherent = (
        f"below about {HALF_POWER_PRODUCT / range_s:.1f} Hz"
        if range_s > 1e-3
        else "throughout the band"
    )
    pair = f"sources {one} and {other}" if one != other else f"source {one} and its own next shot"
    consequence = (
        "; expect a poor separation there. Fire with wider random delays."
        if regular
        else " and cannot be told apart by its times there."
    )
    return Finding(
        "fire_time_variation",
        range_s,
        "s",
        "look" if regular else "note",
        f"Fire-time differences of {pair} vary by {range_s * 1e3:.1f} ms from shot to shot: their "
        f"interference stays coherent {coherent}{consequence}",
        source=one if one == other else None,
        limit=limit_s,
    )
