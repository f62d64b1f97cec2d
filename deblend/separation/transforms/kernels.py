"""Compiled kernels of the transforms. Imported on first use, never at import of the package.

All release the interpreter lock: the caller's threads run them side by side. Each stands for an
array form in a neighbouring file, which it is tested against.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from deblend.arrays import Array
from deblend.compiled import compiler

_compile: Any = compiler(nogil=True, fastmath=True, error_model="numpy")
_compile_exact: Any = compiler(nogil=True, fastmath={"reassoc", "contract"}, error_model="numpy")
"""Where NaN, which must not be lost, is compared."""
_SWEEPS = 12
"""Jacobi sweeps at most; a handful suffices for matrices of up to a dozen rows."""


@_compile_exact  # type: ignore[untyped-decorator]
def may_reach(amplitude: Array, threshold: Array) -> Array:
    """Patches of which a coefficient may reach the threshold.

    `amplitude` is real, shape (patch, source, sample); `threshold` (patch,).
    """
    patches, sources, samples = amplitude.shape
    reach = np.empty(patches, dtype=np.bool_)
    for patch in range(patches):
        reach[patch] = False
        for source in range(sources):
            energy = amplitude.dtype.type(0)
            for k in range(samples):
                energy += amplitude[patch, source, k] * amplitude[patch, source, k]
            # Silence keeps nothing, not even at a threshold of zero; 1.001 is for rounding.
            weak = 1.001 * samples * energy < threshold[patch] * threshold[patch]
            reach[patch] |= energy != 0 and not weak
    return reach


@_compile  # type: ignore[untyped-decorator]
def eigenvectors(matrix: Array, vectors: Array) -> None:
    """Cyclic complex Jacobi; overwrites `matrix`. Columns of `vectors` are orthonormal."""
    size = matrix.shape[0]
    total = 0.0
    for i in range(size):
        total += matrix[i, i].real
        for j in range(size):
            vectors[i, j] = 1.0 if i == j else 0.0
    for _ in range(_SWEEPS):
        off = 0.0
        for i in range(size):
            for j in range(i):
                off += abs(matrix[i, j])
        if off <= 1e-6 * total:
            break
        for q in range(size):
            for p in range(q):
                _jacobi_turn(matrix, vectors, p, q)


@_compile  # type: ignore[untyped-decorator]
def _jacobi_turn(matrix: Array, vectors: Array, p: int, q: int) -> None:
    """Rotate rows and columns p and q so that their off-diagonal element vanishes."""
    element = matrix[p, q]
    magnitude = abs(element)
    if magnitude == 0.0:
        return
    phase = element / magnitude
    back = phase.conjugate()
    theta = (matrix[q, q].real - matrix[p, p].real) / (2.0 * magnitude)
    tangent = 1.0 / (abs(theta) + np.sqrt(theta * theta + 1.0))
    if theta < 0.0:
        tangent = -tangent
    cosine = 1.0 / np.sqrt(tangent * tangent + 1.0)
    sine = tangent * cosine
    for k in range(matrix.shape[0]):
        left, right = matrix[k, p], matrix[k, q] * back
        matrix[k, p] = cosine * left - sine * right
        matrix[k, q] = sine * left + cosine * right
        left, right = vectors[k, p], vectors[k, q] * back
        vectors[k, p] = cosine * left - sine * right
        vectors[k, q] = sine * left + cosine * right
    for k in range(matrix.shape[0]):
        left, right = matrix[p, k], matrix[q, k] * phase
        matrix[p, k] = cosine * left - sine * right
        matrix[q, k] = sine * left + cosine * right
