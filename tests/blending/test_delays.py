"""The compiled operator in single precision against the array form in double precision."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft

from deblend.blending.operator import BlendingOperator, operator_at

INTERVAL_NS = 2_000_000
SECONDS = [0.1003, 0.2, 0.2511, 0.8, -0.05, 1.55, -5.0, 0.3007, 0.9, 0.9004]


def operator_of(length: int, dtype: type, seconds: list[float] | None = None) -> BlendingOperator:
    times = np.array(SECONDS if seconds is None else seconds)
    live = np.ones(len(times), bool)
    live[3:4] = False
    return operator_at(
        np.rint(times * 1e9).astype(np.int64),
        live,
        start_ns=0,
        interval_ns=INTERVAL_NS,
        sample_count=800,
        length=length,
        dtype=dtype,
    )


@pytest.mark.parametrize("length", [1, 13, 43, 49, 93, 193, 300, 593, 1000])
@pytest.mark.parametrize("channels", [1, 2, 5, 17])
def test_compiled_delays_equal_those_of_scipy(length, channels):
    # Reference: the array form, whose transforms are those of scipy.fft in double precision. The
    # padded lengths are odd and even, and some windows lie partly or wholly outside the record.
    rng = np.random.default_rng(length)
    single, double = (operator_of(length, kind) for kind in (np.float32, np.float64))
    gathers = rng.standard_normal((len(SECONDS), channels, length)).astype(np.float32)
    record = rng.standard_normal((channels, 800)).astype(np.float32)
    for name, given in (("blend", gathers), ("pseudo_deblend", record), ("pseudo_inverse", record)):
        found = getattr(single, name)(given)
        expected = getattr(double, name)(given.astype(np.float64))
        assert found.dtype == np.float32
        np.testing.assert_allclose(found, expected, atol=1e-6 * np.abs(expected).max())


def test_lengths_are_odd_and_even():
    lengths = {operator_of(length, np.float32).padded_length for length in (13, 43, 49, 93, 1000)}
    assert lengths == {45, 75, 81, 125, 1080}
    assert all(scipy.fft.next_fast_len(length, real=True) == length for length in lengths)


def test_threads_and_neighbours_change_nothing(monkeypatch):
    rng = np.random.default_rng(0)
    operator = operator_of(100, np.float32)
    gathers = rng.standard_normal((len(SECONDS), 7, 100)).astype(np.float32)
    record = rng.standard_normal((7, 800)).astype(np.float32)
    monkeypatch.setenv("NUMBA_NUM_THREADS", "1")
    blended, cut = operator.blend(gathers), operator.pseudo_inverse(record)
    monkeypatch.setenv("NUMBA_NUM_THREADS", "3")
    assert np.array_equal(operator.blend(gathers), blended)
    assert np.array_equal(operator.pseudo_inverse(record), cut)
    assert np.array_equal(operator.blend(gathers[:, 3:4]), blended[3:4])
    assert np.array_equal(operator.pseudo_inverse(record[3:6]), cut[:, 3:6])


def test_silent_channels_stay_silent():
    rng = np.random.default_rng(1)
    operator = operator_of(100, np.float32)
    gathers = rng.standard_normal((len(SECONDS), 2, 100)).astype(np.float32)
    gathers[:, 1] = 0
    assert not operator.blend(gathers)[1].any()


def test_silent_shots_stay_silent_to_rounding():
    # Two shots share a transform: what is in one must not be seen in the other.
    operator = operator_of(100, np.float32, [0.1003, 0.9004])
    gathers = np.zeros((2, 1, 100), np.float32)
    gathers[0] = np.random.default_rng(1).standard_normal(100)
    record = operator.blend(gathers)[0]
    assert np.abs(record[400:]).max() < 1e-6 * np.abs(record).max()
    assert np.abs(record[:400]).max() == np.abs(record).max()


def test_gathers_that_are_not_contiguous():
    rng = np.random.default_rng(2)
    operator = operator_of(100, np.float32)
    wide = rng.standard_normal((len(SECONDS), 6, 200)).astype(np.float32)
    gathers = wide[:, ::2, ::2]
    assert np.array_equal(operator.blend(gathers), operator.blend(gathers.copy()))


def test_no_live_shot_leaves_nothing():
    operator = operator_at(
        np.array([10**8]), np.array([False]), start_ns=0, interval_ns=INTERVAL_NS,
        sample_count=800, length=50,
    )  # fmt: skip
    assert not operator.blend(np.ones((1, 3, 50), np.float32)).any()
    assert not operator.pseudo_deblend(np.ones((3, 800), np.float32)).any()
