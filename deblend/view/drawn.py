"""Samples as shades of grey: one scale for all versions of a gather, and what that scale is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.model.place import VERSIONS, Place, Version
from deblend.report.drawing import fewer_samples
from deblend.view.gathers import Gather, Gathers, Traces

MOST_ROWS: Final = 900
"""Rows of a picture; more do not fit on a screen."""
UNKNOWN: Final = 0
PALETTE: Final = ["#d5e3f0", *(f"#{255 - k:02x}{255 - k:02x}{255 - k:02x}" for k in range(1, 256))]
"""Of the shades 0 to 255: pale blue for what is not known, then white to black."""

Shades = NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Drawn:
    """Pictures of the versions of a gather."""

    shades: dict[Version, Shades]
    """(time, trace)."""
    begin_s: float
    end_s: float
    """Times that the pictures reach from and to."""
    clip: float
    """Amplitude that is black; that of the other sign is white."""


def draw_gather(gathers: Gathers, place: Place, gather: Gather) -> Drawn:
    """All versions of a gather as a place asks for them."""
    interval_s = gathers.line.job.recording.interval_s
    begin, end = sample_span(place.time_s, interval_s, gather.before.shape[1])
    seconds = np.arange(begin, end) * interval_s
    gain = (seconds**place.power).astype(np.float32)

    def part(samples: Traces) -> Traces:
        drawn: Traces = samples[:, begin:end] * gain
        return drawn

    clip = _clip(part(gather.before), part(gather.after), place.clip)
    shades = {
        show: shades_of(part(gathers.in_times_of(place, gather, gather.version(show))), clip)
        for show in VERSIONS
    }
    return Drawn(shades, begin * interval_s, end * interval_s, clip)


def sample_span(
    time_s: tuple[float, float] | None, interval_s: float, length: int
) -> tuple[int, int]:
    """Samples ``[begin, end)`` of a span of time; all of them where there is none."""
    if time_s is None:
        return 0, length
    begin = min(max(0, int(np.rint(time_s[0] / interval_s))), length - 2)
    return begin, min(max(begin + 2, int(np.rint(time_s[1] / interval_s))), length)


def _clip(before: Traces, after: Traces, percentile: float) -> float:
    """Amplitude at the percentile before separation; after it where the record has nothing."""
    for samples in (before, after):
        size = np.abs(samples)
        size = size[np.isfinite(size) & (size > 0)]
        if size.size:
            return float(np.percentile(size, percentile))
    return 1.0


def clip_of(samples: Traces, percentile: float) -> float:
    """Amplitude at a percentile; 1 where all is silent or unknown."""
    return _clip(samples, samples, percentile)


def shades_of(samples: Traces, clip: float) -> Shades:
    """Shades (time, trace) of samples (trace, time)."""
    if samples.shape[1] > MOST_ROWS:
        samples = fewer_samples(samples, MOST_ROWS).astype(np.float32)
    known = np.isfinite(samples)
    part = np.clip(np.where(known, samples, 0.0) / clip, -1.0, 1.0)
    shades = np.where(known, np.rint(128 + 127 * part), UNKNOWN).astype(np.uint8)
    return np.ascontiguousarray(shades.T)
