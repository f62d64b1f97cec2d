"""A run that is stopped goes on; what is finished is kept; what would be mixed is refused."""

from __future__ import annotations

import errno
import os
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import msgspec
import pytest
from small_line import FAIL, LOOK, PASS, Call, SmallLine, make_small_line

from deblend.errors import OutputError, SettingsError
from deblend.line.line_file import read_line_file
from deblend.line.open_line import open_line
from deblend.line.prepare_line import block_budget, plan_line, prepare_line, refuse_refinement
from deblend.memory import PROGRAM_BYTES
from deblend.report.contents import read_contents
from deblend.results.output_folder import FIRE_TIMES, RESULTS, SAMPLES, UNFINISHED
from deblend.run.run_folder import RunFolder, locked
from deblend.run.run_plan import write_plan
from deblend.run.unfinished import open_unfinished, separate_and_store_block
from deblend.separation.block_progress import BlockProgress
from deblend.separation.loop import IterationRecord
from deblend.separation.plan_blocks import BlockCuts

FOUR_BLOCKS = ("--memory-gb", (PROGRAM_BYTES + 400_000) / 1e9)
pytestmark = pytest.mark.usefixtures("plain_page")


@pytest.fixture
def line(tmp_path: Path) -> SmallLine:
    line = make_small_line(tmp_path / "line")
    # Robust fits look at neighbouring channels: a block of one channel would be all of the line.
    line.rewrite("iterations = 25", "iterations = 2\nrobust = false")
    return line


def results(folder: Path) -> dict[str, bytes]:
    names = ["findings.csv", "delivered/source-1.sgy", "delivered/source-2.sgy"]
    return {name: (folder / name).read_bytes() for name in names}


@pytest.fixture
def whole(line: SmallLine, call: Call) -> dict[str, bytes]:
    """Results of a run that nothing disturbed; the output folder is empty again."""
    assert call("separate", line.line_file, *FOUR_BLOCKS).exit_code == FAIL
    found = results(line.out)
    line.out.rename(line.out.with_name("whole"))
    return found


def fail_at(monkeypatch: pytest.MonkeyPatch, name: str, count: int, error: BaseException) -> None:
    """Let a function raise when it is called for the `count`-th time."""
    import importlib

    module, _, function = name.rpartition(".")
    original = getattr(importlib.import_module(module), function)
    calls = iter(range(1, 10_000))

    def wrapped(*arguments: object, **settings: object) -> object:
        if next(calls) == count:
            raise error
        return original(*arguments, **settings)

    monkeypatch.setattr(name, wrapped)


FULL = OSError(errno.ENOSPC, "No space left on device")


@pytest.mark.parametrize(
    ("where", "count", "error", "said", "kept"),
    [
        (
            "deblend.run.unfinished.measure_block",
            3,
            KeyboardInterrupt(),
            "stopped: 2 of 4 blocks",
            2,
        ),
        ("deblend.run.store.sync", 16, FULL, "working store cannot be written .No space left", 0),
        ("deblend.run.store.sync", 46, FULL, "Make space and give the same command again", 2),
        ("deblend.run.finish.write_maps", 1, FULL, "No space left", 4),
    ],
    ids=["stopped", "full-while-reading", "full-in-a-block", "full-at-the-end"],
)
def test_a_run_goes_on_where_it_stopped(
    line: SmallLine,
    call: Call,
    whole: dict[str, bytes],
    monkeypatch: pytest.MonkeyPatch,
    where: str,
    count: int,
    error: BaseException,
    said: str,
    kept: int,
) -> None:
    with monkeypatch.context() as patch:
        fail_at(patch, where, count, error)
        first = call("separate", line.line_file, *FOUR_BLOCKS)
    assert first.exit_code in (2, 130)
    assert re.search(said, first.stderr), first.stderr
    assert [path.name for path in line.out.iterdir()] == [UNFINISHED]
    unfinished = RunFolder.of(line.out)
    assert sum(unfinished.is_done(block) for block in range(4)) == kept
    # The plan is kept: another budget changes nothing.
    again = call("separate", line.line_file)
    assert again.exit_code == FAIL, again.stderr
    said = f"going on: {kept} of 4 blocks finished; planned before: 4 blocks of 1 channel;"
    assert said in " ".join(again.stderr.split())
    shown = read_contents(line.out / SAMPLES).provenance
    assert shown["separated in"] == "4 blocks of 1 channel"
    assert results(line.out) == whole
    assert sorted(path.name for path in line.out.iterdir()) == sorted(RESULTS)


