"""All numbers of an alternative, row by row, each with its formula."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from deblend.decibels import amplitude_decibels
from deblend.model.findings import Finding
from deblend.plan import air
from deblend.plan import shot_timing as timing
from deblend.plan.alternative import (
    KNOT_M_S,
    clean_by_channel_s,
    line_shots,
    source_positions_m,
    speeds_m_s,
    streamer_positions_m,
    together,
)
from deblend.plan.alternative_findings import alternative_findings
from deblend.plan.delay_table import DelayTable
from deblend.plan.dither_diagnostics import Diagnosis
from deblend.plan.firing import NominalShots, best_firing, diagnoses, largest_delay_s, table_firing
from deblend.plan.keys import Alternative, TargetTable
from deblend.plan.midpoint_lines import (
    MidpointLines,
    crossline_bin_m,
    midpoint_lines,
    sail_line_spacing_m,
)

FEWEST_SHOTS: Final = 48
"""Of a source, drawn for the diagnostics, however short the line is."""

UNKNOWN: Final = float("nan")
HANDBOOK: Final = "D. Dondurur, Acquisition and Processing of Marine Seismic Data, Elsevier 2018"
LAYOUT: Final = "a published three-source layout of 12 x 112.5 m streamers"
PRACTICE: Final = "common practice, no source"
DERIVED: Final = "derived"
GIVEN: Final = "as given"


@dataclass(frozen=True)
class Quantity:
    """One row of the table of a plan."""

    group: str
    """Heading under which it stands."""
    name: str
    """What it is."""
    value: float | str
    """The number, or words."""
    unit: str
    """Of the number."""
    formula: str
    """How it was computed, in the names of the plan file."""
    source: str
    """Where the formula comes from."""


@dataclass(frozen=True, eq=False)
class AlternativeNumbers:
    """What a plan says about one alternative."""

    alternative: Alternative
    """As asked for."""
    lines: MidpointLines
    """Of one pass."""
    firing: NominalShots
    """Shots and delays of one sail line, run-in and run-out included."""
    diagnoses: list[Diagnosis]
    """Of every pair of sources that overlaps."""
    clean_s: float
    """Clean record length at the usual speed, before any offset."""
    strings: list[air.StringUse]
    """How often each string fires, against what it needs."""
    guns: list[air.SourceGuns]
    """First guess of what each source puts out."""
    quantities: list[Quantity]
    """All rows of the table; the same rows for every alternative."""
    findings: list[Finding]
    """What wants a look."""


@dataclass(frozen=True, eq=False)
class _Parts:
    """What the rows are made from."""

    alternative: Alternative
    target: TargetTable
    lines: MidpointLines
    firing: NominalShots
    diagnoses: list[Diagnosis]
    source_interval_m: float
    times_s: tuple[float, float, float]
    delay_s: float
    clean_s: tuple[float, float, float]


def alternative_numbers(
    alternative: Alternative,
    target: TargetTable,
    table: DelayTable | None = None,
    reference: Alternative | None = None,
) -> AlternativeNumbers:
    """Work out one alternative; the output of a source is held against that of the `reference`."""
    parts = _parts(alternative, target, table)
    quantities = [
        *_bins(parts),
        *_fold(parts),
        *_timing(parts),
        *_overlap(parts),
        *_dither(parts),
        *_air(parts, reference or alternative),
        *_trial(parts),
    ]
    findings = alternative_findings(alternative, target, parts.lines, parts.diagnoses, parts.firing)
    return AlternativeNumbers(
        alternative,
        parts.lines,
        parts.firing,
        parts.diagnoses,
        parts.clean_s[1],
        air.string_uses(alternative),
        air.source_guns(alternative),
        quantities,
        findings,
    )


def _parts(alternative: Alternative, target: TargetTable, table: DelayTable | None) -> _Parts:
    firing = alternative.firing
    shots = max(line_shots(alternative), FEWEST_SHOTS)
    speeds = speeds_m_s(alternative)
    if table is None:
        plan, rows = best_firing(alternative, shots, target.record_length_s)
    else:
        plan = table_firing(alternative, table)
        rows = diagnoses(plan, speeds[1], target.record_length_s)
    delay_s = largest_delay_s(alternative)
    low, usual, high = (timing.time_between_shots_s(firing.shot_interval_m, v) for v in speeds)
    times = low, usual, high
    alone = not together(alternative) or alternative.sources.count == 1
    cleans = [
        timing.clean_length_s(time_s, firing.dead_time_s, delay_s) if alone else 0.0
        for time_s in times
    ]
    return _Parts(
        alternative,
        target,
        midpoint_lines(source_positions_m(alternative), streamer_positions_m(alternative)),
        plan,
        rows,
        timing.source_interval_m(
            firing.shot_interval_m, alternative.sources.count, together=together(alternative)
        ),
        times,
        delay_s,
        (cleans[0], cleans[1], cleans[2]),
    )


def _bins(parts: _Parts) -> Iterator[Quantity]:
    streamers, count = parts.alternative.streamers, parts.alternative.sources.count
    lines, group = parts.lines, "Bins and lines"
    inline_m = 0.5 * streamers.group_interval_m
    yield Quantity(group, "inline bin", inline_m, "m", "group interval / 2", HANDBOOK)
    trust = HANDBOOK if count <= 2 else LAYOUT if count == 3 else DERIVED
    nominal = UNKNOWN
    if streamers.separation_m is not None and streamers.count > 1:
        nominal = crossline_bin_m(streamers.separation_m, count)
    formula = "streamer separation / (2 x sources)"
    yield Quantity(group, "crossline bin, nominal", nominal, "m", formula, trust)
    formula = "distance between midpoint lines that occurs most"
    yield Quantity(
        group, "crossline bin, of these positions", lines.spacing_m, "m", formula, DERIVED
    )
    formula = "distinct midpoint lines; streamers x sources where they interleave"
    yield Quantity(group, "subsurface lines of a pass", len(lines.across_m), "", formula, LAYOUT)
    yield Quantity(group, "midpoint lines", lines.interleave, "", "of all midpoints", DERIVED)
    gaps = ", ".join(f"{gap:g}" for gap in lines.edge_gaps_m) or "none"
    yield Quantity(group, "wider gaps", gaps, "m", "distances above the usual one", DERIVED)
    closed = "no gaps" if not lines.edge_gaps_m else "yes" if lines.gaps_closed else "no"
    formula = "midpoint lines of three passes on either side added"
    yield Quantity(group, "gaps closed by the next passes", closed, "", formula, DERIVED)
    sail = UNKNOWN
    if streamers.separation_m is not None:
        sail = sail_line_spacing_m(streamers.count, streamers.separation_m)
    formula = "streamers x streamer separation / 2"
    yield Quantity(group, "sail line spacing", sail, "m", formula, LAYOUT)
    spread = float(np.ptp(lines.across_m))
    yield Quantity(group, "outer midpoint line to outer", spread, "m", "of all midpoints", DERIVED)


def _fold(parts: _Parts) -> Iterator[Quantity]:
    streamers, group = parts.alternative.streamers, "Shots and fold"
    per_source = parts.source_interval_m
    point = parts.alternative.firing.shot_interval_m
    yield Quantity(group, "shot point interval, any source", point, "m", "p", GIVEN)
    formula = "p if all fire together, else sources x p"
    yield Quantity(group, "shot interval of a source, P", per_source, "m", formula, PRACTICE)
    fold = timing.fold(streamers.length_m, per_source)
    trust = HANDBOOK if parts.alternative.sources.count == 1 else PRACTICE
    formula = "streamer length / (2 P)"
    yield Quantity(group, "fold of a source", fold, "", formula, trust)
    cell_m2 = 0.5 * streamers.group_interval_m * parts.lines.spacing_m
    density = fold * 1e6 / cell_m2 if cell_m2 > 0 else UNKNOWN
    formula = "fold / (inline bin x crossline bin)"
    yield Quantity(group, "trace density", density / 1e6, "million/km²", formula, DERIVED)
    step = per_source / (0.5 * streamers.group_interval_m)
    same = "yes" if abs(step - round(step)) < 1e-3 else "no"
    formula = "whether P is a multiple of the inline bin"
    yield Quantity(group, "source repeats its bin centres", same, "", formula, DERIVED)


def _timing(parts: _Parts) -> Iterator[Quantity]:
    group = "Time between shots"
    names = ("lowest", "usual", "highest")
    speeds = parts.alternative.vessel.speed_kn
    for name, knots, time_s in zip(names, speeds, parts.times_s, strict=True):
        what = f"at the {name} speed, T"
        yield Quantity(group, what, time_s, "s", f"p / v, v = {knots:g} kn x 1852/3600", DERIVED)
    steps = parts.source_interval_m / parts.alternative.firing.shot_interval_m
    what, formula = "of one source, at the usual speed", "P / v"
    yield Quantity(group, what, steps * parts.times_s[1], "s", formula, DERIVED)
    sailed_m = speeds[1] * KNOT_M_S * parts.target.record_length_s
    what, formula = "vessel moves during a record", "v x record length"
    yield Quantity(group, what, sailed_m, "m", formula, DERIVED)


def _overlap(parts: _Parts) -> Iterator[Quantity]:
    group, record_s = "Overlap", parts.target.record_length_s
    firing, delay_s = parts.alternative.firing, parts.delay_s
    formula = "T - dead time - 2 d; 0 if sources fire together"
    for name, clean_s in zip(("usual", "highest"), parts.clean_s[1:], strict=True):
        what = f"clean record length, {name} speed"
        yield Quantity(group, what, clean_s, "s", formula, PRACTICE)
    far_s = clean_by_channel_s(parts.alternative, parts.clean_s[1])[-1]
    what = "the same at the farthest channel, usual speed"
    formula = "clean record length + offset / 1500 m/s (direct wave)"
    yield Quantity(group, what, float(far_s), "s", formula, DERIVED)
    fastest = timing.fastest_clean_speed_m_s(
        firing.shot_interval_m, record_s, firing.dead_time_s, delay_s
    )
    alone = not together(parts.alternative) or parts.alternative.sources.count == 1
    what, formula = "fastest speed without overlap", "p / (record + dead time + 2 d), in knots"
    knots = fastest / KNOT_M_S if alone else 0.0
    yield Quantity(group, what, knots, "kn", formula, PRACTICE)
    at_once = parts.alternative.sources.count if together(parts.alternative) else 1
    shots = timing.shots_in_record(record_s, parts.times_s[1], delay_s, fired_together=at_once)
    formula = "ceil((record + 2 d) / T) x sources that fire together"
    yield Quantity(group, "shots in a record, own included", shots, "", formula, PRACTICE)
    mean = at_once * record_s / parts.times_s[1]
    formula = "record / T x sources that fire together"
    yield Quantity(group, "blending fold, mean", mean, "", formula, DERIVED)
    share = timing.overlap_share(record_s, parts.clean_s[1])
    formula = "1 - clean record length / record"
    yield Quantity(group, "record under later shots", 100.0 * share, "%", formula, DERIVED)


def _dither(parts: _Parts) -> Iterator[Quantity]:
    group, dither = "Dither", parts.alternative.dither
    natural = parts.alternative.firing.scheme == "natural timing"
    law = "natural timing" if natural else dither.law
    yield Quantity(group, "law", law, "", "of the delays", GIVEN)
    formula = "as given; 1.5 standard deviations of natural timing"
    yield Quantity(group, "delays within plus and minus, d", parts.delay_s, "s", formula, GIVEN)
    shift_m = parts.alternative.vessel.speed_kn[1] * KNOT_M_S * parts.delay_s
    yield Quantity(group, "largest shift of a shot", shift_m, "m", "v x d", DERIVED)
    seed = float(parts.firing.seed) if parts.firing.seed is not None else UNKNOWN
    yield Quantity(group, "seed kept", seed, "", "lowest mutual coherence of those tried", GIVEN)
    worst = max(parts.diagnoses, key=lambda row: row.coherence, default=None)
    values = (
        (UNKNOWN,) * 4
        if worst is None
        else (worst.deviation_s, worst.coherent_below_hz, worst.coherence, 100.0 * worst.repeats)
    )
    for name, value, unit, formula in zip(
        (
            "differences, standard deviation",
            "interference coherent below",
            "mutual coherence in windows",
            "repeated differences",
        ),
        values,
        ("s", "Hz", "", "%"),
        (
            "of overlapping shots, worst pair; 2 d / sqrt(6) if both are uniform",
            "coherent power |mean exp(-2 pi i f x difference)|² reaches 1/4",
            "max over f and slope of |mean exp(-2 pi i f x difference - i slope k)|",
            "neighbours up to 3 shots apart that agree within 2 ms",
        ),
        strict=True,
    ):
        yield Quantity(group, name, value, unit, formula, DERIVED)
    gap = float(np.diff(np.sort(parts.firing.times_s(speeds_m_s(parts.alternative)[2]))).min())
    formula = "between any two shots of the drawn delays, at the highest speed"
    yield Quantity(group, "smallest gap", gap, "s", formula, DERIVED)


def _air(parts: _Parts, reference: Alternative) -> Iterator[Quantity]:
    group, alternative = "Air and strings", parts.alternative
    at_once = air.volume_at_once_cubic_inch(alternative)
    formula = "all sources that fire together, else the largest"
    value = UNKNOWN if at_once is None else at_once
    yield Quantity(group, "volume of a shot point", value, "cubic inch", formula, DERIVED)
    for name, speed in zip(("usual", "highest"), speeds_m_s(alternative)[1:], strict=True):
        free = air.free_air_per_minute_m3(alternative, speed)
        what, formula = f"free air, {name} speed", "60 x volume x pressure / (101325 Pa x T)"
        yield Quantity(group, what, UNKNOWN if free is None else free, "m³/min", formula, DERIVED)
    uses = air.string_uses(alternative)
    slack = min((use.shortest_s - use.recycle_s for use in uses), default=UNKNOWN)
    formula = "shortest time between shots of a string - 2 d - recycle time"
    yield Quantity(group, "spare time of the tightest string", slack, "s", formula, DERIVED)
    guns = air.source_guns(alternative)
    for name, value, unit, formula in (
        (
            "output of the weakest source against the reference",
            _weakest_db(guns, air.source_guns(reference)),
            "dB",
            "20 log10 of the sum of gun volume^(1/3) over that of the reference; a first guess",
        ),
        (
            "shortest bubble period of a gun",
            1e3 * min((one.shortest_period_s for one in guns), default=UNKNOWN),
            "ms",
            "1.14 rho^(1/2) (P V)^(1/3) P0^(-5/6), Rayleigh and Willis; a first guess",
        ),
        (
            "longest bubble period of a gun",
            1e3 * max((one.longest_period_s for one in guns), default=UNKNOWN),
            "ms",
            "the same; for guns and clusters, never for an array's volume",
        ),
    ):
        yield Quantity(group, name, value, unit, formula, PRACTICE)


def _weakest_db(guns: list[air.SourceGuns], reference: list[air.SourceGuns]) -> float:
    if not guns or not reference:
        return UNKNOWN
    weakest, held_against = (min(one.output for one in some) for some in (guns, reference))
    return amplitude_decibels(weakest / held_against)


def _trial(parts: _Parts) -> Iterator[Quantity]:
    group, trial = "Trial", parts.alternative.trial
    speed_km_h = parts.alternative.vessel.speed_kn[1] * 1.852
    streamers = parts.alternative.streamers
    sail = UNKNOWN
    if streamers.separation_m is not None:
        sail = sail_line_spacing_m(streamers.count, streamers.separation_m)
    area = sail / 1000.0 * speed_km_h
    yield Quantity(group, "area covered", area, "km²/h", "sail line spacing x v", DERIVED)
    shots = line_shots(parts.alternative) * parts.alternative.sources.count * trial.lines
    formula = "lines x sources x (line + run-in and out) / P"
    yield Quantity(group, "shots", shots, "", formula, DERIVED)
    shooting = trial.lines * (trial.line_length_km + trial.run_in_and_out_km) / speed_km_h
    formula = "lines x (line + run-in and out) / v"
    yield Quantity(group, "hours of shooting", shooting, "h", formula, DERIVED)
    changes = (trial.lines - 1) * trial.line_change_h
    total = (shooting + changes + trial.reconfiguration_h) / (1.0 - trial.standby_share)
    formula = "(shooting + line changes + reconfiguration) / (1 - standby share)"
    yield Quantity(group, "hours in all", total, "h", formula, DERIVED)
