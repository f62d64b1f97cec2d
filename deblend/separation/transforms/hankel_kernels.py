"""Compiled kernels of rank reduction. Imported on first use.

A set of traces at one frequency is an array (shot, channel). Its block-Hankel matrix has the rows
(i, p) and the columns (k, l), and the value of shot i + k and channel p + l; with one channel it
is a Hankel matrix.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from deblend.arrays import Array
from deblend.compiled import compiler

_compile: Any = compiler(nogil=True, fastmath=True, error_model="numpy")


@_compile  # type: ignore[untyped-decorator]
def gram_matrices(values: Array, column_shots: int, column_channels: int, out: Array) -> None:
    """Conjugate transpose of the block-Hankel matrix times itself.

    `values` is complex, shape (matrix, shot, channel); `out` complex, shape (matrix, column,
    column), columns with the channel running fastest.
    """
    shots, channels = values.shape[1:]
    row_shots, row_channels = shots - column_shots + 1, channels - column_channels + 1
    columns = column_shots * column_channels
    for matrix in range(values.shape[0]):
        x = values[matrix]
        for a in range(columns):
            k, m = a // column_channels, a % column_channels
            for b in range(a + 1):
                n, q = b // column_channels, b % column_channels
                re = im = x.real.dtype.type(0)
                for i in range(row_shots):
                    for p in range(row_channels):
                        left, right = x[i + k, p + m], x[i + n, p + q]
                        re += left.real * right.real + left.imag * right.imag
                        im += left.real * right.imag - left.imag * right.real
                out[matrix, a, b] = complex(re, im)
                out[matrix, b, a] = complex(re, -im)


@_compile  # type: ignore[untyped-decorator]
def project_and_average(
    values: Array,
    vectors: Array,
    weights: Array,
    column_shots: int,
    column_channels: int,
    shares: Array,
    out: Array,
) -> None:
    """Project block-Hankel matrices onto weighted right singular vectors, and average.

    `vectors` is complex, shape (matrix, column, column), one vector a column; `weights` real,
    shape (matrix, vector), zero for vectors that are dropped; `shares` real, shape (shot,
    channel), one over the number of matrix elements that hold a trace. `out` is overwritten.
    """
    shots, channels = values.shape[1:]
    row_shots, row_channels = shots - column_shots + 1, channels - column_channels + 1
    for matrix in range(values.shape[0]):
        x = values[matrix]
        total = out[matrix]
        total[:] = 0.0
        for v in range(weights.shape[1]):
            weight = weights[matrix, v]
            if weight == 0.0:
                continue
            for i in range(row_shots):
                for p in range(row_channels):
                    along = x.dtype.type(0)
                    for k in range(column_shots):
                        for m in range(column_channels):
                            element = vectors[matrix, k * column_channels + m, v]
                            along += x[i + k, p + m] * element
                    along *= weight
                    for k in range(column_shots):
                        for m in range(column_channels):
                            element = vectors[matrix, k * column_channels + m, v]
                            total[i + k, p + m] += along * np.conj(element)
        for i in range(shots):
            for p in range(channels):
                total[i, p] *= shares[i, p]