@pytest.fixture
def begun(line: SmallLine, call: Call, monkeypatch: pytest.MonkeyPatch) -> SmallLine:
    """A line of which two of four blocks are finished."""
    with monkeypatch.context() as patch:
        fail_at(patch, "deblend.run.unfinished.measure_block", 3, KeyboardInterrupt())
        assert call("separate", line.line_file, *FOUR_BLOCKS).exit_code == 130
    return line


def test_records_that_were_read_are_not_read_again(
    line: SmallLine, call: Call, whole: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        fail_at(patch, "deblend.run.pipeline._measure_line", 1, KeyboardInterrupt())
        assert call("separate", line.line_file, *FOUR_BLOCKS).exit_code == 130
    fail_at(monkeypatch, "deblend.run.staging.write_samples", 1, FULL)
    assert call("separate", line.line_file).exit_code == FAIL
    assert results(line.out) == whole


def test_a_block_goes_on_from_its_checkpoint(
    line: SmallLine, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    line.rewrite("iterations = 2\nrobust = false", "iterations = 8")
    monkeypatch.setattr("deblend.run.checkpoints.EVERY_S", 0.0)
    monkeypatch.setattr("deblend.run.checkpoints.LARGEST_SHARE", 1e9)
    assert call("separate", line.line_file).exit_code == PASS
    whole = results(line.out)
    shutil.rmtree(line.out)
    with monkeypatch.context() as patch:
        fail_at(patch, "deblend.run.checkpoints.write_value", 6, KeyboardInterrupt())
        stopped = call("separate", line.line_file)
    assert stopped.exit_code == 130
    said = "0 of 1 block finished and kept, 1 to go on from a checkpoint; the same command goes on"
    assert said in " ".join(stopped.stderr.split())
    told: list[int] = []

    def tell(progress: BlockProgress, block: int, record: IterationRecord) -> None:
        told.append(record.iteration)

    monkeypatch.setattr("deblend.run.pipeline.BlockProgress.on_iteration", tell)
    again = call("separate", line.line_file)
    assert again.exit_code == PASS
    said = "going on: 0 of 1 block finished, 1 to go on from a checkpoint; planned before: one"
    assert said in " ".join(again.stderr.split())
    assert told == [5, 6, 7, 8]
    assert results(line.out) == whole


@pytest.mark.parametrize("when", ["_measure_line", "stage_records"])
def test_a_changed_line_file_is_refused_before_the_first_block_too(
    line: SmallLine, call: Call, monkeypatch: pytest.MonkeyPatch, when: str
) -> None:
    with monkeypatch.context() as patch:
        fail_at(patch, f"deblend.run.pipeline.{when}", 1, KeyboardInterrupt())
        assert call("separate", line.line_file, *FOUR_BLOCKS).exit_code == 130
    other_seed(line)
    refused = call("separate", line.line_file)
    assert refused.exit_code == 2
    assert "separation.seed was 0 and is 7" in " ".join(refused.stderr.split())
    assert call("separate", line.line_file, "--restart").exit_code == FAIL


def stop_while_removing(
    line: SmallLine, call: Call, monkeypatch: pytest.MonkeyPatch, where: tuple[str, int]
) -> None:
    """Stop a run whose results are complete: before it removes its work, or all but the plan."""
    with monkeypatch.context() as patch:
        fail_at(patch, *where, KeyboardInterrupt())
        stopped = call("separate", line.line_file, *FOUR_BLOCKS)
    assert stopped.exit_code == 130
    said = "stopped: the results are complete, but some of the work is left beside them"
    assert said in " ".join(stopped.stderr.split())
    assert sorted(path.name for path in line.out.iterdir()) == sorted([*RESULTS, UNFINISHED])


BEFORE = ("deblend.run.finish._remove_run_folder", 1)
ALL_BUT_PLAN = ("deblend.run.run_folder.sync", 4)  # three wait for the new folders


@pytest.fixture
def published(line: SmallLine, call: Call, monkeypatch: pytest.MonkeyPatch) -> SmallLine:
    """A line whose results are complete and lie beside the work."""
    stop_while_removing(line, call, monkeypatch, BEFORE)
    return line


@pytest.mark.parametrize(
    ("where", "options"),
    [
        (BEFORE, ()),
        (ALL_BUT_PLAN, ()),
        (ALL_BUT_PLAN, ("--overwrite",)),
        (ALL_BUT_PLAN, ("--finish",)),
    ],
)
def test_a_run_that_had_its_results_only_tidies_up(
    line: SmallLine,
    call: Call,
    monkeypatch: pytest.MonkeyPatch,
    where: tuple[str, int],
    options: tuple[str, ...],
) -> None:
    whole = call("separate", line.line_file, *FOUR_BLOCKS)
    files = results(line.out)
    shutil.rmtree(line.out)
    stop_while_removing(line, call, monkeypatch, where)
    fail_at(monkeypatch, "deblend.run.unfinished.separate_channels", 1, AssertionError("once more"))
    again = call("separate", line.line_file, *options)
    assert again.exit_code == whole.exit_code
    assert again.stdout.split(" after ")[0] == whole.stdout.split(" after ")[0]
    assert results(line.out) == files
    assert sorted(path.name for path in line.out.iterdir()) == sorted(RESULTS)
    refused = " ".join(call("separate", line.line_file).stderr.split())
    assert re.search(r"delivered, .* of a run that ended at 20\S+Z\. Name", refused), refused


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--block", 0), "the run in this folder is finished. Nothing is left to do"),
        (("--prepare",), "not empty: it holds delivered,"),
        (("--restart",), "not empty: it holds delivered,"),
    ],
)
def test_results_beside_their_work_are_not_worked_on(
    published: SmallLine, call: Call, options: tuple[object, ...], said: str
) -> None:
    refused = call("separate", published.line_file, *options)
    assert refused.exit_code == 2
    assert said in " ".join(refused.stderr.split())


