"""Curvelet threshold: events are pieces of smooth curves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from deblend.errors import SettingsError
from deblend.separation.methods.limits import check_at_least
from deblend.separation.transforms import curvelets
from deblend.separation.transforms.threshold import LEAST_AMPLITUDE, kept_part

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deblend.arrays import Array
    from deblend.separation.contract import PatchBatch


@dataclass(frozen=True)
class CurveletThreshold:
    """Threshold of curvelet coefficients, each source and channel for itself.

    A curvelet is a short piece of a wavefront: long along shots, one wavelet across, with a
    direction. A common-channel gather takes few of them, bent events included, while interference
    scattered by random delays takes many small ones [1]_, [2]_. The uniform discrete curvelet
    transform [3]_ is a tight frame; coefficients are divided by the norm of their curvelet, which
    is their response to white noise, so that one threshold is equally strict at all scales and
    directions. The coarsest scale is treated like the others.

    Notes
    -----
    Needs the package ``curvelets`` (``python -m pip install "deblend[curvelet]"``).

    Fails where the gather is short against a curvelet: with a few dozen shots the long thin
    curvelets of the fine scales do not fit, and windowed f-k does as well for less. Strong
    interference that was recorded with little dither is a piece of a wavefront too. A very strong
    direct wave fills coefficients of all directions around it and hides weak events nearby until
    its turn is over. The transform knows nothing of the other channels and sources, and its
    fourfold redundancy costs time. It wins on none of the lines that were measured
    (`benchmarks.quality.classical`). Runs on the host only, and one thread at a time does most of
    the work.

    References
    ----------
    .. [1] R. Kumar, H. Wason and F. Herrmann, 2015, Source separation for simultaneous
       towed-streamer marine acquisition - a compressed sensing approach, Geophysics 80(6),
       WD73-WD88.
    .. [2] F. Herrmann and G. Hennenfent, 2008, Non-parametric seismic data recovery with curvelet
       frames, Geophysical Journal International 173(1), 233-248.
    .. [3] T. Nguyen and H. Chauris, 2010, Uniform discrete curvelet transform, IEEE Transactions
       on Signal Processing 58(7), 3618-3634.
    """

    patch: tuple[int, int, int] = (32, 1, 128)
    """Window in shots, channels and time samples. Channels do not see each other."""
    overlap: float = 0.25
    """Part of a window shared with the next one, above 0 and at most 0.5."""
    scales: int = 3
    """At least 2. Scales, from the coarsest, which has no directions, to the finest."""
    wedges: int = 6
    """3 or 6. Directions at the second scale for each axis; they double from scale to scale."""
    noise_factor: float = 2.5
    """From 0. The threshold stays above this many times the ambient noise of a coefficient."""
    window: Literal["tapered"] = "tapered"

    def __post_init__(self) -> None:
        check_at_least("scales", self.scales, 2)
        if self.wedges not in (3, 6):  # more are no tight frame on sides as short as patches
            raise SettingsError(f"wedges is {self.wedges!r}", remedy="Choose 3 or 6.")
        curvelets.require_curvelets()

    def largest(self, batch: PatchBatch) -> float:
        """Largest coefficient over the norm of its curvelet."""
        gathers, _ = _gathers(batch)
        largest = 0.0
        for gather in gathers[np.argsort(-_norms(gathers))]:
            if np.linalg.norm(gather) <= largest:  # no coefficient exceeds the norm of its gather
                break
            plan = self._plan(gathers)
            wedges = curvelets.wedges_of(curvelets.forward(plan, gather))
            peaks = [
                float(np.abs(wedge).max()) / norm
                for wedge, norm in zip(wedges, plan.norms, strict=True)
            ]
            largest = max(largest, *peaks)
        return largest

    def keep(self, batch: PatchBatch, strictness: float, reference: float) -> Array:
        """Gathers made of the coefficients that are strong enough.

        The threshold is ``strictness * reference`` for coefficients over the norm of their
        curvelet, or the noise where that is more.
        """
        gathers, form = _gathers(batch)
        plan = self._plan(gathers)
        values = float(np.sqrt(np.prod(batch.amplitude.shape[2:])))
        noise = self.noise_factor * curvelets.wedge_noise(plan, batch.noise / values)
        floor = strictness * reference
        kept = np.zeros_like(gathers)
        norms = _norms(gathers)
        for number in np.flatnonzero((norms >= LEAST_AMPLITUDE * floor) & (norms > 0)):
            least = np.maximum(noise[number // (form[1] * form[2])], floor * np.array(plan.norms))
            coefficients = curvelets.forward(plan, gathers[number])
            for wedge, limit in zip(curvelets.wedges_of(coefficients), least, strict=True):
                wedge *= kept_part(np.abs(wedge) ** 2, limit, np)
            kept[number] = curvelets.backward(plan, coefficients)
        return np.moveaxis(kept.reshape(form), 2, 3)

    def _plan(self, gathers: NDArray[np.float32]) -> curvelets.PaddedTransform:
        shots, samples = gathers.shape[1:]
        return curvelets.curvelet_plan((shots, samples), self.scales, self.wedges)


def _gathers(batch: PatchBatch) -> tuple[NDArray[np.float32], tuple[int, ...]]:
    """Gathers (patch x source x channel, shot, time), and the shape before joining."""
    by_channel = np.moveaxis(batch.amplitude, 3, 2)
    form = by_channel.shape
    return np.ascontiguousarray(by_channel).reshape(-1, *form[3:]), form


def _norms(gathers: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(np.linalg.norm(gathers, axis=(1, 2)))
