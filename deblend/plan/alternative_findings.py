"""What wants a look before anything is rigged: findings of one alternative."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from deblend.model.findings import Finding
from deblend.plan import air
from deblend.plan.alternative import speeds_m_s, together
from deblend.plan.dither_diagnostics import LOWEST_HZ, Diagnosis
from deblend.plan.firing import NominalShots, largest_delay_s
from deblend.plan.keys import Alternative, TargetTable
from deblend.plan.midpoint_lines import MidpointLines
from deblend.plan.shot_timing import clean_length_s, time_between_shots_s

USUAL_SPEED_KN: Final = (3.5, 5.5)
USUAL_DITHER_S: Final = (0.1, 0.5)
"""Both: common practice, no source."""

REGULAR_COHERENCE: Final = 0.75
"""Of windows of 24 shots; random phases stay near 0.6 at their worst frequency (measured here)."""


def alternative_findings(
    alternative: Alternative,
    target: TargetTable,
    lines: MidpointLines,
    rows: Sequence[Diagnosis],
    firing: NominalShots,
) -> list[Finding]:
    """Findings of one alternative."""
    return [
        *_lines(lines),
        *_speed(alternative),
        *_overlap(alternative, target),
        *_dither(alternative, rows),
        *_permit(alternative, firing),
        *_air(alternative),
    ]


def look(
    metric: str,
    value: float,
    unit: str,
    message: str,
    limit: float | None = None,
    source: int | str | None = None,
) -> Finding:
    """A finding that asks for a look."""
    return Finding(metric, value, unit, "look", message, source=source, limit=limit)


def _beyond(metric: str, value: float, unit: str, message: str, limit: float) -> Finding:
    """Beyond a limit that the plan itself states, of the permit or of the machinery."""
    return Finding(metric, value, unit, "fail", message, limit=limit)


def _lines(lines: MidpointLines) -> Iterator[Finding]:
    if lines.interleave == "lines coincide":
        yield look(
            "midpoint_lines_coincide",
            float(lines.coinciding),
            "lines",
            "Midpoint lines of different sources fall on each other, so that the crossline bin is "
            "not what the number of sources promises. Tow the sources so that their positions, "
            "modulo the streamer separation, are that separation over their number apart.",
        )
    elif lines.interleave == "uneven":
        yield look(
            "midpoint_lines_uneven",
            max(lines.edge_gaps_m, default=lines.spacing_m),
            "m",
            "Midpoint lines are unevenly spaced; the widest gap sets the crossline bin. Check the "
            "source positions.",
        )
    elif lines.edge_gaps_m and not lines.gaps_closed:
        yield look(
            "edge_gaps_stay_open",
            max(lines.edge_gaps_m),
            "m",
            "Gaps between midpoint lines at the edges of a pass are not closed by its neighbours.",
        )


def _speed(alternative: Alternative) -> Iterator[Finding]:
    low, high = USUAL_SPEED_KN
    for knots in (alternative.vessel.speed_kn[0], alternative.vessel.speed_kn[2]):
        if not low <= knots <= high:
            yield look(
                "unusual_speed",
                knots,
                "kn",
                f"Spreads are usually towed at {low:g} to {high:g} knots (common practice, no "
                "source).",
            )


def _overlap(alternative: Alternative, target: TargetTable) -> Iterator[Finding]:
    first, last = target.window_s
    if together(alternative) and alternative.sources.count > 1:
        yield Finding(
            "target_overlapped",
            100.0,
            "%",
            "note",
            "All sources fire together, so that the whole target lies under other shots.",
            window_s=target.window_s,
        )
        return
    shortest_s = time_between_shots_s(
        alternative.firing.shot_interval_m, speeds_m_s(alternative)[2]
    )
    clean_s = clean_length_s(
        shortest_s, alternative.firing.dead_time_s, largest_delay_s(alternative)
    )
    if clean_s < last:
        share = (last - max(clean_s, first)) / (last - first)
        yield Finding(
            "target_overlapped",
            100.0 * share,
            "%",
            "note",
            f"At the highest speed the next shot comes {clean_s:.3f} s after the own one, within "
            "the target window.",
            window_s=target.window_s,
        )


def _dither(alternative: Alternative, rows: Sequence[Diagnosis]) -> Iterator[Finding]:
    delay_s = largest_delay_s(alternative)
    worst = max(rows, key=lambda row: row.coherence, default=None)
    if worst is not None and worst.coherence > REGULAR_COHERENCE:
        yield look(
            "regular_firing",
            worst.coherence,
            "",
            f"Time differences of sources {worst.source} and {worst.other} hardly vary: their "
            "interference lines up like signal and cannot be separated by fire times.",
            REGULAR_COHERENCE,
        )
    elif worst is not None and worst.coherent_below_hz > LOWEST_HZ:
        yield look(
            "coherent_at_low_frequency",
            worst.coherent_below_hz,
            "Hz",
            f"Interference stays coherent below {worst.coherent_below_hz:.1f} Hz; wider delays "
            "bring that down.",
            LOWEST_HZ,
        )
    low, high = USUAL_DITHER_S
    if alternative.dither.law == "uniform" and not low <= delay_s <= high and rows:
        yield look(
            "unusual_dither",
            delay_s,
            "s",
            f"Random delays are usually within plus and minus {low:g} to {high:g} s (common "
            "practice, no source).",
        )


def _permit(alternative: Alternative, firing: NominalShots) -> Iterator[Finding]:
    limits, speeds = alternative.limits, speeds_m_s(alternative)
    gap_s = float(np.diff(np.sort(firing.times_s(speeds[2]))).min())
    if limits.smallest_shot_spacing_s is not None and gap_s < limits.smallest_shot_spacing_s:
        yield _beyond(
            "shots_closer_than_permitted",
            gap_s,
            "s",
            "Two shots come closer than the smallest time between shots that the permit allows. "
            "Widen the shot interval, shorten the delays or sail slower.",
            limits.smallest_shot_spacing_s,
        )
    # Where all sources fire together the permit has to say how it counts them: as one shot here.
    spacing_m = alternative.firing.shot_interval_m - 2.0 * largest_delay_s(alternative) * speeds[2]
    if limits.smallest_shot_spacing_m is not None and spacing_m < limits.smallest_shot_spacing_m:
        yield _beyond(
            "shots_closer_than_permitted",
            spacing_m,
            "m",
            "Shot points come closer than the smallest spacing that the permit allows, with the "
            "delays at their worst. Widen the shot interval, or shorten the delays.",
            limits.smallest_shot_spacing_m,
        )
    volume = air.volume_at_once_cubic_inch(alternative)
    largest = limits.largest_volume_cubic_inch
    if volume is not None and largest is not None and volume > largest:
        yield _beyond(
            "volume_above_permit",
            volume,
            "cubic inch",
            "The volume fired at a shot point exceeds what the permit allows at once. Fire fewer "
            "or smaller sources together.",
            largest,
        )


def _air(alternative: Alternative) -> Iterator[Finding]:
    for use in air.string_uses(alternative):
        if use.shortest_s < use.recycle_s:
            yield _beyond(
                "recycle_time",
                use.shortest_s,
                "s",
                f"String {use.name} has to fire again after {use.shortest_s:.2f} s at the highest "
                f"speed and needs {use.recycle_s:g} s. Widen the shot interval, or share the "
                "strings in another way.",
                use.recycle_s,
            )
    free = air.free_air_per_minute_m3(alternative, speeds_m_s(alternative)[2])
    capacity = alternative.limits.compressor_m3_per_min
    if free is not None and capacity is not None and free > capacity:
        yield _beyond(
            "compressor_duty",
            free,
            "m³/min",
            "The guns need more free air at the highest speed than the compressors deliver. Widen "
            "the shot interval, or fire less volume.",
            capacity,
        )