def test_results_beside_their_work_are_not_taken_for_others(
    published: SmallLine, call: Call
) -> None:
    before = results(published.out)
    other_seed(published)
    refused = call("separate", published.line_file)
    assert refused.exit_code == 2
    assert "not empty: it holds delivered," in refused.stderr
    assert call("separate", published.line_file, "--overwrite").exit_code == FAIL
    assert results(published.out) != before
    assert sorted(path.name for path in published.out.iterdir()) == sorted(RESULTS)


@pytest.mark.parametrize("removal", [RunFolder.clear, RunFolder.remove])
def test_nothing_goes_on_with_what_is_half_removed(
    begun: SmallLine, removal: Callable[[RunFolder], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    unfinished = RunFolder.of(begun.out)
    fail_at(monkeypatch, "shutil.rmtree", 1, KeyboardInterrupt("killed"))
    with pytest.raises(KeyboardInterrupt, match="killed"):
        removal(unfinished)
    assert unfinished.any_block_done()
    assert not unfinished.plan.exists()


def test_a_worker_does_not_write_into_a_run_begun_anew(
    begun: SmallLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    unfinished = open_unfinished(RunFolder.of(begun.out).path)
    stored = begun.out / UNFINISHED / "estimates.zarr"
    before = sorted(stored.rglob("c/*/*/*"))

    def separate(*asked: object) -> object:
        write_plan(replace(unfinished.plan, started_utc="later"), unfinished.folder.plan)
        return None

    monkeypatch.setattr("deblend.run.unfinished.separate_channels", separate)
    with pytest.raises(OutputError, match="the run to which this block belongs was thrown away"):
        separate_and_store_block(unfinished, 3, lambda record: None)
    assert not unfinished.folder.is_done(3)
    assert sorted(stored.rglob("c/*/*/*")) == before


def other_seed(line: SmallLine) -> None:
    line.rewrite("iterations = 2", "iterations = 2\nseed = 7")


def other_record(line: SmallLine) -> None:
    path = line.folder / "records" / "1.sgy"
    content = bytearray(path.read_bytes())
    content[-1] ^= 1
    path.write_bytes(content)


def missing_record(line: SmallLine) -> None:
    (line.folder / "records" / "1.sgy").unlink()


def more_records(line: SmallLine) -> None:
    line.write_records(line.samples, pieces=3)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (other_seed, r"separation\.seed was 0 and is 7"),
        (other_record, r"the content of \S+/1\.sgy changed"),
        (missing_record, r"1\.sgy: an input of the unfinished run is missing.*begin anew with"),
        (more_records, r"\S+/2\.sgy is a new input"),
    ],
)
def test_nothing_is_mixed(
    begun: SmallLine, call: Call, change: Callable[[SmallLine], None], said: str
) -> None:
    change(begun)
    refused = call("separate", begun.line_file)
    assert refused.exit_code == 2
    assert re.search(said, refused.stderr), refused.stderr
    assert "--restart" in refused.stderr
    assert RunFolder.of(begun.out).any_block_done()


def test_what_does_not_change_the_result_is_no_change(
    whole: dict[str, bytes], begun: SmallLine, call: Call
) -> None:
    text = begun.line_file.read_text()
    begun.line_file.write_text(f"# a remark\n{text}[run]\nstalled_after_s = 60.0\n")
    assert call("separate", begun.line_file, "--block", 2).exit_code == 0
    assert call("separate", begun.line_file).exit_code == FAIL
    assert results(begun.out) == whole


def test_a_change_is_said_once(begun: SmallLine, call: Call) -> None:
    begun.rewrite("iterations = 2", "iterations = 3")
    refused = " ".join(call("separate", begun.line_file).stderr.split())
    assert "with something else: separation.iterations was 2 and is 3. Put it back" in refused


def test_a_line_that_was_moved(begun: SmallLine, call: Call) -> None:
    moved = begun.folder.with_name("moved")
    begun.folder.rename(moved)
    refused = call("separate", moved / begun.line_file.name)
    assert refused.exit_code == 2
    said = r"missing.* Put it back where it was"
    assert re.search(said, " ".join(refused.stderr.split())), refused.stderr
    shutil.copytree(moved, begun.folder)
    refused = call("separate", moved / begun.line_file.name)
    said = r"the line file was \S+ and is \S+; \S+/line/shots\.csv is now \S+, and so with 2 more\."
    assert re.search(said, " ".join(refused.stderr.split())), refused.stderr


def test_restart_begins_anew(begun: SmallLine, call: Call) -> None:
    other_seed(begun)
    assert call("separate", begun.line_file, "--restart").exit_code == FAIL
    assert sorted(path.name for path in begun.out.iterdir()) == sorted(RESULTS)


def test_other_software_is_refused(
    begun: SmallLine, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    from deblend.cluster import software_versions

    other = software_versions() | {"numpy": "1.0"}
    monkeypatch.setattr("deblend.run.begin.software_versions", lambda: other)
    refused = call("separate", begun.line_file)
    assert refused.exit_code == 2
    assert re.search(r"version of numpy was \S+ and is 1\.0", refused.stderr)


def test_a_second_run_is_refused(line: SmallLine, call: Call) -> None:
    with locked(line.out) as unfinished:
        unfinished.plan.touch()  # so that the folder stays
        refused = call("separate", line.line_file, "--restart")
        unfinished.plan.unlink()
    assert refused.exit_code == 2
    said = rf"another run is at work in this folder \(process {os.getpid()} on .+\)"
    assert re.search(said, " ".join(refused.stderr.split())), refused.stderr
    assert "Wait for it, or name another output folder" in refused.stderr


def test_blocks_one_by_one_for_a_batch_queue(
    line: SmallLine, call: Call, whole: dict[str, bytes]
) -> None:
    early = call("separate", line.line_file, "--block", 0)
    assert early.exit_code == 2
    assert "Give the command with --prepare first" in early.stderr
    prepared = call("separate", line.line_file, "--prepare", *FOUR_BLOCKS)
    assert prepared.exit_code == 0, prepared.stderr
    assert "--block 0 to --block 3" in prepared.stdout
    for block in (3, 0, 1):
        assert call("separate", line.line_file, "--block", block).exit_code == 0
    missing = call("separate", line.line_file, "--finish")
    assert missing.exit_code == 2
    assert "1 of 4 blocks missing: 2" in missing.stderr
    none = call("separate", line.line_file, "--block", 4)
    assert none.exit_code == 2
    assert "there is no block 4" in none.stderr
    assert call("separate", line.line_file, "--block", 2).exit_code == 0
    assert call("separate", line.line_file, "--finish").exit_code == FAIL
    assert results(line.out) == whole
    again = call("separate", line.line_file, "--finish")
    assert again.exit_code == 2
    assert "the run in this folder is finished. Nothing is left to do" in again.stderr


def test_a_job_that_is_in_the_way_is_named(line: SmallLine) -> None:
    with locked(line.out) as unfinished:
        unfinished.plan.touch()
        (unfinished.path / "lock").write_text("process 1 on another machine\n")
    with locked(line.out, shared=True), locked(line.out, shared=True):
        with pytest.raises(OutputError, match=rf"process {os.getpid()} on"), locked(line.out):
            pass
        unfinished.plan.unlink()


@pytest.mark.slow
def test_refined_times_are_those_of_the_whole_line_in_every_job(
    line: SmallLine, call: Call
) -> None:
    line.rewrite("iterations = 2", "iterations = 25")  # fewer and they are not believed
    line.spoil_times()
    at_once = call("separate", line.line_file, *FOUR_BLOCKS)
    assert at_once.exit_code == LOOK, at_once.stderr
    whole = results(line.out) | times(line.out)
    assert b",true," in whole[FIRE_TIMES]  # or nothing would be shown
    line.out.rename(line.out.with_name("whole"))
    assert call("separate", line.line_file, "--prepare", *FOUR_BLOCKS).exit_code == 0
    for block in (2, 0, 3, 1):
        assert call("separate", line.line_file, "--block", block).exit_code == 0
    finished = call("separate", line.line_file, "--finish")
    assert finished.exit_code == LOOK, finished.stderr
    assert results(line.out) | times(line.out) == whole


def times(folder: Path) -> dict[str, bytes]:
    return {FIRE_TIMES: (folder / FIRE_TIMES).read_bytes()}


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--memory-gb", 0.1), r"budget of 0\.1 GB .* too small .* Give at least 0\.6\d+ GB"),
        (("--memory-gb", (PROGRAM_BYTES + 10_000) / 1e9), r"too small .* Give at least \S+ GB"),
        (("--scheduler", "tcp://127.0.0.1:9"), r"tcp://127\.0\.0\.1:9: no scheduler answers"),
        (("--scheduler", "nonsense://x"), r"nonsense://x: no scheduler answers"),
        (("--prepare", "--finish"), "several of --prepare, --block and --finish are given"),
        (("--processes", 2, "--scheduler", "tcp://127.0.0.1:9"), "both --processes and --sched"),
        (("--finish", "--overwrite"), "--overwrite cannot be given with --finish"),
        (("--block", 0, "--memory-gb", 3), "--memory-gb cannot be given with --block"),
    ],
)
def test_bad_options(
    line: SmallLine,
    call: Call,
    monkeypatch: pytest.MonkeyPatch,
    options: tuple[object, ...],
    said: str,
) -> None:
    monkeypatch.setattr("deblend.cluster.ANSWER_S", 0.5)
    refused = call("separate", line.line_file, *options)
    assert refused.exit_code == 2
    assert re.search(said, " ".join(refused.stderr.split())), refused.stderr
    assert not RunFolder.of(line.out).any_block_done()


