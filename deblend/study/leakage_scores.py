"""Leakage and loss where the truth is known.

In short windows the estimate is explained by two parts, least squares: a part of the true signal
and a part of the interference, which is the pseudo-deblended record less the truth.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.qc.residual import decibels

WINDOW: Final = 50
"""Samples of a window, all channels of a shot together."""

Gathers = NDArray[np.float32]


def leakage_and_loss_db(truth: Gathers, estimate: Gathers, start: Gathers) -> tuple[float, float]:
    """How much interference is left in, and how much signal is missing.

    Parameters
    ----------
    truth, estimate, start : ndarray of float32, shape (shot, channel, time)
        The answer, what was found, and the pseudo-deblended record.

    Returns
    -------
    leakage_db : float
        Energy of the interference in the estimate over that of all interference.
    loss_db : float
        Energy of the signal that the estimate lacks (or has too much of) over that of all signal.
        What is wrong and resembles neither counts in neither, beyond chance likeness, which lies
        near minus ten times the logarithm of the independent samples of a window.
    """
    sums = np.zeros(4)
    for shot in range(len(truth)):
        signal, found, other = (
            _windows(part) for part in (truth[shot], estimate[shot], start[shot] - truth[shot])
        )
        energies = [np.einsum("wct,wct->w", a, b) for a, b in _pairs(signal, found, other)]
        ss, oo, so, sf, of = energies
        determinant = ss * oo - so**2
        known = determinant > 1e-9 * ss * oo
        safe = np.where(known, determinant, 1.0)
        kept = np.where(known, (sf * oo - of * so) / safe, np.where(ss > 0, sf / (ss + 1e-300), 1))
        leaked = np.where(known, (of * ss - sf * so) / safe, 0.0)
        sums += (leaked**2 * oo).sum(), oo.sum(), ((1 - kept) ** 2 * ss).sum(), ss.sum()
    return decibels(sums[0], sums[1]), decibels(sums[2], sums[3])


def _windows(gather: Gathers) -> NDArray[np.float64]:
    """Windows of one shot, shape (window, channel, sample); the last samples may be left over."""
    channels, samples = gather.shape
    width = min(WINDOW, samples)
    count = samples // width
    cut = gather[:, : count * width].astype(np.float64).reshape(channels, count, width)
    return np.ascontiguousarray(cut.transpose(1, 0, 2))


def _pairs(
    signal: NDArray[np.float64], found: NDArray[np.float64], other: NDArray[np.float64]
) -> tuple[tuple[NDArray[np.float64], NDArray[np.float64]], ...]:
    return (signal, signal), (other, other), (signal, other), (signal, found), (other, found)
