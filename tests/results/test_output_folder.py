"""The output folder: never overwritten unasked, never half-written."""

from __future__ import annotations

from pathlib import Path

import pytest

from deblend.errors import OutputError
from deblend.results.output_folder import (
    DELIVERED,
    RESULTS,
    UNFINISHED,
    check_output_folder,
    publish,
)
from deblend.run.run_folder import RunFolder, locked


def fill(folder: Path, word: str) -> None:
    for name in RESULTS:
        if name == DELIVERED:
            (folder / name).mkdir()
            (folder / name / "source-1.sgy").write_text(word)
        else:
            (folder / name).write_text(word)


def test_absent_and_empty_folders_will_do(tmp_path: Path) -> None:
    check_output_folder(tmp_path / "absent", tmp_path / "line.toml", overwrite=False)
    (tmp_path / "empty").mkdir()
    check_output_folder(tmp_path / "empty", tmp_path / "line.toml", overwrite=False)


def test_a_full_folder_is_refused(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "thesis.txt").touch()
    for overwrite in (False, True):
        with pytest.raises(OutputError, match=r"out: .*not empty: it holds thesis\.txt"):
            check_output_folder(out, tmp_path / "line.toml", overwrite=overwrite)


def test_earlier_results_need_a_word(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    fill(out, "old")
    with pytest.raises(OutputError, match=r"delivered, findings\.csv.* and 3 more.*--overwrite"):
        check_output_folder(out, tmp_path / "line.toml", overwrite=False)
    check_output_folder(out, tmp_path / "line.toml", overwrite=True)


def test_the_folder_of_the_line_is_no_obstacle(tmp_path: Path) -> None:
    home = tmp_path / "out" / "line"
    home.mkdir(parents=True)
    check_output_folder(tmp_path / "out", home / "line.toml", overwrite=False)
    with pytest.raises(OutputError, match="not empty"):
        check_output_folder(tmp_path / "out", tmp_path / "line.toml", overwrite=False)


def test_a_file_is_no_folder(tmp_path: Path) -> None:
    (tmp_path / "out").touch()
    with pytest.raises(OutputError, match="Not a directory"):
        check_output_folder(tmp_path / "out", tmp_path / "line.toml", overwrite=True)
    with pytest.raises(OutputError, match="cannot be made"), locked(tmp_path / "out"):
        pass


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="no folder that root cannot write")
def test_a_folder_that_nobody_can_write(tmp_path: Path) -> None:
    said = r"/proc/separated/out: the output folder cannot be written .* permissions of /proc"
    with pytest.raises(OutputError, match=said):
        check_output_folder(Path("/proc/separated/out"), tmp_path / "line.toml", overwrite=False)


def test_nothing_stays_behind_an_error_before_there_is_a_plan(tmp_path: Path) -> None:
    out = tmp_path / "a" / "b"

    def interrupted() -> None:
        with locked(out):
            raise KeyboardInterrupt("stop")

    with pytest.raises(KeyboardInterrupt, match="stop"):
        interrupted()
    assert list(tmp_path.iterdir()) == []
    out.mkdir(parents=True)
    with pytest.raises(KeyboardInterrupt, match="stop"):
        interrupted()
    assert list(out.iterdir()) == []


def test_a_second_run_is_refused(tmp_path: Path) -> None:
    with locked(tmp_path):
        for shared in (False, True):
            with (
                pytest.raises(OutputError, match=r"another run is at work .*\(process \d+ on "),
                locked(tmp_path, shared=shared),
            ):
                pass
    with locked(tmp_path, shared=True) as work, locked(tmp_path, shared=True):
        work.plan.touch()
        with pytest.raises(OutputError, match="another run is at work"), locked(tmp_path):
            pass
    with locked(tmp_path):
        pass


def test_new_folders_are_waited_for_where_that_is_allowed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    waited: list[Path] = []

    def wait(path: Path) -> None:
        waited.append(path)
        if path == tmp_path:
            raise PermissionError

    monkeypatch.setattr("deblend.run.run_folder.sync", wait)
    out = tmp_path / "a" / "b"
    with locked(out):
        assert waited == [out / UNFINISHED, out, out.parent, tmp_path]


def test_an_unfinished_run_is_no_obstacle(tmp_path: Path) -> None:
    home = tmp_path / "line.toml"
    out = tmp_path / "out"
    RunFolder.of(out).path.mkdir(parents=True)
    check_output_folder(out, home, overwrite=False)
    (out / RESULTS[1]).touch()  # it was being moved into place
    check_output_folder(out, home, overwrite=False)
    (out / RESULTS[-1]).touch()  # complete
    with pytest.raises(OutputError, match="not empty"):
        check_output_folder(out, home, overwrite=False)


def made(folder: Path, word: str) -> Path:
    work = folder / UNFINISHED
    work.mkdir()
    fill(work, word)
    return work


def test_results_replace_earlier_ones(tmp_path: Path) -> None:
    fill(tmp_path, "old")
    publish(made(tmp_path, "new"), tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([*RESULTS, UNFINISHED])
    assert {(tmp_path / name).read_text() for name in RESULTS if name != DELIVERED} == {"new"}


def test_a_failed_move_restores_what_was_there(tmp_path: Path) -> None:
    fill(tmp_path, "old")
    work = made(tmp_path, "new")
    (work / RESULTS[-1]).unlink()
    with pytest.raises(OutputError, match=r"cannot be moved .*No such file"):
        publish(work, tmp_path)
    assert {(tmp_path / name).read_text() for name in RESULTS if name != DELIVERED} == {"old"}