def test_processes_without_a_block_are_told(line: SmallLine, call: Call) -> None:
    prepared = call("separate", line.line_file, "--prepare", "--processes", 9, "--memory-gb", 9)
    assert prepared.exit_code == 0, prepared.output
    assert re.search(r"\d of 9 processes without a block", " ".join(prepared.output.split()))


@pytest.mark.parametrize("processes", [1, 2])
def test_the_least_budget_works(line: SmallLine, processes: int) -> None:
    job = prepare_line(open_line(read_line_file(line.line_file)))

    def plan(memory_gb: float) -> BlockCuts:
        budget = block_budget(round(memory_gb * 1e9), processes, PROGRAM_BYTES)
        return plan_line(job, budget, processes, PROGRAM_BYTES, processes_on_host=processes)

    with pytest.raises(SettingsError, match=r"of \S+ GB for \d process.* Give at least") as refused:
        plan(processes * (PROGRAM_BYTES + 1000) / 1e9)
    least_gb = float(str(refused.value).split()[-2])
    assert plan(least_gb).count >= 1
    with pytest.raises(SettingsError, match="too small"):
        plan(least_gb - 0.0001)


def test_a_budget_is_that_of_one_machine(line: SmallLine) -> None:
    job = prepare_line(open_line(read_line_file(line.line_file)))
    with pytest.raises(SettingsError, match=r"of 1\.2 GB for 2 process.* at least 1\.2\d* GB"):
        plan_line(job, 1000, 64, PROGRAM_BYTES, processes_on_host=2)


