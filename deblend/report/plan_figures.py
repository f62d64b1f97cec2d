"""Pictures of a plan: midpoint lines, bins, fold, overlap."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from deblend.report.drawing import COLOURS, LINES, MARKERS, new_figure, plain, tidy
from deblend.words import counted

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class AlternativeCurves:
    """What is drawn of one alternative."""

    name: str
    """Of the alternative."""
    source_m: Floats
    streamer_m: Floats
    """(source,) and (streamer,): To starboard of the track."""
    line_m: Floats
    line_source: NDArray[np.int64]
    """(line,): Midpoint lines to starboard of the track, and the source of each, from 0."""
    lines_text: str
    """How many lines, how far apart, how they interleave."""
    separation_m: float | None
    """Of streamers."""
    bin_m: float
    """Crossline."""
    shot_interval_m: float
    fold: float
    """Between shot points of any source, and the fold of a source."""
    speed_kn: Floats
    clean_by_speed_s: Floats
    """(speed,): Clean record length against speed over ground."""
    offset_m: Floats
    clean_by_offset_s: Floats
    """(channel,): Clean record length at the usual speed."""
    active: Floats
    """(shot, time): Shots active at times after each shot."""
    overlap_db: Floats
    """(time,): Level of the other shots."""


@dataclass(frozen=True, eq=False)
class PlanCurves:
    """What is drawn of a plan."""

    alternatives: Sequence[AlternativeCurves]
    """The reference first."""
    record_length_s: float
    window_s: tuple[float, float]
    """Of the target."""
    loss_db: float
    """Assumed decay from the first arrivals to the end of the record."""
    after_s: Floats
    level_db: Floats
    """(time,): Times after firing, and the assumed level of a shot there."""
    separation_m: Floats
    bin_m: Mapping[int, Floats]
    """(separation,): Crossline bin against streamer separation, by the number of sources."""
    interval_m: Floats
    fold: Mapping[int, Floats]
    """(interval,): Fold of a source against shot point interval, by the number of sources."""
    streamer_length_m: float
    """For which the fold holds."""


def style(number: int) -> tuple[str, str]:
    """Colour and line of the alternative with this number; the reference is black."""
    colours = (COLOURS[-1], *COLOURS[:-1])
    return colours[number % len(colours)], LINES[(number // len(colours)) % len(LINES)]


def midpoint_figure(alternatives: Sequence[AlternativeCurves]) -> Figure:
    """Sources, streamers and midpoint lines across the track, one strip an alternative."""
    figure = new_figure(1.0 + 1.25 * len(alternatives))
    strips = np.atleast_1d(figure.subplots(len(alternatives), 1, sharex=True))
    for axes, alternative in zip(strips, alternatives, strict=True):
        _midpoint_strip(axes, alternative)
    strips[-1].set_xlabel("distance to starboard of the track (m)")
    handles, labels = strips[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper left", ncols=3, frameon=False)
    return figure


def _midpoint_strip(axes: Axes, one: AlternativeCurves) -> None:
    level = np.full(len(one.streamer_m), 2.0)
    axes.plot(one.streamer_m, level, "|", color="0.45", ms=11, label="streamers")
    for number, place in enumerate(one.source_m):
        colour = COLOURS[number % len(COLOURS)]
        mine = one.line_m[one.line_source == number]
        axes.vlines(mine, -0.35, 0.35, color=colour, linewidth=1.6)
        axes.plot(place, 1.0, MARKERS[0], color=colour, ms=7)
    axes.plot([], [], MARKERS[0], color=COLOURS[0], ms=7, label="sources, one colour each")
    axes.plot([], [], "|", color=COLOURS[0], ms=11, mew=1.6, label="midpoint lines of that source")
    axes.set_yticks([0.0, 1.0, 2.0], ["midpoints", "sources", "streamers"], fontsize=8)
    axes.set_ylim(-0.7, 2.5)
    axes.set_title(f"{plain(one.name)}: {one.lines_text}", loc="left", fontsize=10)
    tidy(axes)
    axes.yaxis.grid(False)


def bin_and_fold_figure(curves: PlanCurves) -> Figure:
    """Crossline bin against streamer separation, fold against shot interval; dots are the plan."""
    figure = new_figure(4.6)
    left, right = figure.subplots(1, 2)
    for k, count in enumerate(curves.bin_m):
        colour, line = COLOURS[k % len(COLOURS)], LINES[k // len(COLOURS)]
        text = counted(count, "source")
        left.plot(
            curves.separation_m, curves.bin_m[count], color=colour, linestyle=line, label=text
        )
        text += " in sequence"
        right.plot(curves.interval_m, curves.fold[count], color=colour, linestyle=line, label=text)
    for k, one in enumerate(curves.alternatives):
        mark, text = MARKERS[k % len(MARKERS)], plain(one.name)
        colour, _ = style(k)
        if one.separation_m is not None:
            left.plot(
                one.separation_m, one.bin_m, mark, color=colour, ms=9, mec="white", label=text
            )
        right.plot(one.shot_interval_m, one.fold, mark, color=colour, ms=9, mec="white", label=text)
    left.set_xlabel("streamer separation (m)")
    left.set_ylabel("crossline bin (m)")
    right.set_xlabel("shot point interval, any source (m)")
    right.set_ylabel(f"fold of a source, streamers of {curves.streamer_length_m:g} m")
    right.set_ylim(0, 400)
    for axes in (left, right):
        tidy(axes)
        axes.legend(frameon=False, fontsize=8, loc="best")
    return figure


def overlap_figure(curves: PlanCurves) -> Figure:
    """Clean record length against speed and against offset."""
    figure = new_figure(4.8)
    left, right = figure.subplots(1, 2, sharey=True)
    for k, one in enumerate(curves.alternatives):
        colour, line = style(k)
        text = plain(one.name)
        width = max(1.2, 4.0 - 0.7 * k)  # so that equal curves are seen
        pen: dict[str, Any] = {"color": colour, "linestyle": line, "linewidth": width}
        left.plot(one.speed_kn, one.clean_by_speed_s, label=text, **pen)
        right.plot(one.offset_m, one.clean_by_offset_s, **pen)
    for axes in (left, right):
        _shade(axes, curves)
        tidy(axes)
    left.set_xlabel("speed over ground (knots)")
    left.set_ylabel("clean record length after firing (s)")
    right.set_xlabel("offset of the channel (m), at the usual speed")
    left.set_ylim(curves.record_length_s * 1.25, -0.2)
    handles, labels = left.get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper left", ncols=3, frameon=False, fontsize=9)
    return figure


def _shade(axes: Axes, curves: PlanCurves) -> None:
    first, record_s = curves.window_s[0], curves.record_length_s
    axes.axhspan(*curves.window_s, color="0.9", zorder=0)
    axes.axhline(record_s, color="0.3", linewidth=1, linestyle=":")
    x = axes.get_xlim()[0] + 0.01 * np.ptp(axes.get_xlim())
    axes.text(x, first, " target window", va="top", fontsize=8, color="0.35")
    axes.text(x, record_s, " record length", va="bottom", fontsize=8, color="0.35")


def fold_against_time_figure(curves: PlanCurves) -> Figure:
    """Blending fold at times after firing, one panel an alternative, mean and range over shots."""
    figure = new_figure(4.4)
    panels = _panels_down_in_time(figure, curves)
    for k, (axes, one) in enumerate(zip(panels, curves.alternatives, strict=True)):
        lowest, highest = one.active.min(axis=0), one.active.max(axis=0)
        axes.fill_betweenx(curves.after_s, lowest, highest, color="0.85")
        axes.plot(one.active.mean(axis=0), curves.after_s, color=style(k)[0], linewidth=2)
        axes.set_xlabel("shots active")
    panels[0].set_xlim(left=0.0)
    return figure


def level_figure(curves: PlanCurves) -> Figure:
    """Assumed level of a shot and of what overlaps it, at times after firing."""
    figure = new_figure(4.6)
    panels = _panels_down_in_time(figure, curves)
    for k, (axes, one) in enumerate(zip(panels, curves.alternatives, strict=True)):
        axes.plot(curves.level_db, curves.after_s, color="0.4", linewidth=2, label="own shot")
        text = "other shots, in colour"
        axes.plot(one.overlap_db, curves.after_s, color=style(k)[0], linewidth=1.5, label=text)
        axes.set_xlabel("level (dB)")
    panels[0].legend(frameon=False, fontsize=8, loc="lower right")
    panels[0].set_xlim(-1.15 * curves.loss_db, 10.0)
    return figure


def _panels_down_in_time(figure: Figure, curves: PlanCurves) -> Sequence[Axes]:
    """One panel an alternative with the target window shaded; time runs down."""
    panels: Sequence[Axes] = figure.subplots(
        1, len(curves.alternatives), sharex=True, sharey=True, squeeze=False
    )[0]
    for axes, one in zip(panels, curves.alternatives, strict=True):
        axes.axhspan(*curves.window_s, color="0.93", zorder=0)
        axes.set_title(plain(one.name), fontsize=9)
        tidy(axes)
    panels[0].set_ylabel("time after firing (s)")
    panels[0].set_ylim(curves.record_length_s, 0.0)
    return panels
