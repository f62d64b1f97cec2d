"""Verdicts of a finished run under other limits, and the exit status that follows."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from deblend.cli.main import main
from deblend.deliver.manifest import file_record
from deblend.errors import InputError
from deblend.model.findings import Finding, findings_csv
from deblend.qc.limits import default_limits, verdict_row
from deblend.results.judge import judge_folder, read_findings

LIMITS = default_limits()


def folder_of(tmp_path: Path, *findings: Finding) -> Path:
    (tmp_path / "findings.csv").write_text(findings_csv(findings))
    delivered = tmp_path / "source-1.sgy"
    delivered.write_bytes(b"samples")
    outputs = [
        vars(file_record(path, relative_to=tmp_path))
        for path in (delivered, tmp_path / "findings.csv")
    ]
    (tmp_path / "manifest.json").write_text(json.dumps({"outputs": outputs}))
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


@pytest.mark.parametrize("name", ["manifest.json", "findings.csv", "source-1.sgy"])
@pytest.mark.parametrize("damage", [None, b"", b"samplez", b"{}"])
def test_a_folder_that_is_damaged_is_not_judged(
    tmp_path: Path, name: str, damage: bytes | None
) -> None:
    path = folder_of(tmp_path, leak(-45.0)) / name
    if damage is None:
        path.unlink()
    else:
        path.write_bytes(damage)
    with pytest.raises(InputError, match=rf"{name}: .*(cannot be read|checksum differs)"):
        judge_folder(tmp_path, LIMITS)
    assert call(tmp_path).exit_code == 2


def test_what_looks_is_said_in_ten_lines_with_the_command_that_shows_it(tmp_path: Path) -> None:
    many = [
        replace(leak(-25.0), metric=f"kind_{k}", channel=None, window_s=None) for k in range(12)
    ]
    fails = [leak(-5.0), leak(-8.0)]
    said = call(folder_of(tmp_path, *many, *fails)).stdout.splitlines()
    lines = [line for line in said if "deblend view" in line or "more metrics" in line]
    assert len(lines) == 10
    assert lines[0].startswith("fail  crosstalk, source 2, channel 7, 0.5 to 1 s, 4 to 8 Hz: -5 dB")
    assert lines[0].endswith(
        f"and 1 more; deblend view {tmp_path} --at source=2,channel=7,window_s=0.5%3A1"
    )
    assert lines[1].endswith(f"deblend view {tmp_path} --at source=2")
    assert lines[-1] == f"4 more metrics to look at in {tmp_path}/report.html"
    assert said[-1] == "verdict: fail"


@pytest.mark.parametrize("text", ["", "metric,value\n", None])
def test_no_findings(tmp_path: Path, text: str | None) -> None:
    if text is not None:
        (tmp_path / "findings.csv").write_text(text)
    with pytest.raises(InputError, match=r"findings\.csv.*cannot be read"):
        judge_folder(tmp_path, LIMITS)
    assert call(tmp_path).exit_code == 2
