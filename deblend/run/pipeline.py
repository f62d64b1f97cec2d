"""One line from its line file to its results: the whole job, and its parts for a batch queue."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from deblend.check.verify_samples import verify_line
from deblend.check.words import with_many_as_one
from deblend.deliver.segy import DeliveredFile
from deblend.errors import OutputError
from deblend.files import write_text
from deblend.line.line_file import LineFile
from deblend.line.prepare_line import count_reasons
from deblend.memory import give_back_freed_memory
from deblend.model.findings import Finding, findings_csv
from deblend.progress import Progress, Step, silent
from deblend.qc.expected_error import MEASURING, SEPARATIONS
from deblend.results.output_folder import DELIVERED
from deblend.run.begin import RunOptions, begin_or_resume, finished_error, open_prepared
from deblend.run.execute import BlockRunner, Machines, count_workers, machines_of, runner
from deblend.run.finish import is_published, published_results, write_results
from deblend.run.run_plan import refuse_altered
from deblend.run.staging import forget_damaged_record, stage_records
from deblend.run.unfinished import UnfinishedRun, separate_and_store_block, with_refined_times
from deblend.separation.block_progress import BlockProgress
from deblend.separation.learned_floor import LEARNING, learns_floor
from deblend.separation.loop import IterationRecord
from deblend.words import counted


@dataclass(frozen=True)
class Outcome:
    """What a run left behind."""

    folder: Path
    """Folder of the results."""
    delivered: tuple[DeliveredFile, ...]
    """One SEG-Y file a source; paths as they are now."""
    shots_not_delivered: dict[str, int]
    """Other shots by reason."""
    findings: tuple[Finding, ...]
    """The findings table."""
    elapsed_s: float
    """Wall time of the run in seconds."""


def run_line(
    line: LineFile, progress: Progress = silent, *, options: RunOptions | None = None
) -> Outcome:
    """Separate a line and write its results, or go on where an earlier run of it stopped.

    Results appear in the output folder only when all of them are complete. An error or an
    interruption leaves the finished blocks in a folder of unfinished work, and the same call goes
    on from there.

    Raises
    ------
    OutputError
        If the output folder holds something, another run is at work in it, or results cannot be
        written.
    InputError
        If the line cannot be read or its parts do not fit together, or an unfinished run in the
        folder was begun with something else.
    SeparationError
        If the method breaks its contract.
    ClusterError
        If workers cannot be used.
    """
    options = options or RunOptions()
    begin = time.monotonic()
    machines = _available_machines(line, options, progress)
    with (
        begin_or_resume(line, options, machines, progress) as unfinished,
        _report_what_is_kept(unfinished),
    ):
        if is_published(line.output_folder):
            return _outcome(
                line, unfinished, published_results(unfinished, line.output_folder), begin
            )
        with runner(machines, lambda text: progress(Step("plan", 0, 0, text))) as make_runner:
            unfinished = _staged_run(unfinished, progress)
            run = make_runner(unfinished)
            _measure_line(unfinished, run, progress)
            _separate(unfinished, run, progress)
            _measure_error(unfinished, run, progress)
        return _finish(unfinished, line, progress, begin)


def prepare_run(
    line: LineFile, progress: Progress = silent, *, options: RunOptions | None = None
) -> int:
    """Plan a run, stage its records and measure what is line-wide; the blocks are left to others.

    Gives their number: `run_block` takes each of them, from 0. Raises what `run_line` raises.
    """
    options = options or RunOptions()
    if not options.restart and is_published(line.output_folder):  # no work to go on with
        options = replace(options, restart=True)
    machines = _available_machines(line, options, progress)
    with (
        begin_or_resume(line, options, machines, progress) as unfinished,
        _report_what_is_kept(unfinished),
    ):
        with runner(machines, lambda text: progress(Step("plan", 0, 0, text))) as make_runner:
            unfinished = _staged_run(unfinished, progress)
            _measure_line(unfinished, make_runner(unfinished), progress)
        return unfinished.plan.count


def run_block(line: LineFile, block: int, progress: Progress = silent) -> None:
    """Separate one block of a prepared run; other processes may work on others meanwhile.

    Raises
    ------
    OutputError
        If the run has not been prepared, has no such block, or is at work as a whole.
    """
    with open_prepared(line, shared=True) as unfinished:
        if is_published(line.output_folder):
            raise finished_error(line.output_folder)
        if not 0 <= block < unfinished.plan.count:
            raise OutputError(
                f"there is no block {block}",
                where=str(line.output_folder),
                remedy=f"Blocks are numbered from 0 to {unfinished.plan.count - 1}.",
            )
        unfinished.unmark_lost_blocks([block])
        block_progress = _block_progress(unfinished, [block], progress)
        separate_and_store_block(
            unfinished, block, lambda record: block_progress.on_iteration(block, record)
        )
        if block == _middle_block(unfinished):  # a job of the queue is fitter for it than the last
            with runner(Machines(), lambda text: None) as make_runner:
                _measure_error(unfinished, make_runner(unfinished), progress)


def finish_run(line: LineFile, progress: Progress = silent) -> Outcome:
    """Deliver a run whose blocks are all finished.

    Raises
    ------
    OutputError
        If blocks are missing, or results cannot be written.
    """
    begin = time.monotonic()
    with open_prepared(line, shared=False) as unfinished:
        if is_published(line.output_folder):
            return _outcome(
                line, unfinished, published_results(unfinished, line.output_folder), begin
            )
        lost = unfinished.unmark_lost_blocks(range(unfinished.plan.count))
        missing = unfinished.missing_blocks()
        if missing:
            first = ", ".join(str(block) for block in missing[:5])
            raise OutputError(
                f"{len(missing)} of {counted(unfinished.plan.count, 'block')} missing: {first}"
                f"{', ...' if len(missing) > 5 else ''}"
                f"{f'; {_lost_files(lost)}' if lost else ''}",
                where=str(line.output_folder),
                remedy="Separate them with --block.",
            )
        with runner(Machines(), lambda text: None) as make_runner:
            _measure_error(unfinished, make_runner(unfinished), progress)
        return _finish(unfinished, line, progress, begin)


def _staged_run(unfinished: UnfinishedRun, progress: Progress) -> UnfinishedRun:
    """The run with its record in the store, and fire times refined where the line asks for it."""

    def report(done: int, total: int) -> None:
        progress(Step("stage", done, total))

    unfinished.make_estimate_stores()
    if forget_damaged_record(unfinished.folder):
        said = "the working store lost or holds damaged files of the record: reading it again"
        progress(Step("plan", 0, 0, said))
    stage_records(
        unfinished.job.recording,
        unfinished.folder,
        unfinished.plan.channel_step,
        unfinished.plan.memory_bytes,
        report,
    )
    give_back_freed_memory()
    refuse_altered(unfinished.inputs)
    _verify_samples(unfinished, progress)
    give_back_freed_memory()
    if unfinished.job.settings.refine_times:
        progress(Step("prepare", 0, 0, "refining the fire times"))
    return with_refined_times(unfinished)


def _verify_samples(unfinished: UnfinishedRun, progress: Progress) -> None:
    """Hold the table of shots against the samples before any work is built on it."""
    path = unfinished.folder.verified
    if path.exists():
        return
    progress(Step("prepare", 0, 0, "verifying fire times and shots against the samples"))
    findings = verify_line(unfinished.opened, unfinished.staged_job.recording)
    write_text(path, findings_csv(findings))
    asked = with_many_as_one([one for one in findings if one.verdict in ("look", "fail")])
    for finding in asked:
        progress(Step("plan", 0, 0, f"{finding.verdict}: {finding.message}"))


def _measure_line(unfinished: UnfinishedRun, run: BlockRunner, progress: Progress) -> None:
    """What the whole line must know before any block: strongest arrival, then the noise."""
    if not unfinished.folder.reference.exists():
        _measure_reference(unfinished, run, progress)
    if learns_floor(unfinished.job) and not unfinished.folder.noise_share.exists():
        _learn_floor(unfinished, run, progress)


def _measure_reference(unfinished: UnfinishedRun, run: BlockRunner, progress: Progress) -> None:
    """The largest coefficient of the line."""
    largest: list[float] = []

    def on_done(block: int, value: float) -> None:
        largest.append(value)
        progress(
            Step("prepare", len(largest), unfinished.plan.count, "strongest arrival of the line")
        )

    progress(Step("prepare", 0, unfinished.plan.count, "strongest arrival of the line"))
    run("reference", range(unfinished.plan.count), on_done, lambda block, record: None)
    unfinished.keep_reference(max(largest))


def _learn_floor(unfinished: UnfinishedRun, run: BlockRunner, progress: Progress) -> None:
    """How far thresholds stay above the noise, from the block in the middle."""
    count = unfinished.job.settings.iterations

    def on_iteration(_: int, record: IterationRecord) -> None:
        progress(Step("prepare", record.iteration, count, LEARNING))

    progress(Step("prepare", 0, count, LEARNING))
    run(
        "floor",
        [_middle_block(unfinished)],
        lambda _, learned: unfinished.keep_noise_share(learned),
        on_iteration,
    )


def _separate(unfinished: UnfinishedRun, run: BlockRunner, progress: Progress) -> None:
    if lost := unfinished.unmark_lost_blocks(range(unfinished.plan.count)):
        progress(Step("plan", 0, 0, f"{_lost_files(lost)}; separating again"))
    missing = unfinished.missing_blocks()
    block_progress = _block_progress(unfinished, missing, progress)
    run(
        "separate",
        missing,
        lambda block, _: block_progress.on_done(block),
        block_progress.on_iteration,
    )


def _measure_error(unfinished: UnfinishedRun, run: BlockRunner, progress: Progress) -> None:
    """How large the error is expected to be, from the block in the middle."""
    if not unfinished.error_missing:
        return
    count = SEPARATIONS * unfinished.job.settings.iterations
    done = 0

    def on_iteration(_: int, record: IterationRecord) -> None:
        nonlocal done
        done = min(done + 1, count)  # a robust fit may restart
        progress(Step("judge", done, count, MEASURING))

    progress(Step("judge", 0, count, MEASURING))
    run(
        "error",
        [_middle_block(unfinished)],
        lambda _, trial: unfinished.keep_error_trial(trial),
        on_iteration,
    )


def _middle_block(unfinished: UnfinishedRun) -> int:
    """Whose channels speak for the line."""
    return unfinished.plan.count // 2


def _lost_files(blocks: Sequence[int]) -> str:
    """Blocks that were finished and are to be separated again, in words."""
    first = ", ".join(str(block) for block in blocks[:5])
    return (
        f"the working store lost, or holds damaged, files of "
        f"{counted(len(blocks), 'finished block')}: {first}"
    )


def _block_progress(
    unfinished: UnfinishedRun, blocks: Sequence[int], progress: Progress
) -> BlockProgress:
    samples = {block: unfinished.sample_count(block) for block in blocks}
    return BlockProgress(unfinished.job.settings.iterations, samples, progress)


def _finish(unfinished: UnfinishedRun, line: LineFile, progress: Progress, begin: float) -> Outcome:
    return _outcome(
        line, unfinished, write_results(unfinished, line.output_folder, progress), begin
    )


def _outcome(
    line: LineFile,
    unfinished: UnfinishedRun,
    results: tuple[list[DeliveredFile], tuple[Finding, ...]],
    begin: float,
) -> Outcome:
    folder, (files, findings) = line.output_folder, results
    return Outcome(
        folder=folder,
        delivered=tuple(replace(file, path=folder / DELIVERED / file.path.name) for file in files),
        shots_not_delivered=count_reasons(unfinished.job),
        findings=findings,
        elapsed_s=time.monotonic() - begin,
    )


@contextmanager
def _report_what_is_kept(unfinished: UnfinishedRun) -> Iterator[None]:
    try:
        yield
    except KeyboardInterrupt as error:
        kept = unfinished.finished_so_far("finished and kept")
        if is_published(unfinished.folder.path.parent):
            kept = "the results are complete, but some of the work is left beside them"
        raise KeyboardInterrupt(f"{kept}; the same command goes on") from error


def _available_machines(line: LineFile, options: RunOptions, progress: Progress) -> Machines:
    """Where this run computes, with the workers that are there now."""
    machines = options.machines or machines_of(line)
    if machines.scheduler is not None:
        progress(Step("open", 0, 0, f"asking the scheduler {machines.scheduler}"))
    return count_workers(machines)
