"""The ramp of the threshold: what differs little on the way in differs little on the way out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deblend.separation.transforms.threshold import firm_threshold

STEEPEST = 4.0
"""Of x (x**2 - 1/2), where it ends: 3 * 3/2 - 1/2."""


@settings(derandomize=True, max_examples=60, deadline=None)
@given(st.integers(0, 1000), st.floats(1e-6, 1.0), st.floats(0.1, 10.0))
def test_a_small_change_stays_small(seed: int, change: float, threshold: float) -> None:
    rng = np.random.default_rng(seed)
    both = rng.standard_normal((2, 1, 1, 400, 1)) + 1j * rng.standard_normal((2, 1, 1, 400, 1))
    one, other = both[0] * 2 * threshold, (both[0] + change * both[1]) * 2 * threshold
    level = np.full((1, 1), threshold)
    apart = np.abs(firm_threshold(one, level, np) - firm_threshold(other, level, np))
    assert np.all(apart <= STEEPEST * np.abs(one - other) * (1 + 1e-9))


def test_what_is_kept_by_power() -> None:
    power = np.array([0.49, 0.5, 0.75, 1.0, 1.25, 1.5, 9.0])
    spectrum = (2.0 * np.sqrt(power) * np.exp(1j * np.arange(7)))[None, None, :, None]
    kept = firm_threshold(spectrum, np.full((1, 1), 2.0), np)
    parts = np.array([0, 0, 0.25, 0.5, 0.75, 1, 1])[:, None]
    np.testing.assert_allclose(kept, spectrum * parts, atol=1e-12)


@pytest.mark.parametrize("threshold", [0.0, 1e-20])
def test_next_to_no_threshold_keeps_everything_but_silence(threshold: float) -> None:
    spectrum = np.array([0, 1e-6, 1])[None, None, :, None].astype(np.complex64)
    kept = firm_threshold(spectrum, np.full((1, 1), threshold, np.float32), np)
    np.testing.assert_array_equal(kept, spectrum)
