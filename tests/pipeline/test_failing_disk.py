"""A disk that gets full, or loses power, at any step: the same command goes on."""

from __future__ import annotations

from pathlib import Path

import pytest
from failing_disk import FailingDisk, Fault
from small_line import SmallLine, make_small_line

from deblend.errors import OutputError
from deblend.line.line_file import read_line_file
from deblend.memory import PROGRAM_BYTES
from deblend.report.contents import Contents
from deblend.results.output_folder import RESULTS
from deblend.run.begin import RunOptions
from deblend.run.pipeline import run_line
from deblend.run.run_folder import RunFolder

Results = dict[str, bytes]


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> SmallLine:
    line = make_small_line(tmp_path_factory.mktemp("failing") / "line")
    # Robust fits look at neighbouring channels: a block of one channel would be all of the line.
    line.rewrite("iterations = 25", "iterations = 2\nrobust = false")
    return line


@pytest.fixture(autouse=True)
def plain(plain_page: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """One file after the other, so that a number always means the same step."""
    monkeypatch.setattr("deblend.run.store._WRITERS", 1)


def separate(line: SmallLine, out: Path, *, overwrite: bool = False) -> None:
    options = RunOptions(memory_bytes=PROGRAM_BYTES + 700_000, overwrite=overwrite)
    run_line(read_line_file(line.line_file).with_output(out), options=options)


def results(out: Path) -> Results:
    paths = [out / "findings.csv", *(out / "delivered").iterdir()]
    return {path.name: path.read_bytes() for path in paths}


@pytest.fixture(scope="module")
def whole(line: SmallLine) -> tuple[Results, list[str]]:
    """Results of a run that nothing disturbed, and its steps."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("deblend.run.store._WRITERS", 1)
        patch.setattr("deblend.report.page.write_report", write_plain)
        with FailingDisk(line.folder / "disk").installed() as disk:
            separate(line, disk.folder / "out")
        return results(disk.folder / "out"), disk.steps


def write_plain(contents: Contents, path: Path, extras: object = None) -> None:
    path.write_text(contents.title)


@pytest.mark.parametrize("fault", ["full", "power"])
@pytest.mark.parametrize("part", [0.04, 0.15, 0.3, 0.7, 1.0])
def test_the_same_command_goes_on(
    line: SmallLine,
    whole: tuple[Results, list[str]],
    tmp_path: Path,
    fault: Fault,
    part: float,
) -> None:
    expected, steps = whole
    out = tmp_path / "disk" / "out"
    disk = FailingDisk(out.parent, round(part * len(steps)), fault, seed=round(100 * part))
    with disk.installed(), pytest.raises(OutputError, match=r"No space left|Input/output error"):
        separate(line, out)
    if part < 1.0:  # the last one belongs to the removal of the work
        done = sum("name out/unfinished/blocks/block-" in step for step in steps[: disk.at])
        assert sum(RunFolder.of(out).is_done(block) for block in range(4)) >= done - 1
    separate(line, out)
    assert results(out) == expected
    assert sorted(path.name for path in out.iterdir()) == sorted(RESULTS)
