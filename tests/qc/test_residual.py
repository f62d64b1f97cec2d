"""Residual energies: hand-computed values, additivity and what becomes of them in the table."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from qc_line import measured_line, small_setup

from deblend.decibels import decibels
from deblend.model.shots import Shots, make_shots
from deblend.qc.limits import default_limits
from deblend.qc.residual import (
    WORST_SHOTS,
    ResidualEnergy,
    residual_energy,
    residual_findings,
)

LIMITS = default_limits()
WINDOWS = [(0, 10), (10, 30)]


def table(count: int = 3) -> Shots:
    return make_shots(np.arange(count) % 2, 100 + np.arange(count), np.arange(count) * 10**8, "utc")


def test_by_hand() -> None:
    # Two channels of ones, two shots that overlap in samples 20 to 29: each of those samples
    # counts half for either shot.
    record = np.ones((2, 60), np.float32)
    residual = 0.1 * record
    fold = np.ones(60, np.int32)
    fold[20:30] = 2
    energy = residual_energy(residual, record, fold, np.array([0, 20]), WINDOWS)
    np.testing.assert_allclose(energy.record, [[20.0, 2 * (10 + 5)], [10.0, 40.0]])
    np.testing.assert_allclose(energy.residual, 0.01 * energy.record, rtol=1e-6)


def test_shares_add_up_to_the_record() -> None:
    random = np.random.default_rng(1)
    record = random.standard_normal((3, 400)).astype(np.float32)
    first = np.array([-7, 20, 60, 61, 380])
    fold = np.zeros(400, np.int32)
    for start in first:
        fold[max(start, 0) : start + 30] += 1
    record[:, fold == 0] = 0
    energy = residual_energy(record, record, fold, first, WINDOWS)
    assert energy.record.sum() == pytest.approx(np.square(record.astype(float)).sum(), rel=1e-9)


def test_blocks_of_channels_add() -> None:
    random = np.random.default_rng(2)
    record, residual = random.standard_normal((2, 6, 200)).astype(np.float32)
    fold = np.ones(200, np.int32)
    first = np.array([0, 50, 190])
    whole = residual_energy(residual, record, fold, first, WINDOWS)
    parts = residual_energy(residual[:2], record[:2], fold, first, WINDOWS) + residual_energy(
        residual[2:], record[2:], fold, first, WINDOWS
    )
    np.testing.assert_allclose(parts.residual, whole.residual, rtol=1e-12)
    np.testing.assert_allclose(parts.record, whole.record, rtol=1e-12)


def test_shots_outside_the_record_hold_nothing() -> None:
    record = np.ones((1, 100), np.float32)
    energy = residual_energy(record, record, np.ones(100), np.array([-500, 100, 5000]), WINDOWS)
    assert not energy.record.any()


@pytest.mark.parametrize(
    ("part", "whole", "value"), [(1.0, 10.0, -10.0), (5.0, 5.0, 0.0), (0.0, 1.0, -np.inf)]
)
def test_decibels(part: float, whole: float, value: float) -> None:
    assert decibels(part, whole) == value


def test_decibels_of_nothing() -> None:
    assert np.isnan(decibels(1.0, 0.0))


def energies(residual: NDArray[np.float64]) -> list[tuple[str, float, str, int | None]]:
    shots = table(len(residual))
    counted = np.ones(len(residual), bool)
    counted[-1] = False
    energy = ResidualEnergy(residual, np.ones_like(residual))
    rows = residual_findings(measured_line(small_setup(shots, WINDOWS, counted)), energy)
    return [(row.metric, row.value, row.verdict, row.shot_point) for row in rows]


def test_findings() -> None:
    residual = np.full((9, 2), 0.01)
    residual[2] = 0.9
    residual[8] = 5.0  # not counted
    rows = energies(residual)
    summary = [row for row in rows if row[0] == "reblend_residual"]
    assert len(summary) == 4  # two sources, two windows
    assert {verdict for _, _, verdict, _ in rows} == {"note", "look"}
    worst = [row for row in rows if row[0] == "reblend_residual_worst_shot"]
    assert len(worst) == WORST_SHOTS
    assert worst[0][1] == pytest.approx(10 * np.log10(0.9))
    assert worst[0][1] > LIMITS["reblend_residual"].look
    assert worst[0][2:] == ("look", 102)
    assert 108 not in {shot_point for *_, shot_point in worst}


def test_a_silent_record_yields_no_rows() -> None:
    nothing = np.zeros((3, 2))
    energy = ResidualEnergy(nothing, nothing)
    assert not list(residual_findings(measured_line(small_setup(table(), WINDOWS)), energy))
