"""Pictures of a plan: midpoint lines, bins, fold, overlap."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from deblend.plan.contents import PlanContents
from deblend.plan.keys import TargetTable
from deblend.plan.midpoint_lines import crossline_bin_m
from deblend.plan.numbers import AlternativeNumbers, channel_offsets_m, clean_by_channel_s
from deblend.plan.plan_file import (
    KNOT_M_S,
    source_positions_m,
    speeds_m_s,
    streamer_positions_m,
    together,
)
from deblend.plan.shot_timing import (
    blending_fold,
    clean_length_s,
    fold,
    interference_level_db,
    level_db,
    source_interval_m,
    time_between_shots_s,
)
from deblend.report.drawing import COLOURS, LINES, MARKERS, new_figure, plain, tidy
from deblend.words import counted

SEPARATIONS_M: Final = np.linspace(40.0, 160.0, 121)
INTERVALS_M: Final = np.linspace(5.0, 40.0, 141)
FOLD_STEPS: Final = 240
SHOTS_SHOWN: Final = 240


def style(number: int) -> tuple[str, str]:
    """Colour and line of the alternative with this number; the reference is black."""
    colours = (COLOURS[-1], *COLOURS[:-1])
    return colours[number % len(colours)], LINES[(number // len(colours)) % len(LINES)]


def midpoint_figure(columns: Sequence[AlternativeNumbers]) -> Figure:
    """Sources, streamers and midpoint lines across the track, one strip an alternative."""
    figure = new_figure(1.0 + 1.25 * len(columns))
    strips = np.atleast_1d(figure.subplots(len(columns), 1, sharex=True))
    for axes, column in zip(strips, columns, strict=True):
        _midpoint_strip(axes, column)
    strips[-1].set_xlabel("distance to starboard of the track (m)")
    handles, labels = strips[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper left", ncols=3, frameon=False)
    return figure


def _midpoint_strip(axes: Axes, column: AlternativeNumbers) -> None:
    lines = column.lines
    streamers = streamer_positions_m(column.alternative)
    sources = source_positions_m(column.alternative)
    axes.plot(streamers, np.full(len(streamers), 2.0), "|", color="0.45", ms=11, label="streamers")
    for number, place in enumerate(sources):
        colour = COLOURS[number % len(COLOURS)]
        mine = lines.across_m[lines.source == number]
        axes.vlines(mine, -0.35, 0.35, color=colour, linewidth=1.6)
        axes.plot(place, 1.0, MARKERS[0], color=colour, ms=7)
    axes.plot([], [], MARKERS[0], color=COLOURS[0], ms=7, label="sources, one colour each")
    axes.plot([], [], "|", color=COLOURS[0], ms=11, mew=1.6, label="midpoint lines of that source")
    axes.set_yticks([0.0, 1.0, 2.0], ["midpoints", "sources", "streamers"], fontsize=8)
    axes.set_ylim(-0.7, 2.5)
    axes.set_title(
        f"{plain(column.alternative.name)}: {counted(len(lines.across_m), 'line')}, "
        f"{lines.spacing_m:.2f} m apart, {lines.interleave}",
        loc="left",
        fontsize=10,
    )
    tidy(axes)
    axes.yaxis.grid(False)


def bin_and_fold_figure(contents: PlanContents) -> Figure:
    """Crossline bin against streamer separation, fold against shot interval; dots are the plan."""
    figure = new_figure(4.6)
    left, right = figure.subplots(1, 2)
    counts = sorted({1, 2, 3, 5} | {c.alternative.sources.count for c in contents.columns})
    length_m = contents.columns[0].alternative.streamers.length_m
    for k, count in enumerate(counts):
        colour, line = COLOURS[k % len(COLOURS)], LINES[k // len(COLOURS)]
        text = counted(count, "source")
        bins = [crossline_bin_m(float(separation), count) for separation in SEPARATIONS_M]
        left.plot(SEPARATIONS_M, bins, color=colour, linestyle=line, label=text)
        folds = [fold(length_m, count * float(interval)) for interval in INTERVALS_M]
        right.plot(INTERVALS_M, folds, color=colour, linestyle=line, label=f"{text} in sequence")
    for k, column in enumerate(contents.columns):
        _mark(left, right, column, k)
    left.set_xlabel("streamer separation (m)")
    left.set_ylabel("crossline bin (m)")
    right.set_xlabel("shot point interval, any source (m)")
    right.set_ylabel(f"fold of a source, streamers of {length_m:g} m")
    right.set_ylim(0, 400)
    for axes in (left, right):
        tidy(axes)
        axes.legend(frameon=False, fontsize=8, loc="best")
    return figure


def _mark(left: Axes, right: Axes, column: AlternativeNumbers, number: int) -> None:
    alternative = column.alternative
    colour, _ = style(number)
    marker = MARKERS[number % len(MARKERS)]

    def dot(axes: Axes, x: float, y: float) -> None:
        text = plain(alternative.name)
        axes.plot(x, y, marker, color=colour, ms=9, mec="white", label=text)

    separation_m = alternative.streamers.separation_m
    if separation_m is not None:
        dot(left, separation_m, column.lines.spacing_m)
    point_m = alternative.firing.shot_interval_m
    per_source = source_interval_m(
        point_m, alternative.sources.count, together=together(alternative)
    )
    dot(right, point_m, fold(alternative.streamers.length_m, per_source))


def overlap_figure(contents: PlanContents) -> Figure:
    """Clean record length against speed and against offset."""
    figure = new_figure(4.8)
    left, right = figure.subplots(1, 2, sharey=True)
    for k, column in enumerate(contents.columns):
        alternative = column.alternative
        colour, line = style(k)
        text = plain(alternative.name)
        knots = np.linspace(alternative.vessel.speed_kn[0], alternative.vessel.speed_kn[2], 41)
        width = max(1.2, 4.0 - 0.7 * k)  # so that equal curves are seen
        clean = _clean(column, knots)
        left.plot(knots, clean, color=colour, linestyle=line, linewidth=width, label=text)
        usual = float(_clean(column, np.array([alternative.vessel.speed_kn[1]]))[0])
        offsets = channel_offsets_m(alternative)
        by_channel = clean_by_channel_s(alternative, usual)
        right.plot(offsets, by_channel, color=colour, linestyle=line, linewidth=width)
    for axes in (left, right):
        _shade(axes, contents.target)
        tidy(axes)
    left.set_xlabel("speed over ground (knots)")
    left.set_ylabel("clean record length after firing (s)")
    right.set_xlabel("offset of the channel (m), at the usual speed")
    top = contents.target.record_length_s * 1.25
    left.set_ylim(top, -0.2)
    handles, labels = left.get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper left", ncols=3, frameon=False, fontsize=9)
    return figure


def _clean(column: AlternativeNumbers, knots: np.ndarray) -> np.ndarray:
    alternative = column.alternative
    if together(alternative) and alternative.sources.count > 1:
        return np.zeros(len(knots))
    delay_s = _quantity(column, "delays within plus and minus, d")
    return np.array(
        [
            clean_length_s(
                time_between_shots_s(alternative.firing.shot_interval_m, float(v) * KNOT_M_S),
                alternative.firing.dead_time_s,
                delay_s,
            )
            for v in knots
        ]
    )


def _quantity(column: AlternativeNumbers, name: str) -> float:
    values = (row.value for row in column.quantities if row.name == name)
    value = next(values, float("nan"))
    return float("nan") if isinstance(value, str) else value


def _shade(axes: Axes, target: TargetTable) -> None:
    axes.axhspan(*target.window_s, color="0.9", zorder=0)
    axes.axhline(target.record_length_s, color="0.3", linewidth=1, linestyle=":")
    x = axes.get_xlim()[0] + 0.01 * np.ptp(axes.get_xlim())
    axes.text(x, target.window_s[0], " target window", va="top", fontsize=8, color="0.35")
    axes.text(x, target.record_length_s, " record length", va="bottom", fontsize=8, color="0.35")


def fold_against_time_figure(contents: PlanContents) -> Figure:
    """Blending fold at times after firing, one panel an alternative, mean and range over shots."""
    figure = new_figure(4.4)
    panels = np.atleast_1d(figure.subplots(1, len(contents.columns), sharex=True, sharey=True))
    record_s = contents.target.record_length_s
    after = np.linspace(0.0, record_s, FOLD_STEPS, endpoint=False)
    for k, (axes, column) in enumerate(zip(panels, contents.columns, strict=True)):
        colour, _ = style(k)
        times = np.sort(column.firing.times_s(speeds_m_s(column.alternative)[1]))[:SHOTS_SHOWN]
        active = blending_fold(times, record_s, after)
        axes.fill_betweenx(after, active.min(axis=0), active.max(axis=0), color="0.85")
        axes.plot(active.mean(axis=0), after, color=colour, linewidth=2)
        axes.axhspan(*contents.target.window_s, color="0.93", zorder=0)
        axes.set_title(plain(column.alternative.name), fontsize=9)
        axes.set_xlabel("shots active")
        tidy(axes)
    panels[0].set_ylabel("time after firing (s)")
    panels[0].set_ylim(record_s, 0.0)
    panels[0].set_xlim(left=0.0)
    return figure


def level_figure(contents: PlanContents) -> Figure:
    """Assumed level of a shot and of what overlaps it, at times after firing."""
    figure = new_figure(4.6)
    panels = np.atleast_1d(figure.subplots(1, len(contents.columns), sharex=True, sharey=True))
    record_s, loss_db = contents.target.record_length_s, contents.target.loss_db
    after = np.linspace(0.0, record_s, FOLD_STEPS, endpoint=False)
    own = level_db(after, record_s, loss_db)
    for k, (axes, column) in enumerate(zip(panels, contents.columns, strict=True)):
        colour, _ = style(k)
        axes.axhspan(*contents.target.window_s, color="0.93", zorder=0)
        axes.plot(own, after, color="0.4", linewidth=2, label="own shot")
        levels = interference_levels(column, after, record_s, loss_db)
        axes.plot(levels, after, color=colour, linewidth=1.5, label="other shots, in colour")
        axes.set_title(plain(column.alternative.name), fontsize=9)
        axes.set_xlabel("level (dB)")
        tidy(axes)
    panels[0].legend(frameon=False, fontsize=8, loc="lower right")
    panels[0].set_ylabel("time after firing (s)")
    panels[0].set_ylim(record_s, 0.0)
    panels[0].set_xlim(-1.15 * loss_db, 10.0)
    return figure


def interference_levels(
    column: AlternativeNumbers, after: np.ndarray, record_s: float, loss_db: float
) -> np.ndarray:
    """Mean energy of the other shots at times after a shot, in dB, over shots of mid-line."""
    times = np.sort(column.firing.times_s(speeds_m_s(column.alternative)[1]))
    middle = range(len(times) // 4, len(times) // 4 + min(40, len(times) // 2))
    energy = np.zeros(len(after))
    for k in middle:
        delays = np.delete(times - times[k], k)
        near = delays[np.abs(delays) < record_s]
        energy += 10.0 ** (interference_level_db(after, near, record_s, loss_db) / 10.0)
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(energy / len(middle)))
