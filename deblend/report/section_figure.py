"""Before, after and removed of one gather, side by side at one amplitude scale."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.colorbar import Colorbar
from matplotlib.figure import Figure
from matplotlib.image import AxesImage
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from deblend.errors import InputError
from deblend.report.contents import GatherSection, SectionKind
from deblend.report.drawing import (
    CLIP_PERCENTILE,
    display_clip,
    fewer_samples,
    new_figure,
    plain,
    trace_ticks,
)
from deblend.report.spectra_figure import draw_spectra
from deblend.report.tables import number

if TYPE_CHECKING:
    import xarray

_GREYS: Final = 25
"""Shades of grey, zero in the middle of one: more are not told apart, fewer make smaller files."""
_TIME_PIXELS: Final = 420
_PANEL_IN: Final = 5.2
_SCALE_IN: Final = 1.2


def section_title(section: GatherSection) -> str:
    """What a section shows, in words: ``source 2, common channel 17``."""
    kind = "common channel" if section.kind == "common channel" else "shot point"
    return f"source {section.source}, {kind} {section.number}"


def section_figure(
    section: GatherSection,
    amplitude_unit: str = "recorded unit",
    *,
    percentile: float = CLIP_PERCENTILE,
    gain_db: float = 0.0,
) -> Figure:
    """Three panels of one section at one amplitude scale, with their amplitude spectra.

    With a known truth there are two more. Time runs down, positive amplitudes are dark. Traces
    without an estimate are hatched, unknown samples are left white. All panels are clipped at a
    percentile of ``|before|``, and drawn `gain_db` louder, for weak and deep events.
    """
    clip = display_clip(section, percentile) / 10 ** (gain_db / 20)
    panels = _panels(section)
    rows = 2 if section.truth is not None else 1
    height_in = _PANEL_IN * rows + _SCALE_IN
    figure = new_figure(height_in, fitted=False)
    cells = figure.add_gridspec(
        rows,
        3 if rows == 2 else 4,
        left=0.045,
        right=0.99,
        top=1 - 0.95 / height_in,
        bottom=_SCALE_IN / height_in,
        hspace=0.2,
        wspace=0.115,
    )
    pictures = [figure.add_subplot(cells[k // 3, k % 3]) for k in range(len(panels))]
    for axes, (label, amplitude) in zip(pictures, panels.items(), strict=True):
        image = draw_gather(axes, section, amplitude, clip)
        # A height of its own spares the search for room, a third of the drawing time.
        axes.set_title(label, fontsize=11, loc="left", fontweight="bold", y=1.0, pad=35)
        if axes not in pictures[::3]:
            axes.set_ylabel("")
            axes.tick_params(labelleft=False)
    _draw_spectra(figure.add_subplot(cells[-1, -1]), section, panels)
    bar = figure.add_axes((0.1, 0.72 / height_in, 0.48, 0.12 / height_in))
    _draw_scale(figure.colorbar(image, cax=bar, orientation="horizontal"), clip)
    louder = f", {number(gain_db)} dB louder" if gain_db else ""
    bar.set_xlabel(
        f"amplitude ({plain(amplitude_unit)}), one scale for all panels: clipped at percentile "
        f"{percentile:g} of |before|{louder}; positive dark, negative light\n"
        "hatched: traces without an estimate; white: unknown samples"
    )
    title = plain(section_title(section)).capitalize() + louder
    figure.suptitle(title, fontsize=13, x=0.01, ha="left", y=1 - 0.1 / height_in)
    return figure


def panel_names(section: GatherSection) -> list[str]:
    """Names of the panels, left to right and top to bottom."""
    return list(_panels(section))


def _panels(section: GatherSection) -> dict[str, NDArray[np.float32]]:
    panels = {
        "Before (pseudo-deblended)": section.before,
        "After (separated)": section.after,
        "Removed (before − after)": section.removed,
    }
    if section.truth is not None:
        panels["Truth"] = section.truth
        with np.errstate(invalid="ignore"):  # infinite samples are unknown ones
            panels["Error (after − truth)"] = section.after - section.truth
    return panels


def draw_gather(
    axes: Axes, section: GatherSection, amplitude: NDArray[np.floating], clip: float
) -> AxesImage:
    """Draw amplitudes (trace, time) of a section, time down, positive dark, unknown white."""
    traces, samples = amplitude.shape
    known = np.isfinite(amplitude) & section.live[:, None]
    shown = fewer_samples(np.where(known, amplitude, 0.0), _TIME_PIXELS)
    shown[fewer_samples(known.astype(np.float64), _TIME_PIXELS) < 0.5] = np.nan
    half = 0.5 * section.interval_s
    image = axes.imshow(
        np.ma.masked_invalid(np.clip(shown, -clip, clip)).T,
        aspect="auto",
        cmap=colormaps["gray_r"].resampled(_GREYS).with_extremes(bad="white"),
        vmin=-clip,
        vmax=clip,
        interpolation="nearest",
        extent=(-0.5, traces - 0.5, samples * section.interval_s - half, -half),
    )
    _hatch(axes, ~section.live, axes.get_ylim())
    axes.xaxis.tick_top()
    axes.xaxis.set_label_position("top")
    axes.set_xlabel(plain(section.axis_label))
    axes.set_xticks(*trace_ticks(section.axis))
    axes.set_ylabel("time after firing (s)")
    return image


def _hatch(axes: Axes, empty: NDArray[np.bool_], time_limits: tuple[float, float]) -> None:
    """Hatch each run of traces that hold no estimate."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], empty, [False]]).astype(np.int8)))
    for first, stop in edges.reshape(-1, 2):
        axes.add_patch(
            Rectangle(
                (first - 0.5, time_limits[0]),
                stop - first,
                time_limits[1] - time_limits[0],
                facecolor="white",
                edgecolor="#D55E00",
                hatch="////",
                linewidth=0,
            )
        )


