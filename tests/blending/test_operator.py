"""The blending operator against an independent slow reference, its adjoint and its norm."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.ndimage
import scipy.sparse
from hypothesis import given, settings
from hypothesis import strategies as st

from deblend.blending.operator import LEAD, largest_eigenvalue, make_operator
from deblend.errors import InputError
from deblend.model.shots import Shots, make_shots

INTERVAL_NS = 4_000_000


def shots_at(seconds: list[float], live: list[bool] | None = None) -> Shots:
    count = len(seconds)
    return make_shots(
        np.arange(count) % 3,
        np.arange(count),
        np.rint(np.array(seconds) * 1e9).astype(np.int64),
        "utc",
        live=None if live is None else np.array(live),
    )


def operator_of(shots: Shots, samples: int = 400, length: int = 60, dtype=np.float64):
    return make_operator(
        shots,
        start_ns=0,
        interval_ns=INTERVAL_NS,
        sample_count=samples,
        length=length,
        dtype=dtype,
    )


def explicit_matrix(shots: Shots, samples: int, length: int, padded: int) -> scipy.sparse.csc_array:
    """Blending matrix column by column, with scipy.ndimage.fourier_shift as the delay."""
    columns = []
    for fire_ns in shots.fire_time_ns:
        whole, rest = divmod(int(fire_ns), INTERVAL_NS)
        for sample in range(length):
            trace = np.zeros(padded)
            trace[LEAD + sample] = 1.0
            shifted = scipy.ndimage.fourier_shift(np.fft.fft(trace), rest / INTERVAL_NS)
            delayed = np.fft.ifft(shifted).real
            column = np.zeros(samples)
            for k in range(padded):
                if 0 <= whole - LEAD + k < samples:
                    column[whole - LEAD + k] = delayed[k]
            columns.append(column)
    return scipy.sparse.csc_array(np.array(columns).T)


def test_blend_equals_an_explicit_sparse_matrix():
    # Reference: scipy.sparse matrix whose columns are delayed by scipy.ndimage.fourier_shift.
    shots = shots_at([0.1003, 0.2, 0.2511, 0.8, -0.05, 1.55])
    operator = operator_of(shots)
    matrix = explicit_matrix(shots, 400, 60, operator.padded_length)
    rng = np.random.default_rng(1)
    gathers = rng.standard_normal((6, 2, 60))
    record = rng.standard_normal((2, 400))
    for channel in range(2):
        expected = matrix @ gathers[:, channel].ravel()
        np.testing.assert_allclose(operator.blend(gathers)[channel], expected, atol=1e-12)
        expected = (matrix.T @ record[channel]).reshape(6, 60)
        np.testing.assert_allclose(
            operator.pseudo_deblend(record)[:, channel], expected, atol=1e-12
        )


@settings(max_examples=40, derandomize=True, deadline=None)
@given(
    seconds=st.lists(
        st.floats(-0.5, 2.0), min_size=1, max_size=12, unique_by=lambda t: round(t * 1e9)
    ),
    length=st.integers(1, 90),
    double=st.booleans(),
    seed=st.integers(0, 2**16),
)
def test_adjoint_is_exact(seconds, length, double, seed):
    dtype = np.float64 if double else np.float32
    operator = operator_of(shots_at(seconds), length=length, dtype=dtype)
    rng = np.random.default_rng(seed)
    gathers = rng.standard_normal((len(seconds), 3, length)).astype(dtype)
    record = rng.standard_normal((3, 400)).astype(dtype)
    blended = operator.blend(gathers)
    left = np.vdot(blended.astype(np.float64), record)
    right = np.vdot(gathers.astype(np.float64), operator.pseudo_deblend(record))
    scale = np.linalg.norm(gathers) * np.linalg.norm(record)
    assert abs(left - right) <= (1e-12 if double else 1e-6) * scale


def test_eigenvalue_of_pseudo_inverse_times_operator_is_at_most_one():
    rng = np.random.default_rng(4)
    operator = operator_of(shots_at(sorted(rng.uniform(0, 1.5, 40).tolist())))
    assert operator.fold.max() > 8
    assert largest_eigenvalue(operator, iterations=300) <= 1.0001


def test_fold_counts_the_pad():
    operator = operator_of(shots_at([0.4, 0.5]))
    padded = operator.padded_length
    expected = np.zeros(400, dtype=int)
    for first in (100 - LEAD, 125 - LEAD):
        expected[first : first + padded] += 1
    np.testing.assert_array_equal(operator.fold, expected)
    assert padded >= 60 + 32


def test_delay_is_exact_for_a_band_limited_trace():
    # Closed form: a Gaussian-modulated cosine evaluated at the shifted time.
    def pulse(time):
        return np.exp(-(((time - 0.2) / 0.03) ** 2)) * np.cos(2 * np.pi * 30 * (time - 0.2))

    fire = 0.3217654
    operator = operator_of(shots_at([fire]), length=120)
    time = np.arange(120) * 0.004
    record = operator.blend(pulse(time)[None, None])
    expected = pulse(np.arange(400) * 0.004 - fire)
    np.testing.assert_allclose(record[0], expected, atol=1e-6)


def test_misfires_neither_write_nor_read():
    operator = operator_of(shots_at([0.2, 0.3], live=[True, False]))
    gathers = np.ones((2, 1, 60))
    alone = operator.blend(np.stack([gathers[0], np.zeros((1, 60))]))
    np.testing.assert_array_equal(operator.blend(gathers), alone)
    assert not operator.pseudo_deblend(np.ones((1, 400)))[1].any()
    assert operator.fold.max() == 1


def test_shots_outside_the_record_are_cut():
    operator = operator_of(shots_at([-0.1, -5.0, 1.55, 9.0]))
    record = operator.blend(np.ones((4, 1, 60)))
    assert np.isfinite(record).all()
    assert record[0, :10].any()
    assert record[0, -5:].any()
    assert operator.fold.max() == 1


@pytest.mark.parametrize("shape", [(2, 1, 61), (3, 1, 60), (2, 60)])
def test_wrong_shapes_are_refused(shape):
    operator = operator_of(shots_at([0.2, 0.3]))
    with pytest.raises(InputError, match="gathers have shape"):
        operator.blend(np.zeros(shape))
    with pytest.raises(InputError, match="the record has shape"):
        operator.pseudo_deblend(np.zeros((1, 399)))
