"""Amplitudes with an expectation, against plain least squares written out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from deblend.check.arrivals.amplitude_fit import (
    FREE,
    Fired,
    UsualArrivals,
    fit_amplitudes,
    independent_energy,
    usual_arrivals,
)

LENGTH, COUNT = 40, 400


def columns(usual: UsualArrivals, fired: Fired) -> NDArray[np.float64]:
    """Arrivals at whole samples of a record of three channels, shape (sample, shot)."""
    out = np.zeros((3, COUNT, len(fired.window)))
    for shot, (at, source) in enumerate(zip(fired.window, fired.source_row, strict=True)):
        out[:, int(at) : int(at) + LENGTH, shot] = usual.form[source]
    return out.reshape(3 * COUNT, -1)


def problem(count: int) -> tuple[UsualArrivals, Fired, NDArray[np.float64]]:
    random = np.random.default_rng(count)
    usual = usual_arrivals(random.standard_normal((2, 3, LENGTH)))
    window = np.sort(random.choice(COUNT - LENGTH, count, replace=False)).astype(np.float64)
    fired = Fired(
        window,
        random.integers(0, 2, count),
        np.ones(count),
        window,
        np.zeros(count),
        random.uniform(0.02, 0.3, count),
    )
    record = columns(usual, fired) @ random.uniform(0.0, 2.0, count)
    return usual, fired, record + 0.3 * random.standard_normal(record.shape)


def cut(record: NDArray[np.float64], fired: Fired) -> NDArray[np.float64]:
    channels = record.reshape(3, COUNT)
    return np.stack([channels[:, int(at) : int(at) + LENGTH] for at in fired.window])


def cost(matrix, record, fired: Fired, energy, amplitude) -> float:
    rest = record - matrix @ amplitude
    return float(rest @ rest + (fired.stiffness * energy * (amplitude - 1.0) ** 2).sum())


@pytest.mark.parametrize("count", [3, 12, 40])
def test_least_squares_with_an_expectation(count: int) -> None:
    usual, fired, record = problem(count)
    matrix, energy = columns(usual, fired), usual.energy[fired.source_row]
    # Rows that hold the amplitudes to 1, as any textbook adds them.
    firm = np.sqrt(fired.stiffness * energy)
    wanted = np.linalg.lstsq(
        np.vstack([matrix, np.diag(firm)]), np.concatenate([record, firm]), rcond=None
    )[0]
    found = fit_amplitudes(cut(record, fired), usual, fired)
    np.testing.assert_allclose(found.fitted, wanted, atol=1e-8)
    # What one shot would be, and gain, without its own expectation: fitted again without it.
    stiffness = fired.stiffness.copy()
    stiffness[1] = FREE
    freed = replace(fired, stiffness=stiffness)
    again = fit_amplitudes(cut(record, fired), usual, freed)
    assert found.alone[1] == pytest.approx(again.fitted[1], abs=1e-3)
    gained = cost(matrix, record, fired, energy, found.fitted)
    gained -= cost(matrix, record, freed, energy, again.fitted)
    assert found.gain[1] * energy[1] == pytest.approx(gained, rel=0.02, abs=1e-2)


def test_what_a_further_arrival_would_explain() -> None:
    usual, fired, record = problem(10)
    matrix, energy = columns(usual, fired), usual.energy[fired.source_row]
    found = fit_amplitudes(cut(record, fired), usual, fired)
    rest = (record - matrix @ found.fitted).reshape(3, COUNT)
    own = independent_energy(usual, fired, COUNT)
    place = int(fired.window[4]) + 3
    matched = float((usual.form[1] * rest[:, place : place + LENGTH]).sum())
    more = Fired(
        np.append(fired.window, place),
        np.append(fired.source_row, 1),
        np.append(fired.expected, 1.0),
        np.append(fired.origin, place),
        np.append(fired.slack, 0.0),
        np.append(fired.stiffness, 0.0),
    )
    with_it = fit_amplitudes(cut(record, more), usual, more)
    explained = cost(matrix, record, fired, energy, found.fitted) - cost(
        columns(usual, more), record, more, usual.energy[more.source_row], with_it.fitted
    )
    assert matched**2 / own[1, place] == pytest.approx(explained, rel=1e-4)
    assert matched / own[1, place] == pytest.approx(with_it.fitted[-1], rel=1e-4)
