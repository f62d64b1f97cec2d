"""Windowed f-k threshold: keep the strong frequency-wavenumber coefficients of each patch."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Literal

from deblend.arrays import rfftn
from deblend.separation.transforms.spectra import AXES, filter_patches
from deblend.separation.transforms.threshold import largest_magnitude

if TYPE_CHECKING:
    from deblend.arrays import Array
    from deblend.separation.contract import PatchBatch


@dataclass(frozen=True)
class FkThreshold:
    """Threshold of f-k coefficients, each source for itself.

    In common-channel gathers the shots of the wanted source line up and those of the others
    scatter, because they were fired with random delays. A coherent event fills few coefficients
    of a windowed f-k transform and stands above the scattered interference, which spreads over
    all of them; lowering the threshold from iteration to iteration takes events in the order of
    their strength [1]_, [2]_.

    Notes
    -----
    Fails where an event is too curved or too steep for its window, where interference lines up
    because the dither repeats or is short against the period, and on events weaker than the
    interference that is left when their turn comes.

    References
    ----------
    .. [1] R. Abma and N. Kabir, 2006, 3D interpolation of irregular data with a POCS algorithm,
       Geophysics 71(6), E91-E97, doi:10.1190/1.2356088.
    .. [2] P. Doulgeris, K. Bube, G. Hampson and G. Blacquiere, 2012, Convergence analysis of a
       coherency-constrained inversion for the separation of blended data, Geophysical Prospecting
       60, 769-781.
    """

    patch: tuple[int, int, int] = (16, 1, 32)
    """Window in shots, channels and time samples. One channel makes it the usual scheme on
    common-channel gathers; more make it f-kx-ky."""
    overlap: float = 0.5
    """Part of a window shared with the next one, above 0 and at most 0.5."""
    noise_factor: float = 2.5
    """The threshold stays above this many times the ambient noise of a coefficient, and above less
    where withheld samples show none (see `separation.learned_floor`)."""
    window: Literal["tapered"] = "tapered"
    runs_on_card: ClassVar[bool] = True
    learns_floor: ClassVar[bool] = True

    def largest(self, batch: PatchBatch) -> float:
        """Largest magnitude of any coefficient."""
        return largest_magnitude(rfftn(batch.xp, batch.amplitude, AXES), batch.xp)

    def keep(self, batch: PatchBatch, strictness: float, reference: float) -> Array:
        """Patches made of the coefficients that are strong enough.

        The threshold is ``strictness * reference``, or the noise where that is more.
        """
        xp = batch.xp
        threshold = xp.maximum(self.noise_factor * batch.noise, strictness * reference)
        return filter_patches(batch.amplitude, threshold, xp, jointly=False)
