"""After the line: what was planned against what was shot."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
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

HALF_WINDOW: Final = 8
"""Shots on either side of the local parabola that stands for the smooth motion of the vessel."""

FOLLOWED: Final = "as planned"


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


@dataclass(frozen=True)
class TableCheck:
    """Whether a table of delays was followed."""

    reading: str
    """The reading of the table that fits best: "as planned", "sign reversed", "one row late", "one
    row early" or "not followed"."""
    unexplained_s: dict[str, float]
    """What each reading leaves of the times, rms about the smooth motion of the vessel."""
    matched: int
    """Shots found in the table."""


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
    """Hold the shots of a line against an alternative.

    Parameters
    ----------
    alternative, target
        The plan.
    shots : Shots
        The line.
    table : DelayTable, optional
        Delays that were to be fired.
    """
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
    step = _usual_step(points)
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


def _usual_step(points: NDArray[np.int64]) -> int:
    steps = np.diff(points)
    steps = steps[steps > 0]
    if not steps.size:
        return 1
    values, counts = np.unique(steps, return_counts=True)
    return int(values[np.argmax(counts)])


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


def check_table(shots: Shots, seconds: Floats, table: DelayTable) -> TableCheck:
    """Read a table of delays in four ways, and see which one leaves smooth times.

    Fire time minus delay is the instant at which the nominal place was passed, which is smooth
    along the line. How it deviates from a local parabola says whether the delay was fired.
    """
    planned = {
        (int(point), int(source)): delay
        for point, source, delay in zip(table.shot_point, table.source, table.delay_s, strict=True)
    }
    parts: dict[str, list[Floats]] = {}
    matched = 0
    for number, source in enumerate(shots.sources, start=1):
        rows = shots.rows_of(source)
        rows = rows[shots.live[rows]]
        rows = rows[np.argsort(shots.shot_point[rows], kind="stable")]
        key = source if isinstance(source, int) else number
        delay = np.array([planned.get((int(p), key), np.nan) for p in shots.shot_point[rows]])
        known = np.isfinite(delay)
        matched += int(known.sum())
        if known.sum() > 2 * HALF_WINDOW + 3:
            for reading, left in _readings(seconds[rows][known], delay[known]):
                parts.setdefault(reading, []).append(left)
    rms = {
        reading: float(np.sqrt(np.mean(np.square(np.concatenate(left)))))
        for reading, left in parts.items()
    }
    plain = rms.get("no delays", float("nan"))
    best = min(rms, key=lambda reading: rms[reading], default="not followed")
    if best == "no delays" or not rms.get(best, plain) < 0.5 * plain:
        best = "not followed"
    return TableCheck(best, rms, matched)


def _readings(seconds: Floats, delay: Floats) -> Iterator[tuple[str, Floats]]:
    inner = slice(1, -1)
    for reading, applied in (
        (FOLLOWED, delay),
        ("sign reversed", -delay),
        ("one row late", np.roll(delay, 1)),
        ("one row early", np.roll(delay, -1)),
        ("no delays", np.zeros_like(delay)),
    ):
        yield reading, deviation_from_smooth((seconds - applied)[inner])


def deviation_from_smooth(values: Floats) -> Floats:
    """Values minus a local parabola through 17 of them, its own value left out; ends are dropped.

    Returns
    -------
    ndarray of float64, shape (value - 16,)
        Independent errors of rms s leave about 1.08 s.
    """
    size = 2 * HALF_WINDOW + 1
    place = np.delete(np.arange(size) - HALF_WINDOW, HALF_WINDOW).astype(np.float64)
    basis = np.stack([np.ones_like(place), place, place**2], axis=1)
    weights = np.insert(np.linalg.pinv(basis)[0], HALF_WINDOW, 0.0)
    smooth = np.convolve(values, weights[::-1], "valid")
    return np.asarray(values[HALF_WINDOW:-HALF_WINDOW] - smooth, dtype=np.float64)


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
    if alternative.dither.law == "uniform" and rows:
        worst = max(rows, key=lambda row: abs(row.deviation_s - planned))
        if abs(worst.deviation_s - planned) > DITHER_TOLERANCE * planned:
            yield look(
                "dither_shot",
                worst.deviation_s,
                "s",
                f"Time differences of sources {worst.source} and {worst.other} vary by "
                f"{worst.deviation_s:.3f} s (standard deviation, changes of speed included); "
                f"planned are {planned:.3f} s.",
                float(planned),
            )
    if table is not None and table.reading != FOLLOWED:
        yield look(
            "delays_fired",
            float(table.matched),
            "shots",
            f"The table of delays was fired with this reading: {table.reading}.",
        )
