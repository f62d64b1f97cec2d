"""Joint f-kx-ky threshold: sources towed abreast see almost the same earth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Literal

from deblend.arrays import rfftn
from deblend.separation.transforms.spectra import AXES, filter_patches
from deblend.separation.transforms.threshold import largest_magnitude

if TYPE_CHECKING:
    from deblend.arrays import Array
    from deblend.separation.contract import PatchBatch


FEW_CHANNELS = 4
"""Below this many channels the joint method uses other windows by default."""


@dataclass(frozen=True)
class JointThreshold:
    """Threshold of f-kx-ky coefficients along what the sources have in common.

    In each patch and temporal frequency the coefficients of all sources, summed over wavenumbers,
    give a covariance between sources. Along its eigenvectors an event that all sources see takes
    one set of coefficients instead of one a source, and stands higher above the interference. The
    rotation is unitary; it is used only where it leaves fewer coefficients above the threshold,
    so that sources which do not resemble each other lose nothing, and an event that one source
    alone sees stays with it.

    Notes
    -----
    Fails like the f-k threshold on events that are too curved or too steep for the window, or
    where the dither is short against the period. Sources that fire at different places are paired
    shot by shot; far apart they have less in common, and the gain shrinks.
    """

    patch: tuple[int, int, int] = (24, 16, 24)
    """Window in shots, channels and time samples."""
    overlap: float = 0.42
    """Part of a window shared with the next one, above 0 and at most 0.5. More is better and
    slower: the cost grows with 1 / (1 - overlap) cubed."""
    noise_factor: float = 2.5
    """The threshold stays above this many times the ambient noise of a coefficient, and above less
    where withheld samples show none (see `separation.learned_floor`)."""
    window: Literal["tapered"] = "tapered"
    runs_on_card: ClassVar[bool] = True
    learns_floor: ClassVar[bool] = True

    @classmethod
    def for_line(cls, channel_count: int) -> JointThreshold:
        """Default settings for a number of channels.

        With fewer than four channels there is little to gain across them, and shorter windows
        with more overlap follow the moveout along the line better.
        """
        if channel_count < FEW_CHANNELS:
            return cls(patch=(12, channel_count, 24), overlap=0.5)
        return cls()

    def largest(self, batch: PatchBatch) -> float:
        """Largest magnitude of any coefficient, before rotation."""
        return largest_magnitude(rfftn(batch.xp, batch.amplitude, AXES), batch.xp)

    def keep(self, batch: PatchBatch, strictness: float, reference: float) -> Array:
        """Patches made of the coefficients that are strong enough, rotated where it pays.

        The threshold is ``strictness * reference``, or the noise where that is more.
        """
        xp = batch.xp
        threshold = xp.maximum(self.noise_factor * batch.noise, strictness * reference)
        return filter_patches(batch.amplitude, threshold, xp, jointly=True)
