"""Rank reduction of block-Hankel matrices, many small ones at a time."""

from __future__ import annotations

from types import ModuleType

import numpy as np

from deblend.arrays import Array, is_host

_MATRICES = {True: 512, False: 1 << 16}
"""Matrices that are decomposed together, on the host and on a device."""


def columns_of(size: int) -> int:
    """Columns of a Hankel matrix of so many traces, as near to square as it gets."""
    return size - size // 2


def trace_counts(shots: int, channels: int, xp: ModuleType) -> Array:
    """How many elements of the block-Hankel matrix hold each trace, shape (shot, channel)."""
    along = [
        np.minimum.reduce(
            [
                np.arange(size) + 1,
                size - np.arange(size),
                np.full(size, min(columns_of(size), size - columns_of(size) + 1)),
            ]
        )
        for size in (shots, channels)
    ]
    return xp.asarray(along[0][:, None] * along[1][None, :], dtype=np.float32)


def matrix_shape(shots: int, channels: int) -> tuple[int, int]:
    """Rows and columns of the block-Hankel matrix."""
    columns = columns_of(shots), columns_of(channels)
    return (shots - columns[0] + 1) * (channels - columns[1] + 1), columns[0] * columns[1]


def reduce_rank(
    values: Array, threshold: Array, rank: int, damping: float, xp: ModuleType
) -> Array:
    """Traces of one frequency rebuilt from the strong singular values of their Hankel matrix.

    Parameters
    ----------
    values : array of complex, shape (matrix, shot, channel)
        Left alone.
    threshold : array of float, shape (matrix,)
        Singular values below it are dropped.
    rank : int
        At most so many singular values are kept.
    damping : float
        As in `RankReduction`; 0 for none.
    """
    counts = trace_counts(values.shape[1], values.shape[2], xp)
    power = xp.sum((values.real**2 + values.imag**2) * counts, axis=(1, 2))
    # The sum of all squared singular values: below the threshold none can reach it.
    chosen = xp.flatnonzero((power >= threshold**2) & (power > 0))
    out = xp.zeros_like(values)
    step = _MATRICES[is_host(xp)]
    for begin in range(0, len(chosen), step):
        some = chosen[begin : begin + step]
        out[some] = _reduced(values[some], threshold[some], rank, damping, counts, xp)
    return out


def largest_singular_value(values: Array, xp: ModuleType) -> float:
    """Largest singular value of any of the block-Hankel matrices of (matrix, shot, channel)."""
    counts = trace_counts(values.shape[1], values.shape[2], xp)
    power = xp.sum((values.real**2 + values.imag**2) * counts, axis=(1, 2))
    largest = 0.0
    strongest_first = xp.argsort(-power)
    step = _MATRICES[is_host(xp)]
    for begin in range(0, len(values), step):
        some = strongest_first[begin : begin + step]
        some = some[power[some] > largest]  # others cannot be larger
        if len(some) == 0:
            break
        top = xp.linalg.eigvalsh(_gram(values[some], xp))[:, -1]
        largest = max(largest, float(top.max()))
    return float(np.sqrt(largest))


def singular_weights(
    singular: Array, threshold: Array, rank: int, damping: float, xp: ModuleType
) -> Array:
    """Factor of each singular value, 0 for those that are dropped.

    `singular` rises, shape (matrix, value); the rest is as in `reduce_rank`.
    """
    kept = singular >= threshold[:, None]
    kept[:, : max(0, singular.shape[1] - rank)] = False
    weights = kept.astype(singular.dtype)
    if damping > 0:
        dropped = xp.max(xp.where(kept, 0, singular), axis=1)[:, None]
        ratio = dropped / xp.where(kept, xp.maximum(singular, 1e-30), 1)
        weights = weights * (1 - xp.minimum(ratio, 1) ** damping)
    return weights


def _reduced(
    values: Array, threshold: Array, rank: int, damping: float, counts: Array, xp: ModuleType
) -> Array:
    power, vectors = xp.linalg.eigh(_gram(values, xp))
    singular = xp.sqrt(xp.maximum(power, 0))
    weights = singular_weights(singular, threshold, rank, damping, xp)
    columns = columns_of(values.shape[1]), columns_of(values.shape[2])
    if is_host(xp):
        from deblend.separation.transforms.hankel_kernels import project_and_average

        out = np.empty_like(values)
        shares = (1 / counts).astype(values.real.dtype)
        project_and_average(
            np.ascontiguousarray(values),
            vectors,
            weights.astype(shares.dtype),
            *columns,
            shares,
            out,
        )
        return out
    matrices = hankel_matrices(values, xp)
    filtered = (matrices @ (vectors * weights[:, None, :])) @ xp.conj(xp.swapaxes(vectors, 1, 2))
    return average_antidiagonals(filtered, values.shape[1], values.shape[2], xp)


def _gram(values: Array, xp: ModuleType) -> Array:
    if is_host(xp):
        from deblend.separation.transforms.hankel_kernels import gram_matrices

        columns = columns_of(values.shape[1]), columns_of(values.shape[2])
        size = columns[0] * columns[1]
        out = np.empty((len(values), size, size), values.dtype)
        gram_matrices(np.ascontiguousarray(values), *columns, out)
        return out
    matrices = hankel_matrices(values, xp)
    return xp.conj(xp.swapaxes(matrices, 1, 2)) @ matrices


def hankel_matrices(values: Array, xp: ModuleType) -> Array:
    """Block-Hankel matrices of (matrix, shot, channel), shape (matrix, row, column)."""
    shot, channel = (xp.asarray(_places(size)) for size in values.shape[1:])
    matrices = values[:, shot[:, None, :, None], channel[None, :, None, :]]
    return matrices.reshape(len(values), shot.shape[0] * channel.shape[0], -1)


def average_antidiagonals(matrices: Array, shots: int, channels: int, xp: ModuleType) -> Array:
    """Traces of block-Hankel matrices that may have lost their form; undoes `hankel_matrices`."""
    shot, channel = _places(shots), _places(channels)
    blocks = matrices.reshape(len(matrices), shot.shape[0], channel.shape[0], *shot.shape[1:], -1)
    out = xp.zeros((len(matrices), shots, channels), matrices.dtype)
    for k in range(shot.shape[1]):
        for m in range(channel.shape[1]):
            rows, columns = shot.shape[0], channel.shape[0]
            out[:, k : k + rows, m : m + columns] += blocks[:, :, :, k, m]
    return out / trace_counts(shots, channels, xp)


def _places(size: int) -> np.ndarray:
    """Trace in each row and column of a Hankel matrix."""
    columns = columns_of(size)
    return np.arange(size - columns + 1)[:, None] + np.arange(columns)
