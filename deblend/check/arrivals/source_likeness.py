"""Which source a shot looks like, by all differences of the usual arrivals of the sources.

Sources towed abreast leave nearly the same direct arrival: a millisecond of difference, below the
interference of other shots. What distinguishes them is a linear discriminant: the difference of two
usual arrivals, weighted by the inverse covariance of what usually disturbs a shot. It is trained on
other shots than those it is applied to, so that the scatter of its values is their null.

It fails where sources are at mirror places about the streamer, or wholly alike: then the scatter is
wide, and nothing is found.

References
----------
.. [1] R. A. Fisher, 1936, The use of multiple measurements in taxonomic problems, Annals of
   Eugenics 7, 179-188.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

_FOLDS: Final = 5
_FEWEST_SHOTS: Final = 8
_MOST_TRAINING: Final = 400
_RIDGE: Final = 0.5
"""Of the mean variance, added to the covariance: there are fewer shots than samples."""
_LARGEST: Final = 1.5
"""Of the median size: what disturbs a shot more counts as this large."""
_OTHER_SIDE: Final = -0.3
_FARTHEST: Final = -2.5
_SCATTERS: Final = 5.5
LARGEST_SCATTER: Final = 0.35
"""Sources whose discriminant scatters more cannot be distinguished shot by shot."""
_LEAST_CORRELATION: Final = 0.7
_ALIKE: Final = 0.02
"""Energy of the difference of two usual arrivals, of that of one: as much as shots differ."""
_SAME: Final = 0.007
"""Energy of that difference below which two sources leave one arrival."""
_UNDISTURBED: Final = 1.1
_CLEAR: Final = 0.12
"""Only shots that scatter no more than this, in amplitude as they are disturbed by others and in
the discriminant, are held against a source so alike."""


@dataclass(frozen=True, eq=False)
class SourceLikeness:
    """What shots look like."""

    looks_like: NDArray[np.int64]
    """(shot,): Another source that the shot resembles and its own not; -1 where there is none."""
    scatter: NDArray[np.float64]
    """(source, source): Of the discriminant for two sources, which is 1 for one and -1 for the
    other. NaN on the diagonal and with too few shots."""
    distinguishable: NDArray[np.bool_]
    """(source, source): Sources of which a shot would be seen to be the other one."""


def source_likeness(
    arrivals: NDArray[np.float64],
    source_row: NDArray[np.int64],
    good: NDArray[np.bool_],
    source_count: int,
    *,
    wider: NDArray[np.float64] | None = None,
    seed: int = 0,
) -> SourceLikeness:
    """Hold every shot against the usual arrivals of all sources.

    Parameters
    ----------
    arrivals : ndarray of float64, shape (shot, channel, time)
        Direct arrival of each shot in one frame for all sources, other shots taken off.
    good : ndarray of bool, shape (shot,)
        Shots to be compared and learnt from.
    wider : ndarray of float64, shape (shot,), optional
        How much more a shot scatters than others, as for one that overlaps another: 1 or above.
    """
    nothing = SourceLikeness(
        np.full(len(arrivals), -1, dtype=np.int64),
        np.full((source_count, source_count), np.nan),
        np.zeros((source_count, source_count), dtype=np.bool_),
    )
    rows = np.flatnonzero(good)
    counts = np.bincount(source_row[rows], minlength=source_count)
    enough = np.flatnonzero(counts >= _FEWEST_SHOTS)
    if enough.size < 2:
        return nothing
    rows = rows[np.isin(source_row[rows], enough)]
    flat = arrivals[rows].reshape(len(rows), -1)
    own = np.searchsorted(enough, source_row[rows])
    values, correlation, best = _cross_validated(
        flat, own, enough.size, np.random.default_rng(seed)
    )
    scatter = _scatter(values, own)
    at = np.arange(len(rows))
    value, best_correlation = values[at, best], correlation[at, best]
    # A shot that resembles no source well was disturbed, and its discriminant scatters more.
    rest = np.sqrt(np.clip(1.0 - np.fmax(best_correlation, correlation[at, own]) ** 2, 0.0, 1.0))
    disturbed = np.maximum(1.0, rest / max(float(np.nanmedian(rest)), 1e-6))
    found = (value < _OTHER_SIDE) & (value > _FARTHEST) & (best_correlation > _LEAST_CORRELATION)
    more = disturbed**2 if wider is None else disturbed**2 * wider[rows]
    found &= 1.0 - value > _SCATTERS * scatter[own, best] * more
    found &= scatter[own, best] < LARGEST_SCATTER
    usual = np.stack([np.median(flat[own == k], axis=0) for k in range(enough.size)])
    differ = _difference(usual)
    if wider is not None:
        clear = (wider[rows] < _UNDISTURBED) & (scatter[own, best] < _CLEAR)
        found &= (differ[own, best] > _ALIKE) | (clear & (differ[own, best] > _SAME))
    distinguishable = (scatter < _CLEAR) & (differ > _SAME)
    distinguishable |= (scatter < LARGEST_SCATTER) & (differ > _ALIKE)
    # A discriminant of 1 for one and -1 for the other has to be that far from its own scatter.
    distinguishable &= _SCATTERS * scatter < (1.0 - _OTHER_SIDE)
    nothing.looks_like[rows[found]] = enough[best[found]]
    nothing.scatter[np.ix_(enough, enough)] = scatter
    nothing.distinguishable[np.ix_(enough, enough)] = distinguishable
    return nothing


def _cross_validated(
    flat: NDArray[np.float64], own: NDArray[np.int64], count: int, random: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Discriminant of own against each source, correlation with each, and the likeliest one."""
    values, correlation = np.full((2, len(flat), count), np.nan)
    best = own.copy()
    part = random.permutation(len(flat)) % _FOLDS
    for fold in range(_FOLDS):
        learnt = np.flatnonzero(part != fold)
        if np.bincount(own[learnt], minlength=count).min() == 0:
            continue
        usual = np.stack([np.median(flat[learnt[own[learnt] == k]], axis=0) for k in range(count)])
        some = random.permutation(learnt)[:_MOST_TRAINING]
        weights = _whitened(usual, flat[some] - usual[own[some]])
        held_out = np.flatnonzero(part == fold)
        score = flat[held_out] @ weights.T - 0.5 * np.einsum("kd,kd->k", usual, weights)
        best[held_out] = score.argmax(axis=1)
        mine = own[held_out]
        apart = _apart(usual, weights)[mine]
        margin = score[np.arange(len(mine)), mine][:, None] - score
        values[held_out] = np.divide(
            2.0 * margin, apart, out=np.full_like(margin, np.nan), where=apart > 0
        )
        sizes = np.linalg.norm(flat[held_out], axis=1)[:, None] * np.linalg.norm(usual, axis=1)
        correlation[held_out] = flat[held_out] @ usual.T / np.where(sizes > 0, sizes, np.inf)
    return values, correlation, best


