"""`deblend inject` on a small line."""

from __future__ import annotations

import csv
from pathlib import Path

from small_line import Call, SmallLine


def test_the_whole_command(line: SmallLine, call: Call, tmp_path: Path) -> None:
    out = tmp_path / "injected"
    result = call("inject", line.line_file, "--out", out, "--level-db", "-3")
    assert result.exit_code in (0, 1, 3), result.output
    assert "optimistic" in result.stdout
    assert sorted(path.name for path in out.iterdir()) == [
        "injected-events.csv",
        "injected-findings.csv",
    ]
    with (out / "injected-events.csv").open() as file:
        rows = [row for row in csv.DictReader(file) if row["offsets"] == "all"]
    assert {row["source"] for row in rows} == {"1", "2"}
    # Two sources on clean data: what lies in the band of the data comes back for the most part.
    back = [float(row["amplitude_percent"]) for row in rows if float(row["frequency_hz"]) == 32.0]
    assert sum(back) / len(back) > 50.0
    findings = (out / "injected-findings.csv").read_text()
    assert "injected_elsewhere" in findings
    assert "smoother" in findings
    assert not line.out.exists()


def test_a_source_that_is_not_there(line: SmallLine, call: Call, tmp_path: Path) -> None:
    result = call("inject", line.line_file, "--out", tmp_path / "out", "--one-source", "9")
    assert result.exit_code == 2
    assert "source '9' is none of this line" in result.stderr
