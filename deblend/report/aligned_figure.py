"""The removed part in its own times and in those of the other sources, side by side."""

from __future__ import annotations

from matplotlib.figure import Figure

from deblend.report.aligned import Alignment, aligned
from deblend.report.contents import GatherSection
from deblend.report.drawing import new_figure, plain
from deblend.report.sampling import display_clip
from deblend.report.section_figure import draw_gather, section_title


def aligned_figure(
    section: GatherSection,
    others: list[Alignment],
    amplitude_unit: str = "recorded unit",
    *,
    gain_db: float = 0.0,
) -> Figure:
    """What was removed from a common-channel gather.

    Events that line up in its own times are signal that was taken. What came from another source
    lines up in the times of that one.

    Parameters
    ----------
    section : GatherSection
        A common-channel gather.
    others : list of Alignment
        From `deblend.report.aligned.alignments`; the first three are drawn.
    amplitude_unit : str, optional
        Unit of the amplitudes.
    gain_db : float, optional
        Makes all panels alike louder.
    """
    shown = others[:3]
    figure = new_figure(5.2)
    clip = display_clip(section) * 10 ** (-gain_db / 20)
    grid = figure.subplots(1, 1 + len(shown), sharey=True, squeeze=False)[0]
    draw_gather(grid[0], section, section.removed, clip)
    grid[0].set_title("removed, in its own times", fontsize=11, loc="left")
    for axes, other in zip(grid[1:], shown, strict=True):
        moved = aligned(section.removed, other.delay_s, section.interval_s)
        draw_gather(axes, section, moved, clip)
        axes.set_title(f"in the times of {plain(other.label)}", fontsize=11, loc="left")
        axes.set_ylabel("")
    figure.suptitle(plain(section_title(section)), fontsize=11)
    figure.supxlabel(
        f"black is +{clip:.3g}, white is −{clip:.3g} ({plain(amplitude_unit)}), one scale for all "
        "panels; plain white: no sample of the gather falls there",
        fontsize=10,
    )
    return figure