def _whitened(usual: NDArray[np.float64], rest: NDArray[np.float64]) -> NDArray[np.float64]:
    """Usual arrivals times the inverse covariance of `rest`, without forming the covariance."""
    size = np.linalg.norm(rest, axis=1)
    limit = _LARGEST * np.median(size)
    rest = rest * np.minimum(1.0, limit / np.where(size > 0, size, np.inf))[:, None]
    count = len(rest)
    ridge = _RIDGE * float((rest**2).sum()) / rest.size + np.finfo(np.float64).tiny
    inner = rest @ rest.T / count + ridge * np.eye(count)
    return np.asarray((usual - np.linalg.solve(inner, rest @ usual.T).T @ rest / count) / ridge)


def _apart(usual: NDArray[np.float64], weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Squared distance of every two sources in units of what disturbs a shot."""
    product = usual @ weights.T
    own = np.diagonal(product)
    return np.asarray(own[:, None] + own[None, :] - product - product.T)


def _difference(usual: NDArray[np.float64]) -> NDArray[np.float64]:
    """Energy of the difference of every two usual arrivals, relative to the larger one."""
    apart = ((usual[:, None] - usual[None, :]) ** 2).sum(axis=2)
    energy = (usual**2).sum(axis=1)
    largest = np.maximum(energy[:, None], energy[None, :])
    return np.asarray(apart / np.where(largest > 0, largest, np.inf))


def _scatter(values: NDArray[np.float64], own: NDArray[np.int64]) -> NDArray[np.float64]:
    """Robust deviation of the discriminant of every two sources about its middle."""
    count = values.shape[1]
    out = np.full((count, count), np.nan)
    for one in range(count):
        for other in range(one):
            both = np.concatenate([values[own == one, other], values[own == other, one]])
            both = both[np.isfinite(both)]
            if both.size:
                out[one, other] = out[other, one] = 1.4826 * np.median(np.abs(both - 1.0))
    return out
