"""`deblend inject` on a small line."""

from __future__ import annotations

import errno
import os
import pkgutil
from pathlib import Path

import pytest
from small_line import FAIL, PASS, Call, SmallLine, make_small_line

from deblend.inject.injection import inject_line
from deblend.line.line_file import read_line_file
from deblend.progress import Step
from deblend.qc.injected_rows import read_injected
from deblend.results.output_folder import UNFINISHED
from deblend.separation.learned_floor import LEARNING

MEMORY_BYTES = 1_000_000


def test_the_whole_command(line: SmallLine, call: Call, tmp_path: Path) -> None:
    out = tmp_path / "injected"
    result = call("inject", line.line_file, "--out", out, "--level-db", "-3")
    assert result.exit_code == PASS, result.output
    assert "optimistic" in result.stdout
    assert sorted(path.name for path in out.iterdir()) == [
        "injection-findings.csv",
        "injection-line.txt",
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


@pytest.fixture
def quick(line: SmallLine, monkeypatch: pytest.MonkeyPatch) -> SmallLine:
    monkeypatch.setattr("deblend.report.injection_page.render_injection", lambda *_: "page")
    line.rewrite("iterations = 25", "iterations = 3\nrobust = false")
    return line


def injected(line: SmallLine, out: Path) -> dict[str, bytes]:
    """Inject in two blocks of channels, and leave out the drawing."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("deblend.report.injection_page.render_injection", lambda *_: "page")
        inject_line(read_line_file(line.line_file), out, memory_bytes=MEMORY_BYTES)
    tables = (".csv", ".txt")
    return {path.name: path.read_bytes() for path in out.iterdir() if path.suffix in tables}


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> tuple[SmallLine, dict[str, bytes]]:
    """A line, and what an injection gives that nothing stopped."""
    line = make_small_line(tmp_path_factory.mktemp("undisturbed") / "line")
    line.rewrite("iterations = 25", "iterations = 12\nrobust = false")
    return line, injected(line, line.folder / "whole")


@pytest.mark.parametrize(
    ("where", "count", "done"),
    [
        ("deblend.inject.unfinished.UnfinishedInjection.keep_learned", 1, 0),
        ("deblend.run.checkpoints.write_value", 5, 0),
        ("deblend.inject.unfinished.write_value", 4, 2),
        ("deblend.run.checkpoints.write_value", 40, 3),
        ("deblend.inject.injection.write_text", 1, 6),
        ("deblend.inject.injection.write_text", 2, 6),
    ],
)
def test_an_injection_goes_on_where_it_stopped(
    undisturbed: tuple[SmallLine, dict[str, bytes]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    where: str,
    count: int,
    done: int,
) -> None:
    line, whole = undisturbed
    monkeypatch.setattr("deblend.run.checkpoints.EVERY_S", 0.0)
    monkeypatch.setattr("deblend.run.checkpoints.LARGEST_SHARE", 1e9)
    out = tmp_path / "out"
    with monkeypatch.context() as patch:
        stop_at(patch, where, count)
        with pytest.raises(KeyboardInterrupt, match=f"{done} of 6 blocks .*same command goes on"):
            injected(line, out)
    assert injected(line, out) == whole
    assert sorted(path.name for path in out.iterdir()) == sorted([*whole, "injection.html"])


def test_the_same_command_goes_on(
    quick: SmallLine, call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    asked = ("inject", quick.line_file, "--out", out)
    with monkeypatch.context() as patch:
        stop_at(patch, "deblend.inject.unfinished.write_value", 2)
        stopped = call(*asked)
    assert stopped.exit_code == 130
    said = "stopped: 1 of 3 blocks of the three separations finished and kept; the same command"
    assert said in " ".join(stopped.stderr.split())
    louder = call(*asked, "--level-db", -3)
    assert louder.exit_code == 2
    said = "setting injection.level_db was -6.0 and is -3.0. Put it back as it was to go on, or"
    assert said in " ".join(louder.stderr.split())
    quick.rewrite("iterations = 3", "iterations = 4")
    changed = call(*asked)
    assert changed.exit_code == 2
    assert "separation.iterations was 3 and is 4" in " ".join(changed.stderr.split())
    quick.rewrite("iterations = 4", "iterations = 3")
    again = call(*asked)
    assert again.exit_code == FAIL
    said = "going on: 1 of 3 blocks of the three separations finished; --restart begins anew"
    assert said in " ".join(again.stderr.split())
    full = call(*asked)
    assert full.exit_code == 2
    assert "the folder is not empty" in full.stderr


def test_restart_throws_an_unfinished_injection_away(
    quick: SmallLine, call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    asked = ("inject", quick.line_file, "--out", out)
    with monkeypatch.context() as patch:
        stop_at(patch, "deblend.inject.unfinished.write_value", 2)
        assert call(*asked).exit_code == 130
    begun = call(*asked, "--level-db", -3, "--restart")
    assert begun.exit_code == FAIL
    assert "going on" not in begun.stderr
    assert not (out / UNFINISHED).exists()


def test_a_record_that_changes_during_an_injection_is_refused(
    quick: SmallLine, call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def touch(*arguments: object) -> str:
        (quick.folder / "records" / "1.sgy").touch()
        return ""

    monkeypatch.setattr("deblend.inject.injection.injection_rows", touch)
    monkeypatch.setattr("deblend.inject.injection.injection_findings", touch)
    refused = call("inject", quick.line_file, "--out", tmp_path / "out")
    assert refused.exit_code == 2
    assert "1.sgy: an input was changed while the run" in " ".join(refused.stderr.split())
    assert not (tmp_path / "out" / "injection.csv").exists()


def test_a_foreign_folder_of_that_name_is_left_alone(
    quick: SmallLine, call: Call, tmp_path: Path
) -> None:
    thesis = tmp_path / "out" / UNFINISHED / "thesis.txt"
    thesis.parent.mkdir(parents=True)
    thesis.write_text("years of work")
    refused = call("inject", quick.line_file, "--out", tmp_path / "out", "--restart")
    assert refused.exit_code == 2
    assert "holds thesis.txt, which no run" in " ".join(refused.stderr.split())
    assert thesis.read_text() == "years of work"


def stop_at(monkeypatch: pytest.MonkeyPatch, name: str, count: int) -> None:
    """Stop where a function is called for the `count`-th time."""
    calls = iter(range(1, 10_000))
    original = pkgutil.resolve_name(name)

    def wrapped(*arguments: object, **settings: object) -> object:
        if next(calls) == count:
            raise KeyboardInterrupt
        return original(*arguments, **settings)

    monkeypatch.setattr(name, wrapped)


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
