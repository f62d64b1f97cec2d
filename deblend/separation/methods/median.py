"""Medians along the local slope of events, plain and of vectors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from deblend.errors import SettingsError
from deblend.separation.methods.limits import check_at_least, check_odd
from deblend.separation.transforms.medians import local_level, local_slopes, medians

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deblend.arrays import Array
    from deblend.separation.contract import PatchBatch

LOOSEST: Final = 1e-3
"""Strictness at which the window has shrunk to its smallest."""
_MEDIAN_OF_NORMAL: Final = float(np.sqrt(np.pi / 2))
"""Standard deviation of the median of many normal values over that of their mean."""


@dataclass(frozen=True)
class StructureMedian:
    """Median over neighbouring shots along the local slope, each source and channel for itself.

    In common-channel gathers the shots of the wanted source line up and interference is as
    scattered as the fire times. At every sample the slope of the most coherent event is found by
    a scan of semblance over trial slopes, the neighbouring shots are read along it, and their
    median takes the place of the sample [1]_, [2]_. What stands out in fewer than half of the
    shots is gone, however strong it is. Traces are balanced before the scan, so that a strong
    interfering trace does not decide the slope.

    A median has no coefficients to put a threshold on. In the loop, strictness means two things
    here. The window shrinks from `shots` to `fewest_shots` as strictness falls: at first what is
    kept must line up far, at last it may bend. And a median is kept where its rms over
    `level_samples` reaches the threshold: strong events are taken first, so that their
    interference is explained before the weak ones beneath it are looked for.

    Notes
    -----
    Fails where events cross: only one slope is followed at a place, and the weaker event is taken
    for interference, which costs most in deep windows full of diffractions. A median is not
    linear, rounds off peaks that bend within the window, and passes a good part of the noise (of
    white noise about 1.25 / sqrt(shots) of the rms). Where interference covers more than half of
    the window, as with little dither or many sources, it is kept. Slopes steeper than
    `steepest_s_per_shot`, and those that jump by more than half a period from shot to shot, are
    not followed. It has only first-order prediction: over large shot intervals the slope itself
    changes within the window.

    Wins on none of the lines that were measured (`benchmarks.quality.classical`). It is better
    along slopes than without (9 dB on crossing dips, 1 dB on three sources), as its papers rank
    them; the median of vectors is no better than that of samples.

    It is fast and robust at the beginning, where interference is strongest: see
    `deblend.separation.chain.Chain`. Runs on the host only.

    References
    ----------
    .. [1] S. Huo, Y. Luo and P. Kelamis, 2012, Simultaneous sources separation via multidirectional
       vector-median filtering, Geophysics 77(4), V123-V131.
    .. [2] Y. Chen, S. Zu, Y. Wang and X. Chen, 2019, Deblending of simultaneous source data using
       a structure-oriented space-varying median filter, Geophysical Journal International 216,
       1214-1232.
    """

    patch: tuple[int, int, int] = (32, 1, 128)
    """Window in shots, channels and time samples. Channels do not see each other."""
    overlap: float = 0.25
    """Part of a window shared with the next one, above 0 and at most 0.5."""
    shots: int = 9
    """Odd. Shots of the median at the beginning; 5 to 11 are usual."""
    fewest_shots: int = 5
    """Odd, at most `shots`. Shots of the median at the end."""
    steepest_s_per_shot: float = 0.008
    """From 0. Steepest slope that is tried, in seconds from shot to shot. 0 for the plain median
    along shots, without slopes."""
    slope_samples: int = 17
    """Odd. Samples over which the semblance of a slope is summed."""
    level_samples: int = 9
    """Odd. Samples over which the rms of a median is taken."""
    noise_factor: float = 1.5
    """From 0. The threshold stays above this many times the ambient noise of a median."""
    window: Literal["flat"] = "flat"

    def __post_init__(self) -> None:
        for name in ("shots", "fewest_shots", "slope_samples", "level_samples"):
            check_odd(name, getattr(self, name))
        if self.fewest_shots > self.shots:
            raise SettingsError(
                f"fewest_shots is {self.fewest_shots} and shots is {self.shots}",
                remedy="The window shrinks from shots to fewest_shots.",
            )
        check_at_least("steepest_s_per_shot", self.steepest_s_per_shot, 0)
        check_at_least("noise_factor", self.noise_factor, 0)

    @property
    def vector_length(self) -> int:
        """Samples that are compared as one; 1 is the plain median."""
        return 1

    def largest(self, batch: PatchBatch) -> float:
        """Largest rms of a median over `level_samples`, with the widest window."""
        nothing = np.zeros(len(batch.amplitude), np.float32)
        return float(self._kept(batch, self.shots, nothing)[1].max())

    def keep(self, batch: PatchBatch, strictness: float, reference: float) -> Array:
        """Medians where their rms is at or above the threshold.

        The threshold is ``strictness * reference``, or the noise where that is more.
        """
        shots = self.shots_at(strictness)
        passed = _MEDIAN_OF_NORMAL / np.sqrt(shots) if shots > 1 else 1.0
        values = np.prod(batch.amplitude.shape[2:])
        # Of a transform that is not normalised, back to samples.
        noise = np.sqrt(np.mean(np.square(batch.noise), axis=1) / values)
        least = np.maximum(self.noise_factor * passed * noise, strictness * reference)
        kept, level = self._kept(batch, shots, least)
        loud = level >= least[:, None, None, None, None]
        return np.where(loud, kept, np.float32(0))

    def shots_at(self, strictness: float) -> int:
        """Shots of the median: fewer as strictness falls."""
        part = np.clip(np.log(max(strictness, LOOSEST)) / np.log(LOOSEST), 0, 1)
        return self.shots - 2 * round(float(part) * (self.shots - self.fewest_shots) / 2)

    def _kept(
        self, batch: PatchBatch, shots: int, least: NDArray[np.float32]
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Medians and their local rms, both in the shape of the batch; zero where all is less."""
        by_channel = np.moveaxis(batch.amplitude, 3, 2)
        form = by_channel.shape
        gathers = np.ascontiguousarray(by_channel).reshape(-1, *form[3:])
        live = np.moveaxis(batch.live, 3, 2).reshape(-1, form[3])
        peak = np.abs(gathers).max(axis=(1, 2))
        # No median exceeds the largest sample.
        some = np.flatnonzero((peak >= np.repeat(least, form[1] * form[2])) & (peak > 0))
        kept = np.zeros_like(gathers)
        steepest = self.steepest_s_per_shot / batch.interval_s
        slopes = local_slopes(
            gathers[some], live[some], steepest, self.shots // 2, self.slope_samples // 2
        )
        kept[some] = medians(gathers[some], live[some], slopes, shots // 2, self.vector_length // 2)
        level = local_level(kept, self.level_samples)
        return (
            np.moveaxis(kept.reshape(form), 2, 3),
            np.moveaxis(level.reshape(form), 2, 3),
        )


@dataclass(frozen=True)
class VectorMedian(StructureMedian):
    """Vector median over neighbouring shots along the local slope.

    As `StructureMedian`, but short pieces of the flattened traces are compared instead of single
    samples: the piece that has the smallest sum of distances to all others is the median [1]_, and
    its middle sample is taken. So neighbouring samples tend to come from one trace, and a wavelet
    keeps its shape.

    Notes
    -----
    Fails where `StructureMedian` does. It takes one trace as it is instead of the middle of
    several, so it passes more noise, and more of an interference that is weaker than the signal.

    References
    ----------
    .. [1] J. Astola, P. Haavisto and Y. Neuvo, 1990, Vector median filters, Proceedings of the
       IEEE 78(4), 678-689.
    """

    vector_samples: int = 7
    """Odd. Samples of a piece."""

    def __post_init__(self) -> None:
        super().__post_init__()
        check_odd("vector_samples", self.vector_samples)

    @property
    def vector_length(self) -> int:
        """Samples that are compared as one."""
        return self.vector_samples
