"""Pictures of a plan: midpoint lines, bins, fold, overlap."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.plan import shot_timing as timing
from deblend.plan.alternative import (
    KNOT_M_S,
    channel_offsets_m,
    clean_by_channel_s,
    source_positions_m,
    speeds_m_s,
    streamer_positions_m,
    together,
)
from deblend.plan.contents import PlanContents
from deblend.plan.firing import largest_delay_s
from deblend.plan.midpoint_lines import crossline_bin_m
from deblend.plan.numbers import AlternativeNumbers
from deblend.report.drawing import (
    COLOURS,
    LINES,
    MARKERS,
    Axes,
    Figure,
    new_figure,
    plain,
    tidy,
)
from deblend.words import counted

Floats = NDArray[np.float64]
SEPARATIONS_M: Final = np.linspace(40.0, 160.0, 121)
INTERVALS_M: Final = np.linspace(5.0, 40.0, 141)
FOLD_STEPS: Final = 240
SHOTS_SHOWN: Final = 240


def style(number: int) -> tuple[str, str]:
    """Colour and line of the alternative with this number; the reference is black."""
    colours = (COLOURS[-1], *COLOURS[:-1])
    return colours[number % len(colours)], LINES[(number // len(colours)) % len(LINES)]


def midpoint_figure(contents: PlanContents) -> Figure:
    """Sources, streamers and midpoint lines across the track, one strip an alternative."""
    figure = new_figure(1.0 + 1.25 * len(contents.columns))
    strips = np.atleast_1d(figure.subplots(len(contents.columns), 1, sharex=True))
    for axes, column in zip(strips, contents.columns, strict=True):
        _midpoint_strip(axes, column)
    strips[-1].set_xlabel("distance to starboard of the track (m)")
    handles, labels = strips[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper left", ncols=3, frameon=False)
    return figure


def _midpoint_strip(axes: Axes, column: AlternativeNumbers) -> None:
    lines, streamer_m = column.lines, streamer_positions_m(column.alternative)
    level = np.full(len(streamer_m), 2.0)
    axes.plot(streamer_m, level, "|", color="0.45", ms=11, label="streamers")
    for number, place in enumerate(source_positions_m(column.alternative)):
        colour = COLOURS[number % len(COLOURS)]
        mine = lines.across_m[lines.source == number]
        axes.vlines(mine, -0.35, 0.35, color=colour, linewidth=1.6)
        axes.plot(place, 1.0, MARKERS[0], color=colour, ms=7)
    axes.plot([], [], MARKERS[0], color=COLOURS[0], ms=7, label="sources, one colour each")
    axes.plot([], [], "|", color=COLOURS[0], ms=11, mew=1.6, label="midpoint lines of that source")
    axes.set_yticks([0.0, 1.0, 2.0], ["midpoints", "sources", "streamers"], fontsize=8)
    axes.set_ylim(-0.7, 2.5)
    count = counted(len(lines.across_m), "line")
    spacing = f"{count}, {lines.spacing_m:.2f} m apart, {lines.interleave}"
    axes.set_title(f"{plain(column.alternative.name)}: {spacing}", loc="left", fontsize=10)
    tidy(axes)
    axes.yaxis.grid(False)


def bin_and_fold_figure(contents: PlanContents) -> Figure:
    """Crossline bin against streamer separation, fold against shot interval; dots are the plan."""
    figure = new_figure(4.6)
    left, right = figure.subplots(1, 2)
    length_m = contents.columns[0].alternative.streamers.length_m
    counts = sorted({1, 2, 3, 5} | {c.alternative.sources.count for c in contents.columns})
    for k, count in enumerate(counts):
        pen = {"color": COLOURS[k % len(COLOURS)], "linestyle": LINES[k // len(COLOURS)]}
        text = counted(count, "source")
        bins_m = [crossline_bin_m(float(m), count) for m in SEPARATIONS_M]
        left.plot(SEPARATIONS_M, bins_m, label=text, **pen)
        folds = [timing.fold(length_m, count * float(m)) for m in INTERVALS_M]
        right.plot(INTERVALS_M, folds, label=f"{text} in sequence", **pen)
    for k, column in enumerate(contents.columns):
        streamers, point_m = column.alternative.streamers, column.alternative.firing.shot_interval_m
        mark, text, colour = MARKERS[k % len(MARKERS)], plain(column.alternative.name), style(k)[0]
        dot: dict[str, Any] = {"color": colour, "ms": 9, "mec": "white", "label": text}
        if streamers.separation_m is not None:
            left.plot(streamers.separation_m, column.lines.spacing_m, mark, **dot)
        interval_m = timing.source_interval_m(
            point_m, column.alternative.sources.count, together=together(column.alternative)
        )
        right.plot(point_m, timing.fold(streamers.length_m, interval_m), mark, **dot)
    left.set_xlabel("streamer separation (m)")
    left.set_ylabel("crossline bin (m)")
    right.set_xlabel("shot point interval, any source (m)")
    right.set_ylabel(f"fold of a source, streamers of {length_m:g} m")
    right.set_ylim(0, 400)
    for axes in (left, right):
        tidy(axes)
        axes.legend(frameon=False, fontsize=8, loc="best")
    return figure


def overlap_figure(contents: PlanContents) -> Figure:
    """Clean record length against speed and against offset."""
    figure = new_figure(4.8)
    left, right = figure.subplots(1, 2, sharey=True)
    for k, column in enumerate(contents.columns):
        colour, line = style(k)
        low_kn, usual_kn, high_kn = column.alternative.vessel.speed_kn
        width = max(1.2, 4.0 - 0.7 * k)  # so that equal curves are seen
        pen: dict[str, Any] = {"color": colour, "linestyle": line, "linewidth": width}
        speed_kn = np.linspace(low_kn, high_kn, 41)
        by_speed_s = [_clean_s(column, float(knots)) for knots in speed_kn]
        left.plot(speed_kn, by_speed_s, label=plain(column.alternative.name), **pen)
        by_channel_s = clean_by_channel_s(column.alternative, _clean_s(column, usual_kn))
        right.plot(channel_offsets_m(column.alternative), by_channel_s, **pen)
    for axes in (left, right):
        _shade(axes, contents)
        tidy(axes)
    left.set_xlabel("speed over ground (knots)")
    left.set_ylabel("clean record length after firing (s)")
    right.set_xlabel("offset of the channel (m), at the usual speed")
    left.set_ylim(contents.target.record_length_s * 1.25, -0.2)
    handles, labels = left.get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper left", ncols=3, frameon=False, fontsize=9)
    return figure


def _clean_s(column: AlternativeNumbers, speed_kn: float) -> float:
    """Clean record length at a speed over ground."""
    alternative = column.alternative
    if together(alternative) and alternative.sources.count > 1:
        return 0.0
    firing = alternative.firing
    between_s = timing.time_between_shots_s(firing.shot_interval_m, speed_kn * KNOT_M_S)
    return timing.clean_length_s(between_s, firing.dead_time_s, largest_delay_s(alternative))


def _shade(axes: Axes, contents: PlanContents) -> None:
    first, record_s = contents.target.window_s[0], contents.target.record_length_s
    axes.axhspan(*contents.target.window_s, color="0.9", zorder=0)
    axes.axhline(record_s, color="0.3", linewidth=1, linestyle=":")
    x = axes.get_xlim()[0] + 0.01 * np.ptp(axes.get_xlim())
    axes.text(x, first, " target window", va="top", fontsize=8, color="0.35")
    axes.text(x, record_s, " record length", va="bottom", fontsize=8, color="0.35")


def fold_against_time_figure(contents: PlanContents) -> Figure:
    """Blending fold at times after firing, one panel an alternative, mean and range over shots."""
    figure = new_figure(4.4)
    panels, after_s = _panels_down_in_time(figure, contents)
    for k, (axes, column) in enumerate(zip(panels, contents.columns, strict=True)):
        times = _usual_times_s(column)[:SHOTS_SHOWN]
        active = timing.blending_fold(times, contents.target.record_length_s, after_s)
        axes.fill_betweenx(after_s, active.min(axis=0), active.max(axis=0), color="0.85")
        axes.plot(active.mean(axis=0), after_s, color=style(k)[0], linewidth=2)
        axes.set_xlabel("shots active")
    panels[0].set_xlim(left=0.0)
    return figure


def level_figure(contents: PlanContents) -> Figure:
    """Assumed level of a shot and of what overlaps it, at times after firing."""
    figure = new_figure(4.6)
    panels, after_s = _panels_down_in_time(figure, contents)
    record_s, loss_db = contents.target.record_length_s, contents.target.loss_db
    own_db = timing.level_db(after_s, record_s, loss_db)
    for k, (axes, column) in enumerate(zip(panels, contents.columns, strict=True)):
        axes.plot(own_db, after_s, color="0.4", linewidth=2, label="own shot")
        others_db = _overlap_db(_usual_times_s(column), after_s, record_s, loss_db)
        text = "other shots, in colour"
        axes.plot(others_db, after_s, color=style(k)[0], linewidth=1.5, label=text)
        axes.set_xlabel("level (dB)")
    panels[0].legend(frameon=False, fontsize=8, loc="lower right")
    panels[0].set_xlim(-1.15 * loss_db, 10.0)
    return figure


def _usual_times_s(column: AlternativeNumbers) -> Floats:
    """Fire times at the usual speed, in order."""
    return np.sort(column.firing.times_s(speeds_m_s(column.alternative)[1]))


def _overlap_db(times: Floats, after_s: Floats, record_s: float, loss_db: float) -> Floats:
    """Mean energy of the other shots at times after a shot, in dB, over shots of mid-line."""
    middle = range(len(times) // 4, len(times) // 4 + min(40, len(times) // 2))
    energy = np.zeros(len(after_s))
    for k in middle:
        delays = np.delete(times - times[k], k)
        near = delays[np.abs(delays) < record_s]
        others_db = timing.interference_level_db(after_s, near, record_s, loss_db)
        energy += 10.0 ** (others_db / 10.0)
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(energy / len(middle)))


def _panels_down_in_time(figure: Figure, contents: PlanContents) -> tuple[Sequence[Axes], Floats]:
    """One panel an alternative with the target window shaded, and the times that run down it."""
    target = contents.target
    panels: Sequence[Axes] = figure.subplots(
        1, len(contents.columns), sharex=True, sharey=True, squeeze=False
    )[0]
    for axes, column in zip(panels, contents.columns, strict=True):
        axes.axhspan(*target.window_s, color="0.93", zorder=0)
        axes.set_title(plain(column.alternative.name), fontsize=9)
        tidy(axes)
    panels[0].set_ylabel("time after firing (s)")
    panels[0].set_ylim(target.record_length_s, 0.0)
    return panels, np.linspace(0.0, target.record_length_s, FOLD_STEPS, endpoint=False)