def test_refined_times_take_channels_of_the_whole_line(line: SmallLine) -> None:
    plain = prepare_line(open_line(read_line_file(line.line_file)))
    job = replace(plain, settings=msgspec.structs.replace(plain.settings, refine_times=True))
    with pytest.raises(SettingsError, match=r"takes 0\.3\d* GB.* Give at least \S+ GB") as refused:
        refuse_refinement(job, PROGRAM_BYTES // 2)
    least_gb = float(re.findall(r"at least (\S+) GB", str(refused.value))[0])
    refuse_refinement(job, round(least_gb * 1e9))
    refuse_refinement(plain, 0)


def test_a_target_below_a_file(line: SmallLine, call: Call) -> None:
    line.rewrite('folder = "separated"', 'folder = "shots.csv/separated"')
    refused = call("separate", line.line_file)
    assert refused.exit_code == 2
    said = r"shots\.csv/separated: the output folder cannot be \w+ \(Not a directory\)"
    assert re.search(said, " ".join(refused.stderr.split())), refused.stderr


def test_a_target_that_cannot_be_written(
    line: SmallLine, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(path: Path, *arguments: object, **settings: object) -> None:
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(Path, "mkdir", refuse)
    refused = call("separate", line.line_file)
    assert refused.exit_code == 2
    assert "the output folder cannot be made (Read-only file system)" in refused.stderr


def later_shots(line: SmallLine) -> None:
    path = line.folder / "shots.csv"
    path.write_text(path.read_text().replace("05:06.4", "05:06.5", 1))


def touched_record(line: SmallLine) -> None:
    (line.folder / "records" / "1.sgy").touch()


def another_line_file(line: SmallLine) -> None:
    line.rewrite("iterations = 2", "iterations = 3")


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (later_shots, "shots.csv"),
        (other_record, "1.sgy"),
        (touched_record, "1.sgy"),
        (another_line_file, "line.toml"),
    ],
)
@pytest.mark.parametrize(
    "when", ["deblend.run.pipeline.stage_records", "deblend.run.finish.write_maps"]
)
def test_an_input_that_changes_during_a_run_is_refused(
    line: SmallLine,
    call: Call,
    monkeypatch: pytest.MonkeyPatch,
    change: Callable[[SmallLine], None],
    named: str,
    when: str,
) -> None:
    import importlib

    module, _, function = when.rpartition(".")
    original = getattr(importlib.import_module(module), function)

    def changed(*arguments: object, **settings: object) -> object:
        found = original(*arguments, **settings)
        change(line)
        return found

    monkeypatch.setattr(when, changed)
    refused = call("separate", line.line_file)
    assert refused.exit_code == 2
    said = rf"{named}: an input was changed while the run was at work"
    assert re.search(said, " ".join(refused.stderr.split())), refused.stderr
    assert not (line.out / "manifest.json").exists()


