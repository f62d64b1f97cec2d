"""What all pictures share: figures without global state, labels, colours, scales, PNG files.

Other rooms that draw take `Axes` and `Figure` from here and never load matplotlib themselves.
"""

from __future__ import annotations

import io
from functools import cache
from typing import Final, Literal

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes as Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_hex, to_rgb
from matplotlib.figure import Figure as Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray
from PIL import Image

from deblend.report.contents import GatherSection
from deblend.report.tables import with_minus

DOTS_PER_INCH: Final = 100
WIDTH_IN: Final = 14.0
"""About 1400 pixels: sharp on a wide screen and on paper."""

COLOURS: Final = (
    "#0072B2",
    "#D55E00",
    "#009E73",
    "#CC79A7",
    "#56B4E9",
    "#E69F00",
    "#000000",
)
"""Told apart with any colour vision: M. Okabe and K. Ito, Color Universal Design, 2008."""

_GREYS: Final = 193
_GREY_INDEX: Final = (np.arange(256) * (_GREYS - 1) / 255).round().astype(np.uint8)
COLOUR_MAP: Final = "cividis"
"""Of maps: uniform to the eye, and read alike with any colour vision."""
CLIP_PERCENTILE: Final = 95.0
LINES: Final = ("-", "--", "-.", ":")
MARKERS: Final = ("o", "s", "^", "D", "v", "P", "X")


def new_figure(height_in: float, *, fitted: bool = True) -> Figure:
    """An empty figure that draws itself without any window system; `fitted` places its axes."""
    layout: Literal["constrained"] | None = "constrained" if fitted else None
    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DOTS_PER_INCH, layout=layout)
    FigureCanvasAgg(figure)
    return figure


def png_bytes(figure: Figure, *, colour_map: bool = False) -> bytes:
    """The figure as a PNG file of 256 colours, a quarter of a full-colour one.

    `colour_map` chooses the colours from the figure. Those of this module are taken otherwise,
    which are exact for them and for greys.
    """
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    pixels = np.asarray(canvas.buffer_rgba())[..., :3]
    if colour_map:
        chosen = Image.fromarray(pixels).quantize(256, dither=Image.Dither.NONE)
        return _as_png(chosen)
    nearest = Image.fromarray(pixels).quantize(palette=_palette(), dither=Image.Dither.NONE)
    grey = (pixels[..., :1] == pixels).all(axis=2)  # exact; the nearest of Pillow is not
    few = Image.fromarray(np.where(grey, _GREY_INDEX[pixels[..., 0]], np.asarray(nearest)), "P")
    few.putpalette(_palette().getpalette() or [])
    return _as_png(few)


def _as_png(image: Image.Image) -> bytes:
    stream = io.BytesIO()
    image.save(stream, "PNG", compress_level=7)
    return stream.getvalue()


@cache
def _palette() -> Image.Image:
    """Greys, and each colour in tints down to white for smooth edges."""
    greys = np.linspace(0, 255, _GREYS).round()[:, None].repeat(3, axis=1)
    hues = np.array([to_rgb(colour) for colour in COLOURS[:-1]]) * 255
    tint = np.linspace(0, 1, 10, endpoint=False)[:, None, None]
    tints = (hues + tint * (255 - hues)).reshape(-1, 3).round()
    palette = Image.new("P", (1, 1))
    palette.putpalette(np.concatenate([greys, tints]).astype(np.uint8).tobytes())
    return palette


def plain(text: object) -> str:
    """Any text as a one-line label: no formulas, and a box for what the font cannot show."""
    shown = " ".join(str(text).split())
    return "".join(letter if _has_glyph(letter) else "\u25a1" for letter in shown).replace(
        "$", r"\$"
    )


@cache
def _has_glyph(letter: str) -> bool:
    return bool(get_font(findfont(FontProperties())).get_char_index(ord(letter)))


def map_palette() -> list[str]:
    """The colours of maps, from low to high, for whoever draws them in a browser."""
    return [to_hex(shade) for shade in colormaps[COLOUR_MAP](range(256))]


def colour(number: int) -> str:
    """Colour of the curve of a number; they come again after the last."""
    return COLOURS[number % len(COLOURS)]


def marker(number: int) -> str:
    """Mark of the points of a number; they come again after the last."""
    return MARKERS[number % len(MARKERS)]


def heading(axes: Axes, text: str) -> None:
    """Title of a panel, at its left."""
    axes.set_title(text, fontsize=11, loc="left")


def tidy(axes: Axes) -> None:
    """Light grid, no box around the curves."""
    axes.grid(True, color="0.88", linewidth=0.8)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def padded_limits(values: NDArray[np.float64], share: float = 0.06) -> tuple[float, float]:
    """Axis limits around the finite values; (0, 1) when there are none."""
    finite = values[np.isfinite(values)]
    if not finite.size:
        return 0.0, 1.0
    low, high = float(finite.min()), float(finite.max())
    pad = share * (high - low) or 0.5
    return low - pad, high + pad


def display_clip(section: GatherSection, percentile: float = CLIP_PERCENTILE) -> float:
    """Amplitude at which all panels are clipped: a percentile of ``|before|`` on live traces.

    The other panels step in where `before` holds nothing; 1 where all of them are empty.
    """
    for amplitude in (section.before, section.after, section.truth):
        if amplitude is None:
            continue
        size = np.abs(amplitude[section.live])
        size = size[np.isfinite(size) & (size > 0)]
        if size.size:
            return float(np.percentile(size, percentile))
    return 1.0


def fewer_samples(amplitude: NDArray[np.floating], count: int) -> NDArray[np.float64]:
    """Means over `count` equal spans of time, which do not alias as picked samples would."""
    samples = amplitude.shape[1]
    if samples <= count:
        return amplitude.astype(np.float64)
    edges = np.linspace(0, samples, count + 1)
    whole = np.minimum(edges.astype(np.int64), samples - 1)
    total = np.pad(np.cumsum(amplitude, axis=1, dtype=np.float64), ((0, 0), (1, 0)))
    integral = total[:, whole] + (edges - whole) * amplitude[:, whole]
    means: NDArray[np.float64] = np.diff(integral, axis=1) / np.diff(edges)
    return means


def trace_ticks(axis: NDArray[np.float64]) -> tuple[list[float], list[str]]:
    """Round axis values and where they fall among traces drawn at equal width."""
    index = np.arange(axis.size)
    step = np.diff(axis)
    if axis.size > 1 and np.isfinite(axis).all() and ((step > 0).all() or (step < 0).all()):
        low, high = float(axis.min()), float(axis.max())
        locator = MaxNLocator(7, integer=True, steps=[1, 2, 5, 10])
        values = np.asarray(locator.tick_values(low, high))
        values = values[(values >= low) & (values <= high)]
        order = np.argsort(axis)
        places = np.interp(values, axis[order], index[order])
    else:
        places = np.unique(np.linspace(0, axis.size - 1, 5).round()).astype(np.int64)
        values = axis[places]
    return [float(place) for place in places], [with_minus(f"{value:.10g}") for value in values]
