"""The removed part in the times of another source: what came from that source lines up there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from deblend.model.shots import Shots
from deblend.qc.measure_setup import LEAST_SHOTS, MeasureSetup, shot_pairs
from deblend.report.contents import Acquisition, GatherSection
from deblend.report.drawing import display_clip, heading, new_figure, plain
from deblend.report.section_figure import draw_gather, section_title
from deblend.words import counted

MOST_ALIGNMENTS: Final = 6


@dataclass(frozen=True, eq=False)
class Alignment:
    """How the traces of a common-channel gather move to the times of another source."""

    other: int | str
    """The other source."""
    shots_later: int
    """0 for the shot of the other source that usually belongs to that of the trace, 1 for the one
    after it, and so on."""
    delay_s: NDArray[np.float64]
    """(trace,): Fire time of the other source less that of the trace, in seconds; NaN where the
    other source did not fire during the trace."""

    @property
    def label(self) -> str:
        """In words: ``source 2``, ``source 2, 1 shot later``."""
        count = abs(self.shots_later)
        if not count:
            return f"source {self.other}"
        when = "later" if self.shots_later > 0 else "earlier"
        return f"source {self.other}, {counted(count, 'shot')} {when}"


def alignments(section: GatherSection, acquisition: Acquisition) -> list[Alignment]:
    """Every other source that fired during the traces of a gather, the longest overlap first.

    There is none for a shot gather, where all traces move alike.
    """
    if section.kind != "common channel":
        return []
    setup = _setup(acquisition, section)
    points = {int(point): k for k, point in enumerate(section.axis)}
    found = []
    for other in acquisition.sources:
        for later, pairs in shot_pairs(setup, section.source, other).items():
            delay_s = np.full(section.axis.shape, np.nan)
            for row, _, delay_ns in pairs.tolist():
                trace = points.get(int(acquisition.shot_point[row]))
                if trace is not None:
                    delay_s[trace] = delay_ns * 1e-9
            if np.isfinite(delay_s).sum() >= LEAST_SHOTS:
                found.append(Alignment(other, later, delay_s))
    length_s = section.before.shape[1] * section.interval_s
    found.sort(key=lambda one: -float(np.nansum(length_s - np.abs(one.delay_s))))
    return found[:MOST_ALIGNMENTS]


def aligned(
    traces: NDArray[np.floating], delay_s: NDArray[np.float64], interval_s: float
) -> NDArray[np.float64]:
    """Traces (trace, time) in the times of the other source, NaN where they do not reach.

    Sample 0 is then the time break of the other source; samples between are interpolated linearly,
    which is good enough for the eye.
    """
    samples = np.arange(traces.shape[1], dtype=np.float64)
    shifted = np.full(traces.shape, np.nan)
    for k in np.flatnonzero(np.isfinite(delay_s)):
        place = samples + delay_s[k] / interval_s
        shifted[k] = np.interp(place, samples, traces[k], left=np.nan, right=np.nan)
    return shifted


def aligned_figure(
    section: GatherSection,
    others: list[Alignment],
    amplitude_unit: str = "recorded unit",
    *,
    gain_db: float = 0.0,
) -> Figure:
    """What was removed from a common-channel gather.

    Events that line up in its own times are signal that was taken. What came from another source
    lines up in the times of that one. The first three of `others` are drawn.
    """
    shown = others[:3]
    figure = new_figure(5.2)
    clip = display_clip(section) * 10 ** (-gain_db / 20)
    grid = figure.subplots(1, 1 + len(shown), sharey=True, squeeze=False)[0]
    draw_gather(grid[0], section, section.removed, clip)
    heading(grid[0], "removed, in its own times")
    for axes, other in zip(grid[1:], shown, strict=True):
        shifted = aligned(section.removed, other.delay_s, section.interval_s)
        draw_gather(axes, section, shifted, clip)
        heading(axes, f"in the times of {plain(other.label)}")
        axes.set_ylabel("")
    figure.suptitle(plain(section_title(section)), fontsize=11)
    figure.supxlabel(
        f"black is +{clip:.3g}, white is −{clip:.3g} ({plain(amplitude_unit)}), one scale for all "
        "panels; plain white: no sample of the gather falls there",
        fontsize=10,
    )
    return figure


def _setup(acquisition: Acquisition, section: GatherSection) -> MeasureSetup:
    """All shots as a table, with the length of the gather."""
    count = len(acquisition.source)
    nothing = np.full(count, np.nan)
    yes = np.ones(count, np.bool_)
    shots = Shots(
        source=acquisition.source,
        shot_point=acquisition.shot_point,
        fire_time_ns=acquisition.fire_time_ns,
        time_scale=acquisition.time_scale,
        line=np.full(count, ""),
        sequence=np.zeros(count, np.int64),
        x_m=nothing,
        y_m=nothing,
        depth_m=nothing,
        live=yes,
        deliver=yes,
    )
    length = section.before.shape[1]
    return MeasureSetup(shots, yes, section.interval_s, length, [(0, length)], 1)