def a_folder(place: Path, elsewhere: Path) -> None:
    place.mkdir(parents=True)
    (place / "thesis.txt").write_text("years of work")


def a_file(place: Path, elsewhere: Path) -> None:
    place.parent.mkdir(parents=True)
    place.write_text("years of work")


def a_link(place: Path, elsewhere: Path) -> None:
    place.parent.mkdir(parents=True)
    elsewhere.mkdir()
    (elsewhere / "thesis.txt").write_text("years of work")
    place.symlink_to(elsewhere)


def a_folder_of_a_known_name(place: Path, elsewhere: Path) -> None:
    (place / "blocks").mkdir(parents=True)
    (place / "blocks" / "thesis.txt").write_text("years of work")


def a_link_beside_a_lock(place: Path, elsewhere: Path) -> None:
    place.mkdir(parents=True)
    elsewhere.mkdir()
    (elsewhere / "thesis.txt").write_text("years of work")
    (place / "lock").write_text("process 1 on here\n")
    (place / "blocks").symlink_to(elsewhere)


@pytest.mark.parametrize(
    "make", [a_folder, a_file, a_link, a_folder_of_a_known_name, a_link_beside_a_lock]
)
@pytest.mark.parametrize("options", [(), ("--restart",), ("--overwrite",), ("--prepare",)])
def test_what_no_run_left_is_never_removed(
    line: SmallLine,
    call: Call,
    tmp_path: Path,
    make: Callable[[Path, Path], None],
    options: tuple[str, ...],
) -> None:
    make(line.out / UNFINISHED, tmp_path / "elsewhere")
    before = sorted(path for path in tmp_path.rglob("*"))
    refused = call("separate", line.line_file, *options)
    assert refused.exit_code == 2
    assert "which no run of this program has left there" in " ".join(refused.stderr.split())
    assert sorted(path for path in tmp_path.rglob("*")) == before


def test_every_name_of_the_run_folder_is_its_own(begun: SmallLine) -> None:
    RunFolder.of(begun.out).refuse_foreign()
    run_folder = RunFolder(begun.out / "other")
    run_folder.path.mkdir()
    (run_folder.path / "lock").touch()
    names = [name for name, part in vars(RunFolder).items() if isinstance(part, property)]
    for name in names:
        getattr(run_folder, name).touch()
    assert len(names) > 7
    run_folder.refuse_foreign()
