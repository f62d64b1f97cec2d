"""Midpoint lines of a spread across the track: bins, spacing and whether they interleave."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
TOLERANCE_M: Final = 0.01
NEIGHBOUR_PASSES: Final = 3

Interleave = Literal["even", "even inside, gaps at the edges", "uneven", "lines coincide"]


@dataclass(frozen=True, eq=False)
class MidpointLines:
    """Subsurface lines of one pass."""

    across_m: Floats
    """(line,): Distinct midpoint lines to starboard of the track, rising."""
    source: NDArray[np.int64]
    """(line,): Which source, from 0, makes each; the first where several do."""
    spacing_m: float
    """The distance between neighbouring lines that occurs most."""
    edge_gaps_m: tuple[float, ...]
    """Distances that are wider than that, each once, rising."""
    coinciding: int
    """Lines that are lost because another one lies on them."""
    interleave: Interleave
    """Verdict in words."""
    gaps_closed: bool
    """Whether passes at the sail line spacing on either side fill the gaps."""


def crossline_bin_m(streamer_separation_m: float, source_count: int) -> float:
    """``ds / (2 n)``: distance between evenly interleaved midpoint lines."""
    return streamer_separation_m / (2.0 * source_count)


def sail_line_spacing_m(streamer_count: int, streamer_separation_m: float) -> float:
    """``S ds / 2``: distance between passes whose subsurface lines join without gap or overlap."""
    return streamer_count * streamer_separation_m / 2.0


def midpoint_lines(sources_m: Floats, streamers_m: Floats) -> MidpointLines:
    """Midpoint lines of sources and streamers at given distances to starboard of the track.

    Lines are distinct where they are more than a centimetre apart. They are evenly spaced inside
    the spread where the source positions, modulo the streamer separation ds, are ds over the
    number of sources apart.
    """
    midpoint = 0.5 * (sources_m[:, None] + streamers_m[None, :])
    across, owner = _distinct(midpoint)
    gaps = np.round(np.diff(across), 6)
    spacing = _usual(gaps)
    wide = tuple(sorted({round(float(gap), 3) for gap in gaps if gap > spacing + TOLERANCE_M}))
    coinciding = midpoint.size - len(across)
    return MidpointLines(
        across,
        owner,
        spacing,
        wide,
        coinciding,
        _verdict(gaps, spacing, coinciding),
        _gaps_closed(across, streamers_m, spacing),
    )


def _distinct(midpoint: Floats) -> tuple[Floats, NDArray[np.int64]]:
    order = np.argsort(midpoint.ravel(), kind="stable")
    across = midpoint.ravel()[order]
    owner = order // midpoint.shape[1]
    first = np.concatenate([[True], np.diff(across) > TOLERANCE_M])
    return across[first], owner[first].astype(np.int64)


def _usual(gaps: Floats) -> float:
    """The distance that occurs most, the smaller one of two; NaN without any."""
    if not gaps.size:
        return float("nan")
    values, counts = np.unique(np.round(gaps, 2), return_counts=True)
    near = values[np.argmax(counts)]
    return float(gaps[np.abs(gaps - near) <= TOLERANCE_M].mean())


def _verdict(gaps: Floats, spacing: float, coinciding: int) -> Interleave:
    if coinciding:
        return "lines coincide"
    differ = np.flatnonzero(np.abs(gaps - spacing) > TOLERANCE_M)
    if not differ.size:
        return "even"
    same = np.flatnonzero(np.abs(gaps - spacing) <= TOLERANCE_M)
    inside = gaps[same[0] : same[-1] + 1]
    run = _longest_even_run(np.abs(gaps - spacing) <= TOLERANCE_M)
    if gaps[differ].min() > spacing and 2 * run >= len(inside):
        return "even inside, gaps at the edges"
    return "uneven"


def _longest_even_run(even: NDArray[np.bool_]) -> int:
    longest = run = 0
    for one in even:
        run = run + 1 if one else 0
        longest = max(longest, run)
    return longest


def _gaps_closed(across: Floats, streamers_m: Floats, spacing: float) -> bool:
    """Whether passes on either side leave the middle pass evenly covered."""
    if len(streamers_m) < 2 or not np.isfinite(spacing):
        return False
    separation = float(streamers_m[1] - streamers_m[0])
    step = sail_line_spacing_m(len(streamers_m), separation)
    passes = np.arange(-NEIGHBOUR_PASSES, NEIGHBOUR_PASSES + 1) * step
    every = np.sort((across[None, :] + passes[:, None]).ravel())
    every = every[np.concatenate([[True], np.diff(every) > TOLERANCE_M])]
    middle = every[np.abs(every) <= 0.5 * step + spacing]
    return bool(np.all(np.abs(np.diff(middle) - spacing) <= TOLERANCE_M))
