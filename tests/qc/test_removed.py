"""Energy removed by the separation, by hand and by the rule for equal sources."""

from __future__ import annotations

import numpy as np
import pytest
from qc_line import measured_line, small_setup

from deblend.decibels import NOTHING_DB
from deblend.model.shots import make_shots
from deblend.qc.removed import removed_energy, removed_findings

WINDOWS = [(0, 25), (25, 50)]
WINDOWS_S = [(0.0, 0.1), (0.1, 0.2)]
SHOTS = make_shots(np.array([1, 1, 2]), np.arange(3), np.arange(3) * 10**9, "utc")
LINE = measured_line(small_setup(SHOTS, WINDOWS))


def test_by_hand() -> None:
    before = np.full((3, 2, 50), 2.0, np.float32)
    after = np.full((3, 2, 50), 1.0, np.float32)
    after[:, :, 25:] = 2.0
    rows = list(removed_findings(LINE, removed_energy(before, after, WINDOWS)))
    assert [(row.source, row.window_s) for row in rows] == [
        (source, window) for source in (1, 2) for window in WINDOWS_S
    ]
    # (2 - 1)^2 / 2^2 = 1/4: -6.02 dB
    assert rows[0].value == pytest.approx(-6.0206, abs=1e-4)
    assert rows[1].value == NOTHING_DB
    assert {row.verdict for row in rows} == {"note"}


def test_equal_sources_lose_what_the_others_put_in() -> None:
    # K equal overlapping sources: the true gathers hold 1/K of the pseudo-deblended energy.
    random = np.random.default_rng(5)
    own, other = random.standard_normal((2, 3, 40, 50)).astype(np.float32)
    energy = removed_energy(own + other, own, WINDOWS)
    row = next(removed_findings(LINE, energy))
    assert row.value == pytest.approx(10 * np.log10(1 - 1 / 2), abs=0.2)


def test_blocks_add_and_uncounted_shots_do_not() -> None:
    random = np.random.default_rng(6)
    before, after = random.standard_normal((2, 3, 8, 50)).astype(np.float32)
    whole = removed_energy(before, after, WINDOWS)
    parts = removed_energy(before[:, :3], after[:, :3], WINDOWS) + removed_energy(
        before[:, 3:], after[:, 3:], WINDOWS
    )
    np.testing.assert_allclose(parts.removed, whole.removed, rtol=1e-12)
    some = measured_line(small_setup(SHOTS, WINDOWS, np.array([True, True, False])))
    assert {row.source for row in removed_findings(some, whole)} == {1}


def test_dead_channels_take_no_part() -> None:
    random = np.random.default_rng(7)
    before, after = random.standard_normal((2, 3, 8, 50)).astype(np.float32)
    alive = np.array([True] * 6 + [False, True])
    found = removed_energy(before, after, WINDOWS, alive)
    expected = removed_energy(before[:, alive], after[:, alive], WINDOWS)
    np.testing.assert_allclose(found.removed, expected.removed, rtol=1e-6)
    np.testing.assert_allclose(found.pseudo_deblended, expected.pseudo_deblended, rtol=1e-6)
