"""Curvelets of gathers (shot, time), from the optional package ``curvelets``.

Its transform is a tight frame only where each side is a multiple of all its decimations and the
finest scale has directions too; with other sides it is wrong by several percent without a word.
Gathers are padded with zeros to such sides.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import MissingPackageError

_LEAST_SIDE: Final = 16
_SUPPORTED: Final = "1"
"""Major version of the package that is tested."""


@dataclass(frozen=True, eq=False)
class PaddedTransform:
    """Transform of gathers of one shape."""

    transform: Any
    """``curvelets.numpy.UDCT`` for the padded shape."""
    shape: tuple[int, int]
    padded: tuple[int, int]
    """Shots and samples of the gathers, and with zeros behind."""
    norms: tuple[float, ...]
    """Norm of the curvelets of each wedge, in the order of `wedges_of`: the rms of a coefficient of
    white noise of rms one."""
    spectra: NDArray[np.float64]
    """(wedge, frequency): How the squared norm is spread over the frequencies of a trace of the
    padded shape, as `numpy.fft.rfft` has them; each row sums up to the squared norm."""


def require_curvelets() -> None:
    """Check that the package is there, in a version that is known to be right."""
    try:
        found = version("curvelets")
    except PackageNotFoundError:
        found = ""
    if found.split(".")[0] != _SUPPORTED:
        what = f"has version {found}" if found else "is not installed"
        raise MissingPackageError(
            f"separator method 'curvelet' needs the package curvelets, version {_SUPPORTED}, "
            f"which {what}",
            remedy='Install it by `python -m pip install "deblend[curvelet]"`, or choose another '
            "method.",
        )


def padded_side(length: int, scales: int, wedges: int) -> int:
    """Smallest side that the transform is right for and that holds `length`."""
    unit = max(4, (1 << (scales - 1)) * wedges // 3)
    return max(-(-length // unit) * unit, -(-_LEAST_SIDE // unit) * unit)


@lru_cache(maxsize=16)
def curvelet_plan(shape: tuple[int, int], scales: int, wedges: int) -> PaddedTransform:
    """Plan for gathers of a shape; made once for each.

    `scales` count the coarsest one; `wedges` are the directions at the second scale, for each of
    the two axes, and double from scale to scale.
    """
    from curvelets.numpy import UDCT

    padded = (padded_side(shape[0], scales, wedges), padded_side(shape[1], scales, wedges))
    transform = UDCT(
        shape=padded,
        num_scales=scales,
        wedges_per_direction=wedges,
        high_frequency_mode="curvelet",
        transform_kind="real",
    )
    nothing = transform.forward(np.zeros(padded, np.float64))
    spectra = np.array([_spectrum(transform, nothing, wedge) for wedge in wedges_of(nothing)])
    norms = tuple(np.sqrt(spectra.sum(axis=1)).tolist())
    return PaddedTransform(transform, shape, padded, norms, spectra)


def wedges_of(coefficients: Any) -> list[NDArray[np.complex64]]:
    """Arrays of all scales, axes and wedges, one after the other; no copies."""
    return [wedge for scale in coefficients for axis in scale for wedge in axis]


def forward(plan: PaddedTransform, gather: NDArray[np.float32]) -> Any:
    """Coefficients of one gather (shot, time), nested by scale, axis and wedge."""
    padded = np.zeros(plan.padded, np.float32)
    padded[: plan.shape[0], : plan.shape[1]] = gather
    return plan.transform.forward(padded)


def backward(plan: PaddedTransform, coefficients: Any) -> NDArray[np.float32]:
    """Adjoint of `forward`, and its inverse: the frame is tight."""
    gather = plan.transform.backward(coefficients)
    return np.asarray(gather[: plan.shape[0], : plan.shape[1]], np.float32)


def wedge_noise(plan: PaddedTransform, noise: NDArray[np.float32]) -> NDArray[np.float64]:
    """Rms of the coefficients of each wedge, (gather, wedge), for noise of known spectrum.

    `noise` has shape (gather, frequency): rms of a trace at each frequency of its transform, that
    of white noise of rms one being one.
    """
    given = np.linspace(0, 1, noise.shape[1])
    wanted = np.linspace(0, 1, plan.spectra.shape[1])
    power = np.array([np.interp(wanted, given, row) for row in np.square(noise, dtype=float)])
    return np.asarray(np.sqrt(power @ plan.spectra.T))


def _spectrum(transform: Any, nothing: Any, wedge: NDArray[Any]) -> NDArray[np.float64]:
    """Squared norm of one curvelet by frequency of its traces, both phases together."""
    power = np.zeros(transform.shape[1] // 2 + 1)
    middle = tuple(size // 2 for size in wedge.shape)
    for phase in (1.0, 1j):
        wedge[middle] = phase
        spectrum = np.fft.rfft(transform.backward(nothing), axis=1)
        power += np.sum(np.abs(spectrum) ** 2, axis=0) / transform.shape[1]
    wedge[middle] = 0
    power[1 : (transform.shape[1] + 1) // 2] *= 2  # negative frequencies
    return power
