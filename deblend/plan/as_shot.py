"""After the line: what was planned against what was shot."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.model.geometry import shooting_direction
from deblend.model.shots import Shots
from deblend.model.timebase import NS_PER_S
from deblend.plan.alternative import KNOT_M_S, speeds_m_s, together
from deblend.plan.alternative_findings import look
from deblend.plan.delay_table import DelayTable
from deblend.plan.delays_fired import (
    FOLLOWED,
    HALF_WINDOW,
    TableCheck,
    check_table,
    usual_step,
)
from deblend.plan.dither_diagnostics import Diagnosis, diagnose_all, pairings
from deblend.plan.firing import largest_delay_s
from deblend.plan.keys import Alternative, TargetTable
from deblend.plan.shot_timing import fold, source_interval_m
from deblend.words import counted

Floats = NDArray[np.float64]
INTERVAL_TOLERANCE: Final = 0.02
MISSED_TOLERANCE: Final = 0.05
DITHER_TOLERANCE: Final = 0.15
"""All three: common practice, no source; the contract states its own."""

DITHER_DEVIATIONS: Final = 3.5
"""Of what the deviation of so many drawn differences scatters by."""
DIFFERENCE_SCATTER: Final = 0.59
"""Of a standard deviation, times the square root of the count: differences of two uniform delays
are triangular, of kurtosis 2.4, and sqrt((2.4 - 1) / 4) is 0.59."""
NAMED_SHOTS: Final = 5


@dataclass(frozen=True)
class SourceShot:
    """One source as shot; lengths in m, NaN where positions are unknown."""

    source: int | str
    """Which."""
    fired: int
    misfired: int
    missing: int
    """Shots with energy, shots marked as misfires, and shot points without a row."""
    planned_interval_m: float
    interval_m: float
    shortest_m: float
    longest_m: float
    """Planned interval of the source, and median, shortest and longest of the shots fired."""
    interval_s: float
    shortest_s: float
    longest_s: float
    """Median, shortest and longest time between shots."""
    planned_fold: float
    mean_fold: float
    lowest_fold: float
    """Nominal fold, its mean with the shots lost, and at the worst place."""


@dataclass(frozen=True, eq=False)
class AsShot:
    """A line as shot against its plan."""

    alternative: str
    """Against which."""
    sources: tuple[SourceShot, ...]
    """Each source."""
    speed_kn: tuple[float, float, float]
    """Lowest, median and highest between shots, smoothed over 17 of them; NaN without positions."""
    diagnoses: list[Diagnosis]
    """Of the times as shot."""
    table: TableCheck | None
    """Whether the delays were followed, where a table was given."""
    findings: list[Finding]
    """What wants a look."""


def as_shot(
    alternative: Alternative, target: TargetTable, shots: Shots, table: DelayTable | None = None
) -> AsShot:
    """Hold the shots of a line against an alternative, and against the delays to be fired."""
    seconds = (shots.fire_time_ns - shots.fire_time_ns.min()) / NS_PER_S
    along = _along_m(shots)
    sources = tuple(_source(alternative, shots, source, seconds, along) for source in shots.sources)
    live = shots.live
    rows = diagnose_all(
        pairings(shots.shot_point[live], shots.source[live], seconds[live], target.record_length_s)
    )
    checked = None if table is None else check_table(shots, seconds, table)
    speed = _speed_kn(seconds[live], along[live])
    findings = list(_findings(alternative, sources, speed, rows, checked))
    return AsShot(alternative.name, sources, speed, rows, checked, findings)


def _along_m(shots: Shots) -> Floats:
    """Along the shooting direction; NaN where positions are unknown."""
    forward = shooting_direction(shots)
    if forward is None:
        return np.full(len(shots), np.nan)
    return np.asarray(shots.x_m * forward[0] + shots.y_m * forward[1], dtype=np.float64)


def _source(
    alternative: Alternative, shots: Shots, source: int | str, seconds: Floats, along: Floats
) -> SourceShot:
    rows = shots.rows_of(source)
    rows = rows[np.argsort(shots.shot_point[rows], kind="stable")]
    fired = rows[shots.live[rows]]
    points = shots.shot_point[rows]
    step = usual_step(points)
    lost = np.ones(int((points[-1] - points[0]) // step) + 1, dtype=np.bool_)
    lost[(shots.shot_point[fired] - points[0]) // step] = False
    named = np.unique((points - points[0]) // step)  # points off the usual step share one
    planned_m = source_interval_m(
        alternative.firing.shot_interval_m,
        alternative.sources.count,
        together=together(alternative),
    )
    nominal = fold(alternative.streamers.length_m, planned_m)
    steps = np.diff(shots.shot_point[fired]) // step
    metres = _spread(np.abs(np.diff(along[fired])), steps)
    times = _spread(np.diff(seconds[fired]), steps)
    window = min(len(lost), max(1, round(nominal)))
    worst = int(np.convolve(lost, np.ones(window), "valid").max())
    return SourceShot(
        source,
        len(fired),
        int(np.count_nonzero(~shots.live[rows])),
        int(lost.size - len(named)),
        planned_m,
        *metres,
        *times,
        nominal,
        nominal * (1.0 - float(lost.mean())),
        nominal * (1.0 - worst / window),
    )


def _spread(between: Floats, steps: NDArray[np.int64]) -> tuple[float, float, float]:
    """Median, shortest and longest interval of shots that follow each other directly."""
    direct = between[steps == 1]
    direct = direct[np.isfinite(direct)]
    if not direct.size:
        return float("nan"), float("nan"), float("nan")
    return float(np.median(direct)), float(direct.min()), float(direct.max())


def _speed_kn(seconds: Floats, along: Floats) -> tuple[float, float, float]:
    order = np.argsort(seconds, kind="stable")
    time, place = seconds[order], along[order]
    reach = min(2 * HALF_WINDOW, len(time) - 1)
    if reach < 1 or not np.isfinite(place).all():
        return float("nan"), float("nan"), float("nan")
    speed = np.abs((place[reach:] - place[:-reach]) / (time[reach:] - time[:-reach])) / KNOT_M_S
    return float(speed.min()), float(np.median(speed)), float(speed.max())


def _findings(
    alternative: Alternative,
    sources: tuple[SourceShot, ...],
    speed_kn: tuple[float, float, float],
    rows: list[Diagnosis],
    table: TableCheck | None,
) -> Iterator[Finding]:
    if len(sources) != alternative.sources.count:
        yield look(
            "sources_shot",
            float(len(sources)),
            "sources",
            f"The plan has {counted(alternative.sources.count, 'source')}, the line "
            f"{len(sources)}.",
            float(alternative.sources.count),
        )
    for row in sources:
        yield from _source_findings(row)
    low, high = (speed / KNOT_M_S for speed in speeds_m_s(alternative)[::2])
    for value in (speed_kn[0], speed_kn[2]):
        if value < low or value > high:
            yield look(
                "speed_shot",
                value,
                "kn",
                f"The plan allows {low:g} to {high:g} knots; clean record length and air follow.",
                high if value > high else low,
            )
    yield from _dither_findings(alternative, rows, table)


def _source_findings(row: SourceShot) -> Iterator[Finding]:
    planned = row.planned_interval_m
    if abs(row.interval_m - planned) > INTERVAL_TOLERANCE * planned:
        yield look(
            "interval_shot",
            row.interval_m,
            "m",
            f"Source {row.source} fired every {row.interval_m:.2f} m; planned are {planned:g} m.",
            planned,
            row.source,
        )
    lost = row.misfired + row.missing
    share = lost / max(lost + row.fired, 1)
    if lost:
        yield Finding(
            "shots_lost",
            100.0 * share,
            "%",
            "look" if share > MISSED_TOLERANCE else "note",
            f"Source {row.source} lost {counted(lost, 'shot')} "
            f"({counted(row.misfired, 'misfire')}, {row.missing} missing): "
            f"fold {row.mean_fold:.1f} of {row.planned_fold:.1f} on average, "
            f"{row.lowest_fold:.1f} at the worst place.",
            source=row.source,
            limit=100.0 * MISSED_TOLERANCE,
        )


def _dither_findings(
    alternative: Alternative, rows: list[Diagnosis], table: TableCheck | None
) -> Iterator[Finding]:
    planned = 2.0 * largest_delay_s(alternative) / np.sqrt(6.0)
    followed = table is not None and table.reading == FOLLOWED
    # Delays that were followed shot by shot are those that were drawn, whatever they vary by.
    if alternative.dither.law == "uniform" and rows and not followed:
        worst = max(rows, key=lambda row: _beyond_chance(row, planned))
        if _beyond_chance(worst, planned) > DITHER_TOLERANCE:
            yield look(
                "dither_shot",
                worst.deviation_s,
                "s",
                f"Time differences of sources {worst.source} and {worst.other} vary by "
                f"{worst.deviation_s:.3f} s (standard deviation, changes of speed included); "
                f"planned are {planned:.3f} s.",
                float(planned),
            )
    if table is not None:
        yield from _table_findings(table)


def _beyond_chance(row: Diagnosis, planned_s: float) -> float:
    """Part by which the deviation of a pairing differs from the planned one beyond chance."""
    chance = DITHER_DEVIATIONS * DIFFERENCE_SCATTER / np.sqrt(max(row.shots, 1))
    return float(abs(row.deviation_s - planned_s) / planned_s - chance)


def _table_findings(table: TableCheck) -> Iterator[Finding]:
    if table.numbering:
        text = f"The table of delays is numbered otherwise than the line: {table.numbering}."
        yield Finding("delays_numbered", float(table.matched), "shots", "note", text)
    if table.reading != FOLLOWED:
        yield look(
            "delays_fired",
            float(table.matched),
            "shots",
            f"The table of delays was fired with this reading: {table.reading}.",
        )
    for source, late_s in table.source_late_s:
        way = "later" if late_s > 0 else "earlier"
        text = f"Source {source} fired {abs(late_s) * 1e3:.1f} ms {way} throughout than its delays "
        text += "and the other sources say: its times have another zero."
        yield look("source_late", late_s * 1e3, "ms", text, 0.0, source)
    for (source, point), (other, other_point) in table.swapped:
        text = f"Source {source} shot point {point} and source {other} shot point {other_point} "
        text += "are exchanged: by the table of delays each is the other source. Correct the "
        text += "source numbers of both, or expect both to be separated wrongly."
        yield replace(
            look("sources_exchanged", 2.0, "shots", text, source=source),
            shot_point=point,
            other_source=other,
        )
    if table.shots_late_s:
        named = ", ".join(
            f"source {source} shot point {point} by {late_s * 1e3:+.1f} ms"
            for source, point, late_s in table.shots_late_s[:NAMED_SHOTS]
        )
        more = len(table.shots_late_s) - NAMED_SHOTS
        text = f"{counted(len(table.shots_late_s), 'shot')} did not follow the table: {named}"
        text += f" and {more} more." if more > 0 else "."
        yield look("delays_differ", float(len(table.shots_late_s)), "shots", text)
