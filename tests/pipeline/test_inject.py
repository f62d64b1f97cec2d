"""`deblend inject` on a small line."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest
from small_line import Call, SmallLine

from deblend.inject.injection import inject_line
from deblend.line.line_file import read_line_file
from deblend.progress import Step
from deblend.qc.injected_rows import read_injected
from deblend.separation.learned_floor import LEARNING


def test_the_whole_command(line: SmallLine, call: Call, tmp_path: Path) -> None:
    out = tmp_path / "injected"
    result = call("inject", line.line_file, "--out", out, "--level-db", "-3")
    assert result.exit_code in (0, 1, 3), result.output
    assert "optimistic" in result.stdout
    assert sorted(path.name for path in out.iterdir()) == [
        "injection-findings.csv",
        "injection.csv",
        "injection.html",
    ]
    rows = read_injected(out / "injection.csv")
    assert {(row.put_into, row.source) for row in rows} == {("all", "1"), ("all", "2"), ("1", "2")}
    whole = [row for row in rows if row.offsets == "all"]
    # Two sources on clean data: what lies in the band of the data comes back for the most part,
    # and what went into one source alone does not appear in the other.
    back, elsewhere = (
        [r.amplitude_percent for r in whole if r.frequency_hz == 32.0 and r.put_into == into]
        for into in ("all", "1")
    )
    assert sum(back) / len(back) > 50.0
    assert abs(sum(elsewhere) / len(elsewhere)) < 10.0
    page = (out / "injection.html").read_text()
    assert "optimistic" in page
    assert page.count("data:image/png") == 3
    findings = (out / "injection-findings.csv").read_text()
    assert "injected_elsewhere" in findings
    assert "smoother" in findings
    assert not line.out.exists()


def test_every_iteration_is_told(line: SmallLine, tmp_path: Path) -> None:
    line.rewrite("iterations = 25", "iterations = 12")
    every: list[Step] = []
    inject_line(read_line_file(line.line_file), tmp_path / "out", every.append)
    assert [step.done for step in every if step.note == LEARNING] == list(range(1, 13))
    steps = [step for step in every if step.note != LEARNING]
    notes = [step.note.rpartition(", ")[0] for step in steps if "after iteration" in step.note]
    names = ("as recorded", "events in all sources", "events in source 1")
    assert list(dict.fromkeys(notes)) == [f"{name}, block 1 of 1" for name in names]
    assert len(steps) >= 3 * (12 + 1)
    parts = [step.done / step.total for step in steps]
    assert parts == sorted(parts)
    assert parts[-1] == pytest.approx(1)
    assert any("looking for outliers" in step.note for step in steps)


def test_a_folder_that_holds_something_is_left_alone(
    line: SmallLine, call: Call, tmp_path: Path
) -> None:
    (tmp_path / "injection.csv").write_text("of another line")
    result = call("inject", line.line_file, "--out", tmp_path)
    assert result.exit_code == 2
    assert "the folder is not empty" in result.stderr
    assert (tmp_path / "injection.csv").read_text() == "of another line"


def test_a_disk_without_room_for_the_estimate(
    line: SmallLine, call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(handle: int, begin: int, size: int) -> None:
        assert size >= 4 * 40 * 4 * 160  # shots, channels, samples
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "posix_fallocate", full)
    result = call("inject", line.line_file, "--out", tmp_path / "out")
    assert result.exit_code == 2
    said = "there is no room for 0.0001 GB beside the results (No space left on device). Make space"
    assert said in " ".join(result.stderr.split())
    assert not (tmp_path / "out").exists()


def test_a_source_that_is_not_there(line: SmallLine, call: Call, tmp_path: Path) -> None:
    result = call("inject", line.line_file, "--out", tmp_path / "out", "--one-source", "9")
    assert result.exit_code == 2
    assert "source '9' is none of this line" in result.stderr


@pytest.mark.parametrize("level", ["6000", "-300", "nan"])
def test_a_level_that_is_no_use(line: SmallLine, call: Call, tmp_path: Path, level: str) -> None:
    result = call("inject", line.line_file, "--out", tmp_path / "out", "--level-db", level)
    assert result.exit_code == 2
    assert "Give a level from -100 to 40 dB" in result.stderr
    assert not (tmp_path / "out").exists()
