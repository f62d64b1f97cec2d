"""Is a number more than chance: nulls made from the data itself, and many tests at once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr

Floats = NDArray[np.float64]

FALSE_DISCOVERY_RATE: Final = 0.05
"""Expected part of the flagged rows that is flagged by chance."""


def beyond(score: Floats, freedom: NDArray[np.int64] | int) -> Floats:
    """Chance that Student's t with so many degrees of freedom is larger than the score."""
    return np.asarray(stdtr(freedom, -score), dtype=np.float64)


def exceeds_null(value: Floats, null: Floats) -> Floats:
    """Chance of a value at least this large, given draws of its null, (draw, ...); two at least.

    Logarithms are compared, because energies are skewed; the draws give mean and spread of a
    normal law, and Student's t allows for their number. 1 where value and null are both zero.
    """
    tiny = np.finfo(np.float64).tiny
    logs = np.log(np.maximum(null, tiny))
    count = len(null)
    spread = logs.std(axis=0, ddof=1) * np.sqrt(1.0 + 1.0 / count)
    above = np.log(np.maximum(value, tiny)) - logs.mean(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        score = np.where(spread > 0, above / spread, np.where(above > 0, np.inf, -np.inf))
    return beyond(score, count - 1)


def exceeds_symmetric_null(value: Floats, null: Floats) -> Floats:
    """Chance of a sum of products at least this large where the null lies evenly around zero.

    The null has shape (draw, ...): the same sums with random signs.
    """
    count = len(null)
    spread = np.sqrt(np.mean(null**2, axis=0))
    with np.errstate(divide="ignore", invalid="ignore"):
        score = np.where(spread > 0, value / spread, np.where(value > 0, np.inf, -np.inf))
    return beyond(score, count)


def mean_above_zero(sample: Floats, axis: int) -> Floats:
    """Chance of a mean at least this large if the true one were zero: Student's t, one-sided.

    Values along `axis` are independent, NaN where there is none; 1 where there are fewer than two.
    """
    count = np.isfinite(sample).sum(axis=axis)
    filled = np.where(np.isfinite(sample), sample, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = filled.sum(axis=axis) / count
        off = np.where(np.isfinite(sample), sample - np.expand_dims(mean, axis), 0.0)
        error = np.sqrt(np.square(off).sum(axis=axis) / (count - 1) / count)
        chance = beyond(mean / error, np.maximum(count - 1, 1))
    return np.asarray(np.where(count < 2, 1.0, np.nan_to_num(chance, nan=1.0)), dtype=np.float64)


def flag(
    chance: Floats, rate: float = FALSE_DISCOVERY_RATE, *, dependent: bool = False
) -> NDArray[np.bool_]:
    """Which of many tests stand out, at a bounded share of false ones among them.

    Parameters
    ----------
    chance : ndarray of float64
        Of each test under its null; NaN takes no part.
    rate : float, optional
        False-discovery rate.
    dependent : bool, optional
        Tests share their chance, as neighbouring channels do: the rate of [2]_, which holds for
        any dependence, in place of that of [1]_.

    References
    ----------
    .. [1] Y. Benjamini and Y. Hochberg, 1995, Controlling the false discovery rate: a practical
       and powerful approach to multiple testing, Journal of the Royal Statistical Society B 57(1),
       289-300.
    .. [2] Y. Benjamini and D. Yekutieli, 2001, The control of the false discovery rate in multiple
       testing under dependency, Annals of Statistics 29(4), 1165-1188.
    """
    from scipy.stats import false_discovery_control  # loads for half a second

    flagged = np.zeros(chance.shape, dtype=np.bool_)
    tested = np.isfinite(chance)
    if tested.any():
        flagged[tested] = (
            false_discovery_control(chance[tested], method="by" if dependent else "bh") <= rate
        )
    return flagged


def flag_together(
    chances: Sequence[Floats], rate: float = FALSE_DISCOVERY_RATE
) -> list[NDArray[np.bool_]]:
    """`flag` over several kinds of test, one array each: the rate holds for all together."""
    flagged = flag(np.concatenate([chance.ravel() for chance in chances]), rate)
    ends = np.cumsum([chance.size for chance in chances])
    return [
        part.reshape(chance.shape)
        for part, chance in zip(np.split(flagged, ends[:-1]), chances, strict=True)
    ]


def correlation_null(bandwidth_hz: float, window_s: float, traces: int) -> float:
    """Three standard deviations of the correlation of unrelated traces of some bandwidth."""
    return float(3.0 / np.sqrt(2.0 * bandwidth_hz * window_s * traces))
