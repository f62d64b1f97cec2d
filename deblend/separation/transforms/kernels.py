"""Compiled kernels of the transforms. Imported on first use, never at import of the package.

All release the interpreter lock: the caller's threads run them side by side. Each stands for an
array form in a neighbouring file, which it is tested against.
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np

from deblend.arrays import Array

_compile: Any = numba.njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
_compile_exact: Any = numba.njit(
    nogil=True, fastmath={"reassoc", "contract"}, error_model="numpy", cache=True
)
"""Where NaN, which must not be lost, is compared."""
_SWEEPS = 12
"""Jacobi sweeps at most; a handful suffices for matrices of up to a dozen rows."""


@_compile  # type: ignore[untyped-decorator]
def hard_threshold_in_place(spectrum: Array, least_power: Array) -> None:
    """Zero weak coefficients.

    `spectrum` is complex, shape (patch, coefficient, frequency); `least_power` real, shape
    (patch, frequency).
    """
    real = least_power.dtype.type
    for patch in range(spectrum.shape[0]):
        for row in range(spectrum.shape[1]):
            for f in range(spectrum.shape[2]):
                value = spectrum[patch, row, f]
                power = value.real * value.real + value.imag * value.imag
                keep = real(power >= least_power[patch, f])
                spectrum[patch, row, f] = complex(value.real * keep, value.imag * keep)


@_compile_exact  # type: ignore[untyped-decorator]
def may_reach(amplitude: Array, threshold: Array) -> Array:
    """Patches of which a coefficient may reach the threshold.

    `amplitude` is real, shape (patch, source, sample); `threshold` (patch,).
    """
    patches, sources, samples = amplitude.shape
    reach = np.zeros(patches, dtype=np.bool_)
    for patch in range(patches):
        for source in range(sources):
            energy = amplitude.dtype.type(0)
            for k in range(samples):
                energy += amplitude[patch, source, k] * amplitude[patch, source, k]
            # Silence keeps nothing, not even at a threshold of zero; 1.001 is for rounding.
            weak = 1.001 * samples * energy < threshold[patch] * threshold[patch]
            reach[patch] |= energy != 0 and not weak
    return reach


@_compile_exact  # type: ignore[untyped-decorator]
def any_filled(values: Array) -> Array:
    """Whether anything of each patch is other than zero; `values` (patch, coefficient)."""
    filled = np.zeros(values.shape[0], dtype=np.bool_)
    for patch in range(values.shape[0]):
        for k in range(values.shape[1]):
            if values[patch, k] != 0:
                filled[patch] = True
                break
    return filled


@_compile  # type: ignore[untyped-decorator]
def joint_threshold_in_place(spectrum: Array, least_power: Array) -> None:
    """Threshold along the eigenvectors between sources where that leaves fewer coefficients.

    `spectrum` is complex, shape (patch, source, wavenumber, frequency); `least_power` real, shape
    (patch, frequency). Each patch and frequency is copied to real and imaginary rows along
    wavenumber, on which the inner loops run at full vector width.
    """
    sources, wavenumbers, frequencies = spectrum.shape[1:]
    real = least_power.dtype
    plain = np.zeros((2, sources, wavenumbers), dtype=real)
    turned = np.zeros((2, sources, wavenumbers), dtype=real)
    matrix = np.zeros((sources, sources), dtype=np.complex128)
    vectors = np.zeros((sources, sources), dtype=np.complex128)
    above = np.zeros(frequencies, dtype=np.int64)
    for patch in range(spectrum.shape[0]):
        _count_above(spectrum[patch], least_power[patch], above)
        for f in range(frequencies):
            count, least = above[f], least_power[patch, f]
            if count == 0:
                spectrum[patch, :, :, f] = 0.0
                continue
            for i in range(sources):
                for k in range(wavenumbers):
                    value = spectrum[patch, i, k, f]
                    plain[0, i, k] = value.real
                    plain[1, i, k] = value.imag
            _covariance(plain, matrix)
            _eigenvectors(matrix, vectors)
            _turn(plain, vectors, turned)
            if _zero_weak(turned, least) < count:
                _turn_back(turned, vectors, plain)
            else:
                _zero_weak(plain, least)
            for i in range(sources):
                for k in range(wavenumbers):
                    spectrum[patch, i, k, f] = complex(plain[0, i, k], plain[1, i, k])


@_compile  # type: ignore[untyped-decorator]
def _count_above(spectrum: Array, least_power: Array, above: Array) -> None:
    """Coefficients of each frequency at or above the threshold, read in their order in memory."""
    above[:] = 0
    for i in range(spectrum.shape[0]):
        for k in range(spectrum.shape[1]):
            for f in range(spectrum.shape[2]):
                value = spectrum[i, k, f]
                power = value.real * value.real + value.imag * value.imag
                above[f] += power >= least_power[f]


@_compile  # type: ignore[untyped-decorator]
def _zero_weak(rows: Array, least: Any) -> int:
    """Zero weak coefficients; how many are left.

    Multiplied by one or zero, and counted in the type of the samples: a branch would be guessed
    wrong every other time.
    """
    kept = 0
    for i in range(rows.shape[1]):
        here = rows.dtype.type(0)
        for k in range(rows.shape[2]):
            re, im = rows[0, i, k], rows[1, i, k]
            keep = rows.dtype.type(re * re + im * im >= least)
            here += keep
            rows[0, i, k] = re * keep
            rows[1, i, k] = im * keep
        kept += int(here)
    return kept


@_compile  # type: ignore[untyped-decorator]
def _covariance(rows: Array, matrix: Array) -> None:
    """Sum over wavenumbers of each source times the conjugate of each other."""
    for i in range(rows.shape[1]):
        for j in range(i + 1):
            re = im = rows.dtype.type(0)
            for k in range(rows.shape[2]):
                re += rows[0, i, k] * rows[0, j, k] + rows[1, i, k] * rows[1, j, k]
                im += rows[1, i, k] * rows[0, j, k] - rows[0, i, k] * rows[1, j, k]
            matrix[i, j] = complex(re, im)
            matrix[j, i] = complex(re, -im)


@_compile  # type: ignore[untyped-decorator]
def _eigenvectors(matrix: Array, vectors: Array) -> None:
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
    theta = (matrix[q, q].real - matrix[p, p].real) / (2.0 * magnitude)
    tangent = 1.0 / (abs(theta) + np.sqrt(theta * theta + 1.0))
    if theta < 0.0:
        tangent = -tangent
    cosine = 1.0 / np.sqrt(tangent * tangent + 1.0)
    sine = tangent * cosine
    for k in range(matrix.shape[0]):
        left, right = matrix[k, p], matrix[k, q] * np.conj(phase)
        matrix[k, p] = cosine * left - sine * right
        matrix[k, q] = sine * left + cosine * right
        left, right = vectors[k, p], vectors[k, q] * np.conj(phase)
        vectors[k, p] = cosine * left - sine * right
        vectors[k, q] = sine * left + cosine * right
    for k in range(matrix.shape[0]):
        left, right = matrix[p, k], matrix[q, k] * phase
        matrix[p, k] = cosine * left - sine * right
        matrix[q, k] = sine * left + cosine * right


@_compile  # type: ignore[untyped-decorator]
def _turn(rows: Array, vectors: Array, turned: Array) -> None:
    """Coefficients along the eigenvectors: conjugate transpose of `vectors` times `rows`."""
    _combine(rows, np.conj(vectors.T), turned)


@_compile  # type: ignore[untyped-decorator]
def _turn_back(turned: Array, vectors: Array, rows: Array) -> None:
    """Inverse of `_turn`."""
    _combine(turned, vectors, rows)


@_compile  # type: ignore[untyped-decorator]
def _combine(rows: Array, matrix: Array, out: Array) -> None:
    """`matrix` times `rows`; two rows at a time, so that `out` is written less often."""
    real = rows.dtype.type
    sources = rows.shape[1]
    for i in range(sources):
        odd = sources % 2
        if odd:
            a, b = real(matrix[i, 0].real), real(matrix[i, 0].imag)
            for k in range(rows.shape[2]):
                out[0, i, k] = a * rows[0, 0, k] - b * rows[1, 0, k]
                out[1, i, k] = a * rows[1, 0, k] + b * rows[0, 0, k]
        else:
            out[:, i] = 0.0
        for j in range(odd, sources, 2):
            a, b = real(matrix[i, j].real), real(matrix[i, j].imag)
            c, d = real(matrix[i, j + 1].real), real(matrix[i, j + 1].imag)
            for k in range(rows.shape[2]):
                out[0, i, k] += (
                    a * rows[0, j, k]
                    - b * rows[1, j, k]
                    + c * rows[0, j + 1, k]
                    - d * rows[1, j + 1, k]
                )
                out[1, i, k] += (
                    a * rows[1, j, k]
                    + b * rows[0, j, k]
                    + c * rows[1, j + 1, k]
                    + d * rows[0, j + 1, k]
                )
