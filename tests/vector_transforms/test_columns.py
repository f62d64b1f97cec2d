"""Transforms of eight columns side by side against those of scipy."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft

from deblend.vector_transforms.columns import ELEMENT, steps_of, transform_column
from deblend.vector_transforms.vectors import WIDTH


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("length", [*range(1, 65), 96, 100, 121, 127, 128, 243])
def test_columns_of_any_length(length, sign):
    # Reference: scipy.fft, in double precision. The column in the middle of three; the others stay.
    rng = np.random.default_rng(length)
    columns = rng.standard_normal((length, 3, 2, WIDTH)).astype(np.float32)
    factors, weights = steps_of(length, sign)
    work = np.concatenate([columns.ravel(), weights, np.empty(2 * length * ELEMENT, np.float32)])
    places = columns.size, columns.size + len(weights)
    transform_column(work, ELEMENT, 3 * ELEMENT, length, np.float32(sign), factors, *places)
    found = work[: columns.size].reshape(columns.shape)
    middle = columns[:, 1, 0] + 1j * columns[:, 1, 1]
    double = middle.astype(np.complex128)
    transform = scipy.fft.fft(double, axis=0), length * scipy.fft.ifft(double, axis=0)
    expected = transform[0] if sign == 1 else transform[1]
    error = np.abs(found[:, 1, 0] + 1j * found[:, 1, 1] - expected)
    assert error.max() < 1e-6 * np.abs(expected).max()
    assert np.array_equal(found[:, ::2], columns[:, ::2])
