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


@pytest.mark.parametrize(
    ("metric", "value", "verdict"),
    [
        ("expected_error", -15.1, "pass"),
        ("expected_error", -14.9, "look"),
        ("expected_error", -8.1, "look"),
        ("expected_error", -7.9, "fail"),
        ("crosstalk", -40.0, "pass"),
        ("crosstalk", -25.0, "look"),
        ("crosstalk", -5.0, "fail"),
        ("injected_amplitude", 95.0, "pass"),
        ("injected_amplitude", 70.0, "look"),
        ("injected_amplitude", 20.0, "fail"),
        ("crosstalk", float("nan"), "note"),
    ],
)
def test_verdicts(metric: str, value: float, verdict: str) -> None:
    assert verdict_row(default_limits(), metric, value, "").verdict == verdict


@pytest.mark.parametrize(
    ("value", "verdict"), [(-6.1, "pass"), (-5.9, "look"), (-0.1, "look"), (0.1, "fail")]
)
def test_windows_may_expect_larger_errors_than_the_whole(value: float, verdict: str) -> None:
    row = verdict_row(default_limits(), "expected_error", value, "", window_s=(0.0, 1.0))
    assert row.verdict == verdict


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
