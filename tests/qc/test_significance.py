"""Nulls, their tables, and the rate of false discoveries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from deblend.qc.significance import (
    correlation_null,
    exceeds_null,
    exceeds_symmetric_null,
    flag,
    flag_together,
    mean_above_zero,
)


def test_correlation_null_of_60_hz_half_a_second_and_20_traces() -> None:
    # Worked example: 3 / sqrt(2 * 60 * 0.5 * 20) = 0.0866 (arithmetic of the degrees of freedom).
    assert correlation_null(60.0, 0.5, 20) == pytest.approx(0.0866, abs=5e-5)


def test_correlation_of_white_noise_keeps_to_its_null() -> None:
    random = np.random.default_rng(0)
    # 60 Hz of bandwidth for 0.5 s are 60 independent samples.
    first, second = random.standard_normal((2, 4000, 20, 60))
    r = np.einsum("ntk,ntk->n", first, second) / np.sqrt(
        np.einsum("ntk,ntk->n", first, first) * np.einsum("ntk,ntk->n", second, second)
    )
    assert np.mean(np.abs(r) > correlation_null(60.0, 0.5, 20)) == pytest.approx(0.0027, abs=0.0025)


def test_chances_are_even_under_the_null() -> None:
    random = np.random.default_rng(1)
    energy = random.chisquare(30, (25, 4000))
    products = random.standard_normal((25, 4000))
    for chance in (
        exceeds_null(energy[0], energy[1:]),
        exceeds_symmetric_null(products[0], products[1:]),
        mean_above_zero(products, 0),
    ):
        assert np.mean(chance < 0.05) == pytest.approx(0.05, abs=0.015)
        assert np.mean(chance < 0.5) == pytest.approx(0.5, abs=0.03)


def test_mean_above_zero_is_students_t() -> None:
    sample = np.random.default_rng(2).standard_normal((12, 5)) + 0.3
    expected = stats.ttest_1samp(sample, 0.0, alternative="greater").pvalue
    np.testing.assert_allclose(mean_above_zero(sample, 0), expected, rtol=1e-12)
    sample[3:, 0] = np.nan
    expected = stats.ttest_1samp(sample[:3, 0], 0.0, alternative="greater").pvalue
    assert mean_above_zero(sample, 0)[0] == pytest.approx(expected)


def test_rate_of_false_discoveries() -> None:
    random = np.random.default_rng(3)
    false, found = 0, 0
    for _ in range(200):
        score = random.standard_normal(1000)
        score[:100] += 4.0
        flagged = flag(stats.norm.sf(score))
        false += int(flagged[100:].sum())
        found += int(flagged.sum())
    assert 0.03 < false / found < 0.05  # the procedure keeps to rate times share of true nulls


def test_nothing_tested_is_nothing_flagged() -> None:
    assert not flag(np.full(4, np.nan)).any()
    assert flag(np.array([np.nan, 1e-9])).tolist() == [False, True]


def test_kinds_of_test_share_one_rate() -> None:
    random = np.random.default_rng(4)
    lines = 0
    for _ in range(1000):
        kinds = [random.uniform(size=shape) for shape in ((3, 3, 2), (6,), (3, 2))]
        lines += any(kind.any() for kind in flag_together(kinds))
    assert lines / 1000 == pytest.approx(0.05, abs=0.02)
    shaped = flag_together([np.array([[1e-9, 0.9]]), np.array([np.nan])])
    assert [kind.tolist() for kind in shaped] == [[[True, False]], [False]]
