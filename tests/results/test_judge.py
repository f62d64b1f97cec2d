"""Verdicts of a finished run under other limits, and the exit status that follows."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from deblend.cli.main import main
from deblend.errors import InputError
from deblend.model.findings import Finding, findings_csv
from deblend.qc.limits import default_limits, verdict_row
from deblend.results.judge import judge_folder, read_findings

LIMITS = default_limits()


def folder_of(tmp_path: Path, *findings: Finding) -> Path:
    (tmp_path / "findings.csv").write_text(findings_csv(findings))
    return tmp_path


def leak(value_db: float, *, beyond_chance: bool = True) -> Finding:
    return verdict_row(
        LIMITS,
        "crosstalk",
        value_db,
        "Left.",
        beyond_chance=beyond_chance,
        source=2,
        window_s=(0.5, 1.0),
        band_hz=(4.0, 8.0),
        channel=7,
    )


def call(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["judge", *map(str, arguments)])


def test_what_was_written_is_read_back(tmp_path: Path) -> None:
    rows = [leak(-25.5), Finding("misfires", float("nan"), "shots", "note", 'With "marks", so.')]
    back = read_findings(folder_of(tmp_path, *rows) / "findings.csv")
    assert findings_csv(back) == findings_csv(rows)


@pytest.mark.parametrize(
    ("value_db", "status"), [(-45.0, 0), (-25.0, 1), (-5.0, 3)], ids=["pass", "look", "fail"]
)
def test_exit_status(tmp_path: Path, value_db: float, status: int) -> None:
    assert call(folder_of(tmp_path, leak(value_db))).exit_code == status


def test_chance_stays_chance(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, leak(-5.0, beyond_chance=False))
    assert judge_folder(folder, LIMITS).verdict == "note"


def test_own_limits_change_the_verdict(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, leak(-35.0))
    limits = tmp_path / "limits.toml"
    limits.write_text('[crosstalk]\nlook = -50\nfail = -40\nsource = "contract"\n')
    assert call(folder).exit_code == 0
    result = call(folder, "--limits", limits)
    assert result.exit_code == 3
    assert "verdict: fail" in result.stdout


def test_the_residual_alone_decides_nothing(tmp_path: Path) -> None:
    row = verdict_row(LIMITS, "reblend_residual", 3.0, "Large.", source=1)
    assert row.verdict == "look"
    assert call(folder_of(tmp_path, row)).exit_code == 0


@pytest.mark.parametrize("metric", ["reblend_residual", "reblend_residual_worst_shot"])
def test_a_small_residual_never_passes(tmp_path: Path, metric: str) -> None:
    row = verdict_row(LIMITS, metric, -40.0, "Small.", source=1)
    assert row.verdict == "note"
    folder = folder_of(tmp_path, row)
    assert judge_folder(folder, LIMITS).findings == tuple(read_findings(folder / "findings.csv"))
    stricter = LIMITS | {"reblend_residual": replace(LIMITS["reblend_residual"], look=-50.0)}
    assert judge_folder(folder, stricter).findings[0].verdict == "look"


def test_the_default_limits_can_be_printed() -> None:
    result = call("--show-limits")
    assert result.exit_code == 0
    assert "[crosstalk]" in result.stdout
    assert "no source" in result.stdout


@pytest.mark.parametrize("text", ["", "metric,value\n", None])
def test_no_findings(tmp_path: Path, text: str | None) -> None:
    if text is not None:
        (tmp_path / "findings.csv").write_text(text)
    with pytest.raises(InputError, match=r"findings\.csv.*cannot be read"):
        judge_folder(tmp_path, LIMITS)
    assert call(tmp_path).exit_code == 2
