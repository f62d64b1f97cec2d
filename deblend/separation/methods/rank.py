"""Rank reduction: a few dips make a Hankel matrix of few singular values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Literal

from deblend.arrays import irfft, rfft
from deblend.separation.methods.joint import FEW_CHANNELS
from deblend.separation.methods.limits import check_at_least
from deblend.separation.transforms.hankel import (
    largest_singular_value,
    matrix_shape,
    reduce_rank,
)

if TYPE_CHECKING:
    from deblend.arrays import Array
    from deblend.separation.contract import PatchBatch


@dataclass(frozen=True)
class RankReduction:
    """Rank reduction of the Hankel matrices of each frequency, each source for itself.

    At one temporal frequency a plane wave is a geometric series along shots and channels. The
    Hankel matrix of such a series, with the value of shot i + k in row i and column k, has rank
    one, and that of N plane waves rank N, whatever their dips. Interference, fired with random
    delays, is no series and fills all singular values. The matrix is cut down to its largest
    singular values, and the mean along its anti-diagonals gives the traces back [1]_, [2]_.
    Several channels make the matrix block-Hankel, and an event is then a series along both axes
    [1]_.

    In the loop, a singular value is kept if it is among the `rank` largest of its matrix and at or
    above the threshold. So the rank rises as the threshold falls, from nothing towards `rank`, in
    each window and frequency by as much as stands out there: the rising rank of projected gradient
    schemes [3]_, without a schedule of its own.

    Notes
    -----
    Fails where the wavefield of a window is not made of a few plane waves: curved events, such as
    diffraction tops and near offsets, take more singular values than their strength deserves, and
    where more dips cross than `rank` allows the weakest are lost. Amplitudes that vary along an
    event raise the rank as well. It has no notion of a steepest dip and keeps aliased events, but
    interference that happens to line up too. The traces must be regular along shots and channels;
    misfires count as missing traces, which the loop fills. It is the most expensive of the methods
    here: a window costs the cube of the number of columns, and the price rises with the number of
    traces in it, where a transform would cost hardly more. Matrices of 32 columns or more are
    decomposed by several threads of the linear-algebra library, which makes them many times
    slower: set ``OPENBLAS_NUM_THREADS=1`` for windows above about 16 shots times 8 channels.

    Wins on crossing plane dips into one channel (`benchmarks.quality.classical`), and is the best
    of those that treat each source for itself on the standard scene of three sources; `joint` is
    better there.

    For white noise of rms s in each value, the largest singular value of a matrix of m rows and n
    columns is taken as s * (sqrt(m) + sqrt(n)), which holds for independent elements; Hankel
    matrices reach a little more.

    With fewer than four channels (`for_line`) windows have one channel and more shots.

    References
    ----------
    .. [1] V. Oropeza and M. Sacchi, 2011, Simultaneous seismic data denoising and reconstruction
       via multichannel singular spectrum analysis, Geophysics 76(3), V25-V32.
    .. [2] S. Trickett, 2008, F-xy Cadzow noise suppression, SEG Technical Program Expanded
       Abstracts, 2586-2590.
    .. [3] J. Cheng and M. Sacchi, 2015, Separation and reconstruction of simultaneous source data
       via iterative rank reduction, Geophysics 80(4), V57-V66.
    .. [4] W. Huang, R. Wang, Y. Chen, H. Li and S. Gan, 2016, Damped multichannel singular
       spectrum analysis for 3D random noise attenuation, Geophysics 81(4), V261-V270.
    """

    patch: tuple[int, int, int] = (12, 6, 32)
    """Window in shots, channels and time samples. One channel makes a Hankel matrix; more make it
    block-Hankel."""
    overlap: float = 0.25
    """Part of a window shared with the next one, above 0 and at most 0.5."""
    rank: int = 8
    """Singular values that are kept at most, at least 1: the dips of a window."""
    damping: float = 3.0
    """From 0. A kept singular value s is multiplied by 1 - (d / s) ** damping, d the largest one
    that was dropped, because noise has made it larger [4]_. 0 leaves them as they are."""
    noise_factor: float = 1.0
    """From 0. The threshold stays above this many times the largest singular value that ambient
    noise alone is expected to have."""
    window: Literal["flat"] = "flat"
    runs_on_card: ClassVar[bool] = True

    def __post_init__(self) -> None:
        check_at_least("rank", self.rank, 1)
        check_at_least("damping", self.damping, 0)
        check_at_least("noise_factor", self.noise_factor, 0)

    @classmethod
    def for_line(cls, channel_count: int) -> RankReduction:
        """Default settings for a number of channels."""
        if channel_count < FEW_CHANNELS:
            return cls(patch=(24, 1, 32), overlap=0.375)
        return cls()

    def largest(self, batch: PatchBatch) -> float:
        """Largest singular value of any patch and frequency."""
        return largest_singular_value(_by_frequency(batch)[0], batch.xp)

    def keep(self, batch: PatchBatch, strictness: float, reference: float) -> Array:
        """Patches made of the singular values at or above the threshold, at most `rank` of each.

        The threshold is ``strictness * reference``, or that of the noise where it is more.
        """
        xp = batch.xp
        values, form = _by_frequency(batch)
        shots, channels = form[3:]
        rows, columns = matrix_shape(shots, channels)
        level = batch.noise / (shots * channels) ** 0.5 * (rows**0.5 + columns**0.5)
        threshold = xp.maximum(self.noise_factor * level, strictness * reference)
        threshold = xp.broadcast_to(threshold[:, None, :], form[:3]).reshape(-1)
        kept = reduce_rank(values, threshold, self.rank, self.damping, xp).reshape(form)
        return irfft(xp, xp.moveaxis(kept, 2, 4), batch.amplitude.shape[-1])


def _by_frequency(batch: PatchBatch) -> tuple[Array, tuple[int, ...]]:
    """Values (patch x source x frequency, shot, channel), and the shape before joining."""
    xp = batch.xp
    spectrum = rfft(xp, batch.amplitude, batch.amplitude.shape[-1])
    spectrum = xp.ascontiguousarray(xp.moveaxis(spectrum, 4, 2))
    return spectrum.reshape(-1, *spectrum.shape[3:]), spectrum.shape
