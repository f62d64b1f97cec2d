"""The limits that `benchmarks.quality.floor` sets beside the methods."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.numbers_table import of_floor
from benchmarks.qc.verdict_lines import blended_gathers
from benchmarks.quality.floor import ends_db, support_db


def test_sources_that_are_alike_need_half_the_coefficients_once_rotated() -> None:
    gather = np.random.default_rng(1).standard_normal((24, 1, 60)).astype(np.float32)
    line = blended_gathers("alike", [gather, gather], 0.3, 0)
    plain, rotated = (support_db(line, rotated=rotated) for rotated in (False, True))
    assert rotated["rotated support from the truth 25%"][0] > (
        plain["support from the truth 25%"][0] + 2
    )


def test_ends_are_held_against_the_middle() -> None:
    gather = np.ones((20, 1, 50), np.float32)
    line = blended_gathers("ends", [gather], 0.3, 0)
    estimate = 0.9 * gather
    estimate[[0, -1]] = 0.0
    assert ends_db(line, estimate, 0.0) == pytest.approx(-20, abs=1e-3)


def test_what_was_not_measured_is_a_dash() -> None:
    assert of_floor({"waves, exact_db": [1.0, 2.0]}, "waves", (("exact", "wrong"),)) == "1.5, -"
