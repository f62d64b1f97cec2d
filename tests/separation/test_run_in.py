"""How many shots at either end of a line want a run-in is named."""

from __future__ import annotations

from deblend.separation.job import run_in_finding
from deblend.separation.methods.fk import FkThreshold


def test_half_a_window_of_the_method() -> None:
    (found,) = run_in_finding(FkThreshold(patch=(24, 1, 32)), 200)
    assert (found.metric, found.value, found.unit, found.verdict) == (
        "run_in",
        12.0,
        "shots",
        "note",
    )
    assert "run-out of 12 shots" in found.message


def test_nothing_where_no_shot_is_in_the_middle() -> None:
    assert run_in_finding(FkThreshold(patch=(24, 1, 32)), 24) == []
