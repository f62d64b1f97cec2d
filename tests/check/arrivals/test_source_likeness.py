"""Shots that look like another source."""

from __future__ import annotations

import numpy as np
import pytest

from deblend.check.arrivals.source_likeness import source_likeness

SHOTS, CHANNELS, LENGTH = 40, 3, 50


def line(seed: int, apart: float, disturbance: float = 0.1) -> tuple[np.ndarray, np.ndarray]:
    """Arrivals of three sources, the first two `apart` samples from each other."""
    random = np.random.default_rng(seed)
    source = np.arange(3 * SHOTS) % 3
    at = np.arange(LENGTH) - 20.0 - np.array([0.0, apart, 6.0])[source][:, None]
    pulse = (1.0 - (at / 4.0) ** 2) * np.exp(-((at / 4.0) ** 2) / 2.0)
    arrivals = np.repeat(pulse[:, None, :], CHANNELS, axis=1)
    # Interference is far redder than noise: what the covariance is for.
    rest = np.cumsum(random.standard_normal(arrivals.shape), axis=2)
    rest -= rest.mean(axis=2, keepdims=True)
    return arrivals + disturbance * rest / rest.std(), source


@pytest.mark.parametrize("seed", range(6))
def test_swapped_rows_are_found_and_no_others(seed: int) -> None:
    arrivals, source = line(seed, 0.5, 0.03)
    claimed = source.copy()
    claimed[[30, 31]] = claimed[[31, 30]]
    claimed[62] = 0  # of source 2
    found = source_likeness(arrivals, claimed, np.ones(len(source), bool), 3)
    rows = np.flatnonzero(found.looks_like >= 0)
    assert rows.tolist() == [30, 31, 62]
    assert found.looks_like[rows].tolist() == source[rows].tolist()
    assert found.distinguishable.tolist() == (~np.eye(3, dtype=bool)).tolist()


@pytest.mark.parametrize("seed", range(6))
def test_sources_that_are_alike_are_never_told_apart(seed: int) -> None:
    arrivals, source = line(seed, 0.0, 0.2)
    found = source_likeness(arrivals, source, np.ones(len(source), bool), 3)
    assert (found.looks_like < 0).all()
    assert found.scatter[0, 1] > 0.5
    assert found.scatter[0, 2] < 0.1
    assert found.distinguishable.tolist() == [[0, 0, 1], [0, 0, 1], [1, 1, 0]]


def test_too_few_shots_say_nothing() -> None:
    arrivals, source = line(0, 2.0)
    few = np.zeros(len(source), bool)
    few[:21] = True
    found = source_likeness(arrivals, source, few, 3)
    assert (found.looks_like < 0).all()
    assert np.isnan(found.scatter).all()
    assert not found.distinguishable.any()
