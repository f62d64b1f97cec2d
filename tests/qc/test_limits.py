"""Limits and verdicts."""

from __future__ import annotations

from pathlib import Path

import pytest

from deblend.errors import SettingsError
from deblend.model.findings import Finding
from deblend.qc.limits import default_limits, overall_verdict, read_limits, verdict_row


def test_every_default_states_its_source() -> None:
    limits = default_limits()
    assert {"crosstalk", "signal_removed", "nrms"} <= limits.keys()
    assert all(limit.source for limit in limits.values())


NEVER = float("inf")
DEFAULTS: dict[str, tuple[float, float]] = {
    "expected_error": (-15, -8),
    "expected_error_in_window": (-6, 0),
    "undecided_tests": (50, NEVER),
    "crosstalk": (-30, -20),
    "interference_left": (5, 20),
    "signal_removed": (5, 20),
    "coherent_removed": (-20, -10),
    "alike_windows": (10, 50),
    "kept_removed_correlation": (3, NEVER),
    "reblend_residual": (-3, NEVER),
    "injected_amplitude": (80, 50),
    "injected_time_error": (1, 4),
    "injected_elsewhere": (-20, -10),
    "nrms": (30, 70),
    "snr_gain_shortfall": (1.5, 3),
    "time_shift": (2, 5),
    "neighbour_deviation": (8, NEVER),
    "shot_delay": (3, 6),
    "shot_level": (3, NEVER),
    "shot_likeness": (60, 20),
    "channel_delay": (3, NEVER),
    "channel_level": (6, NEVER),
    "channel_likeness": (60, 0),
}
"""Where a look and a failure begin."""


def test_the_defaults_are_all_there() -> None:
    assert DEFAULTS.keys() == default_limits().keys()


@pytest.mark.parametrize("name", DEFAULTS)
def test_every_default_changes_the_verdict_where_it_says(name: str) -> None:
    look, fail = DEFAULTS[name]
    metric = name.removesuffix("_in_window")
    window_s = None if metric == name else (0.0, 1.0)
    worse = 0.1 if fail > look else -0.1
    passes = "note" if metric == "reblend_residual" else "pass"  # proves nothing
    values = {look - worse: passes, look: passes, look + worse: "look"}
    if fail != NEVER:
        values |= {fail - worse: "look", fail: "look", fail + worse: "fail"}
    else:
        values[1e9] = "look"
    for value, verdict in values.items():
        row = verdict_row(default_limits(), metric, value, "", window_s=window_s)
        assert row.verdict == verdict, value
    assert verdict_row(default_limits(), metric, float("nan"), "").verdict == "note"


@pytest.mark.parametrize(("value", "verdict"), [(-8.1, "look"), (-7.9, "fail")])
def test_an_expected_error_fails_by_itself_and_not_by_its_error(value: float, verdict: str) -> None:
    row = verdict_row(default_limits(), "expected_error", value, "", error=2.5)
    assert (row.verdict, row.error) == (verdict, 2.5)


def test_chance_never_fails_and_passes_within_its_limit_only() -> None:
    rows = [
        verdict_row(default_limits(), "crosstalk", value, "", beyond_chance=False)
        for value in (0.0, -60.0)
    ]
    assert [row.verdict for row in rows] == ["note", "pass"]


def test_what_may_lie_on_either_side_of_failure_asks_for_a_look() -> None:
    rows = [
        verdict_row(default_limits(), "crosstalk", -19.0, "", error=error)
        for error in (0.4, 0.6, None)
    ]
    assert [row.verdict for row in rows] == ["fail", "look", "fail"]
    assert rows[1].error == 0.6
    worse_below = verdict_row(default_limits(), "injected_amplitude", 45.0, "", error=3.0)
    assert worse_below.verdict == "look"


def test_own_limits(tmp_path: Path) -> None:
    path = tmp_path / "limits.toml"
    path.write_text('[crosstalk]\nlook = -50\nsource = "contract"\n')
    limits = read_limits(path)
    assert limits["crosstalk"].look == -50.0
    assert limits["crosstalk"].fail == default_limits()["crosstalk"].fail
    assert limits["nrms"] == default_limits()["nrms"]


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ('[crostalk]\nlook = 1\nsource = "x"', "no metric is called 'crostalk'.*'crosstalk'"),
        ("[crosstalk]\nlook = -50", "source is needed"),
        ('[crosstalk]\nlook = "low"\nsource = "x"', "look is 'low'"),
        ('[crosstalk]\nlook = nan\nsource = "x"', "look is nan"),
        ('[crosstalk]\nfail = -60\nsource = "x"', "stricter than look"),
        ('[crosstalk]\nunit = "%"\nsource = "x"', "cannot be changed"),
        ('[crosstalk]\nlock = -50\nsource = "x"', "cannot be used"),
        ("crosstalk = 3", "cannot be used"),
        ("[crosstalk", "no TOML"),
    ],
)
def test_limits_that_cannot_be_used(tmp_path: Path, text: str, match: str) -> None:
    path = tmp_path / "limits.toml"
    path.write_text(text)
    with pytest.raises(SettingsError, match=match):
        read_limits(path)


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="cannot be read"):
        read_limits(tmp_path / "none.toml")


def test_the_residual_alone_decides_nothing() -> None:
    residual = Finding("reblend_residual", 0.0, "dB", "look", "")
    assert overall_verdict([residual]) == "note"
    assert overall_verdict([residual, Finding("crosstalk", -40.0, "dB", "pass", "")]) == "pass"
    assert overall_verdict([residual, Finding("crosstalk", 0.0, "dB", "fail", "")]) == "fail"
    assert overall_verdict([]) == "note"