def _draw_scale(bar: Colorbar, clip: float) -> None:
    bar.set_ticks([-clip, 0, clip])
    bar.set_ticklabels([f"−{clip:.4g}", "0", f"+{clip:.4g}"])


def _draw_spectra(
    axes: Axes, section: GatherSection, panels: dict[str, NDArray[np.float32]]
) -> None:
    parts = {label.split(" (")[0].lower(): part for label, part in panels.items()}
    draw_spectra(axes, section, parts)
    axes.set_xlabel("frequency (Hz)\nlive traces; 0 dB: peak of before")
    axes.set_title("Amplitude spectra (dB)", fontsize=11, loc="left", fontweight="bold", y=1.0)
    axes.legend(frameon=False, fontsize=9)


def section_of(
    before: xarray.DataArray,
    after: xarray.DataArray,
    source: int | str,
    *,
    channel: int | None = None,
    shot_point: int | None = None,
    truth: xarray.DataArray | None = None,
) -> GatherSection:
    """One gather, to be drawn by `section_figure`, `aligned_figure` or `spectra_figure`.

    Parameters
    ----------
    before, after, truth : xarray.DataArray, dimensions (shot, channel, time)
        Pseudo-deblended, separated and true gathers with the coordinates of `make_gathers`.
    channel : int, optional
        Channel number of a common-channel gather.
    shot_point : int, optional
        Shot point of a shot gather; give one of the two.

    Raises
    ------
    InputError
        If neither or both are given, or the line does not hold such a gather.
    """
    if (channel is None) == (shot_point is None):
        raise InputError("a gather has a channel or a shot point", remedy="Give one of the two.")
    rows = np.asarray(after.source.values == source) & np.asarray(after.live.values, np.bool_)
    columns = np.ones(after.sizes["channel"], np.bool_)
    points, channels = after.shot_point.values, after.channel.values
    kind: SectionKind
    if channel is not None:
        columns, kind, number = channels == channel, "common channel", channel
    else:
        assert shot_point is not None
        rows, kind, number = rows & (points == shot_point), "shot", shot_point
    if not (rows.any() and columns.any()):
        raise InputError(
            f"there is no gather of source {source!r}, {kind} {number}",
            remedy="Name a source, channel or shot point of the line.",
        )
    place = np.ix_(np.flatnonzero(rows), np.flatnonzero(columns))
    length = after.sizes["time"]
    parts = {
        name: np.asarray(gathers.values[place], np.float32).reshape(-1, length)
        for name, gathers in (("before", before), ("after", after), ("truth", truth))
        if gathers is not None
    }
    members = (points[rows] if kind == "common channel" else channels[columns]).astype(np.int64)
    return GatherSection(
        source=source,
        kind=kind,
        number=number,
        axis=members.astype(np.float64),
        axis_label="shot point" if kind == "common channel" else "channel",
        before=parts["before"],
        after=parts["after"],
        truth=parts.get("truth"),
        interval_s=float(after.time.values[1] - after.time.values[0]),
        live=np.ones(len(members), np.bool_),
        members=members,
    )
