"""How many tests could not judge, counted by hand."""

from __future__ import annotations

from dataclasses import replace

from deblend.model.findings import Finding
from deblend.qc.limits import default_limits, overall_verdict, verdict_row
from deblend.qc.undecided import undecided_row, with_undecided

LIMITS = default_limits()
WINDOWS = ((0.0, 1.0), (1.0, 2.0))
GOOD = {
    "expected_error": -30.0,
    "signal_removed": 1.0,
    "coherent_removed": -50.0,
    "kept_removed_correlation": 1.0,
    "alike_windows": 0.0,
}
BETWEEN = {"interference_left": 1.0, "crosstalk": -50.0}


def good_line() -> list[Finding]:
    """Two sources, two windows, 2 x 2 x (5 + 2) tests, all within limits."""
    rows = [
        verdict_row(LIMITS, metric, value, "", source=source, window_s=window_s)
        for source in (1, 2)
        for window_s in WINDOWS
        for metric, value in {**GOOD, **BETWEEN}.items()
    ]
    return [
        replace(row, other_source=3 - int(row.source or 0)) if row.metric in BETWEEN else row
        for row in rows
    ]


def test_all_judged() -> None:
    row = undecided_row(good_line(), LIMITS)
    assert (row.value, row.verdict) == (0.0, "pass")
    assert row.message.startswith("0 of 28 tests")


def test_what_lies_within_chance_has_no_signal_or_is_missing_is_counted() -> None:
    rows = good_line()
    chance = verdict_row(
        LIMITS, "crosstalk", -5.0, "", beyond_chance=False, source=1, window_s=WINDOWS[0]
    )
    rows[6] = replace(chance, other_source=2)
    rows[7] = replace(rows[7], value=float("nan"), verdict="note")
    del rows[-1]
    row = undecided_row(rows, LIMITS)
    assert row.value == 100 * 3 / 28
    assert row.message.startswith(
        "3 of 28 tests of sources and windows could not judge: for 1 what chance may do is more "
        "than their limit, 2 had too little signal or too few shots."
    )


def test_a_pass_never_outranks_too_few_tests() -> None:
    rows = good_line()
    half = [replace(row, verdict="note", value=1e9) for row in rows[:15]] + rows[15:]
    row = undecided_row(half, LIMITS)
    assert row.verdict == "look"
    assert overall_verdict([*half, row]) == "look"
    exactly = [replace(row, verdict="note", value=1e9) for row in rows[:14]] + rows[14:]
    assert undecided_row(exactly, LIMITS).verdict == "pass"


def test_sources_of_too_few_shots_count() -> None:
    removed = Finding("energy_removed", -3.0, "dB", "note", "", source=1, window_s=WINDOWS[0])
    row = undecided_row([removed, replace(removed, source=2)], LIMITS)
    assert (row.value, row.verdict) == (100.0, "look")
    assert undecided_row([], LIMITS).verdict == "look"


def test_other_limits_are_counted_again() -> None:
    rows = good_line()
    row = replace(undecided_row(rows, LIMITS), value=99.0)
    assert with_undecided((*rows, row), LIMITS)[-1].value == 0.0
    assert with_undecided(tuple(rows), LIMITS) == tuple(rows)
