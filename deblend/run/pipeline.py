"""One line from its line file to its results: the whole job, and its parts for a batch queue."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from deblend.deliver.segy import DeliveredFile
from deblend.errors import OutputError
from deblend.line.line_file import LineFile
from deblend.line.open_line import OpenLine, open_line
from deblend.line.prepare_line import count_reasons, plan_line, prepare_line, refuse_refinement
from deblend.model.findings import Finding
from deblend.progress import Progress, Step, silent
from deblend.report.contents import read_contents
from deblend.results.judge import line_limits
from deblend.results.output_folder import DELIVERED, MANIFEST, PAGE, SAMPLES, check_output_folder
from deblend.results.report_extras import read_extras
from deblend.results.truth import truth_of
from deblend.run.block_progress import BlockProgress, samples_of
from deblend.run.delivery import input_paths
from deblend.run.execute import BlockRunner, Machines, count_workers, runner
from deblend.run.finish import is_published, published_results, write_results
from deblend.run.forecast import Forecast, check_space, forecast
from deblend.run.memory import (
    block_budget,
    give_back_freed_memory,
    program_bytes,
    use_one_heap,
    whole_budget,
)
from deblend.run.run_folder import RunFolder, locked
from deblend.run.run_plan import (
    InputFile,
    RunPlan,
    changes,
    input_files,
    read_plan,
    refuse_changed,
    refuse_missing,
    software_versions,
    write_plan,
)
from deblend.run.staging import stage_records
from deblend.run.unfinished import (
    UnfinishedRun,
    open_unfinished,
    separate_and_store_block,
    with_refined_times,
)
from deblend.separation.job import Job
from deblend.separation.plan_blocks import BlockCuts
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


@dataclass(frozen=True)
class RunOptions:
    """How to run, besides what the line file says of the result."""

    overwrite: bool = False
    """Replace the results of an earlier run."""
    restart: bool = False
    """Throw away an unfinished run instead of going on with it."""
    memory_bytes: int | None = None
    """Budget of the whole run; None for that of the line file, or three quarters of what is free.
    """
    machines: Machines | None = None
    """Where to compute; None for what the line file says, or this process."""


def run_line(
    line: LineFile, progress: Progress = silent, *, options: RunOptions | None = None
) -> Outcome:
    """Separate a line and write its results, or go on where an earlier run of it stopped.

    Results appear in the output folder only when all of them are complete. An error or an
    interruption leaves the finished blocks in a folder of unfinished work, and the same call goes
    on from there.

    Parameters
    ----------
    line : LineFile
        From `read_line_file`.
    progress : callable, optional
        Gets each step.
    options : RunOptions, optional
        Memory, machines, what may be replaced.

    Returns
    -------
    Outcome

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
        _new_or_unfinished_run(line, options, machines, progress) as unfinished,
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
        return _finish(unfinished, line, progress, begin)


def prepare_run(
    line: LineFile, progress: Progress = silent, *, options: RunOptions | None = None
) -> int:
    """Plan a run, stage its records and measure what is line-wide; the blocks are left to others.

    Returns
    -------
    int
        Number of blocks; `run_block` takes each of them, from 0.

    Raises and parameters as for `run_line`.
    """
    options = options or RunOptions()
    if not options.restart and is_published(line.output_folder):  # no work to go on with
        options = replace(options, restart=True)
    machines = _available_machines(line, options, progress)
    with (
        _new_or_unfinished_run(line, options, machines, progress) as unfinished,
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
    with _prepared_run(line, shared=True) as unfinished:
        if is_published(line.output_folder):
            raise _finished(line.output_folder)
        if not 0 <= block < unfinished.plan.count:
            raise OutputError(
                f"there is no block {block}",
                where=str(line.output_folder),
                remedy=f"Blocks are numbered from 0 to {unfinished.plan.count - 1}.",
            )
        block_progress = _block_progress(unfinished, [block], progress)
        separate_and_store_block(
            unfinished, block, lambda record: block_progress.on_iteration(block, record)
        )


def finish_run(line: LineFile, progress: Progress = silent) -> Outcome:
    """Deliver a run whose blocks are all finished.

    Raises
    ------
    OutputError
        If blocks are missing, or results cannot be written.
    """
    begin = time.monotonic()
    with _prepared_run(line, shared=False) as unfinished:
        if is_published(line.output_folder):
            return _outcome(
                line, unfinished, published_results(unfinished, line.output_folder), begin
            )
        missing = unfinished.missing_blocks()
        if missing:
            first = ", ".join(str(block) for block in missing[:5])
            raise OutputError(
                f"{len(missing)} of {counted(unfinished.plan.count, 'block')} missing: {first}"
                f"{', ...' if len(missing) > 5 else ''}",
                where=str(line.output_folder),
                remedy="Separate them with --block.",
            )
        return _finish(unfinished, line, progress, begin)


def rebuild_report(
    folder: Path,
    others: Sequence[Path] = (),
    pictures: Path | None = None,
    progress: Progress = silent,
) -> Path:
    """Draw the report of a finished run again, from the samples kept with it.

    Parameters
    ----------
    folder : Path
        Folder of the results.
    others : sequence of Path, optional
        Injections and comparisons to be shown, too; see `read_extras`.
    pictures : Path, optional
        Folder for every figure as a PNG file.
    progress : callable, optional
        Gets the name of each picture, which takes about a second.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    InputError
        If the samples are missing or damaged.
    OutputError
        If the page or a picture cannot be written.
    """
    from deblend.report.figures import write_pictures
    from deblend.report.page import write_report

    path = folder / PAGE
    contents, extras = read_contents(folder / SAMPLES), read_extras(folder, others)
    progress(Step("report", 0, 0, PAGE))
    write_report(contents, path, extras)
    if pictures is not None:
        write_pictures(
            contents, pictures, extras, lambda name: progress(Step("report", 0, 0, name))
        )
    return path


@contextmanager
def _new_or_unfinished_run(
    line: LineFile, options: RunOptions, machines: Machines, progress: Progress
) -> Iterator[UnfinishedRun]:
    """A new run, or the one that was not finished."""
    use_one_heap()
    folder = line.output_folder
    ended = not options.restart and is_published(folder)
    check_output_folder(folder, line.path, overwrite=options.overwrite, published=ended)
    progress(Step("open", 0, 0, "reading headers"))
    stored = RunFolder.of(folder)
    if stored.plan.exists() and not options.restart:
        refuse_missing(read_plan(stored.plan))
    opened = open_line(line)
    job = prepare_line(opened)
    truth_of(opened, job)  # refused before any work, and so are limits
    line_limits(opened)
    with locked(folder) as run_folder:
        plan = None if options.restart else _plan_to_resume(run_folder, opened, job)
        if plan is None:
            # Results that are there were made of something else.
            check_output_folder(folder, line.path, overwrite=options.overwrite)
            progress(Step("open", 0, 0, "planning, and trying how fast this machine is"))
            plan, sentence = _new_plan(opened, job, options, machines)
            run_folder.clear()
            write_plan(plan, run_folder.plan)
            unfinished = UnfinishedRun(run_folder, plan, opened, job)
        else:
            unfinished = UnfinishedRun(run_folder, plan, opened, job)
            sentence = _resume_sentence(unfinished)
        progress(Step("plan", 0, 0, sentence))
        yield unfinished


def _resume_sentence(unfinished: UnfinishedRun) -> str:
    """Where an unfinished run continues, in words."""
    if is_published(unfinished.folder.path.parent):
        return "the results are complete; the work that was left beside them is removed"
    plan = unfinished.plan
    done = plan.count - len(unfinished.missing_blocks())
    return (
        f"going on: {done} of {counted(plan.count, 'block')} finished; "
        f"planned before: {plan.cut}; --restart plans anew"
    )


@contextmanager
def _prepared_run(line: LineFile, *, shared: bool) -> Iterator[UnfinishedRun]:
    use_one_heap()
    folder = line.output_folder
    if not RunFolder.of(folder).plan.exists():
        if (folder / MANIFEST).exists():
            raise _finished(folder)
        raise OutputError(
            "no run has been prepared in this folder",
            where=str(folder),
            remedy="Give the command with --prepare first.",
        )
    with locked(folder, shared=shared) as run_folder:
        plan = read_plan(run_folder.plan)
        refuse_missing(plan)
        unfinished = open_unfinished(run_folder.path)
        unfinished = replace(unfinished, opened=replace(unfinished.opened, line=line))
        refuse_changed(plan, _current_plan(plan, unfinished.opened, unfinished.job), folder)
        yield unfinished


def _finished(folder: Path) -> OutputError:
    return OutputError(
        "the run in this folder is finished",
        where=str(folder),
        remedy="Nothing is left to do; --prepare --overwrite begins anew.",
    )


def _current_plan(plan: RunPlan, opened: OpenLine, job: Job) -> RunPlan:
    """A plan with what is asked now, of what is there now: the same, if nothing changed."""
    return replace(
        plan,
        line_path=str(opened.line.path),
        keys=opened.line.keys,
        settings=job.all_settings,
        versions=software_versions(),
        inputs=_inputs(opened),
    )


def _inputs(opened: OpenLine) -> tuple[InputFile, ...]:
    """Records and tables; of the line file the keys count, and not how they are written."""
    return input_files([path for path in input_paths(opened) if path != opened.line.path])


def _plan_to_resume(run_folder: RunFolder, opened: OpenLine, job: Job) -> RunPlan | None:
    """The plan of the unfinished run; none where nothing of it is worth keeping.

    Raises
    ------
    InputError
        If blocks are finished of something else.
    """
    if not run_folder.plan.exists():
        return None
    plan = read_plan(run_folder.plan)
    now = _current_plan(plan, opened, job)
    if run_folder.any_block_done() and not is_published(run_folder.path.parent):
        refuse_changed(plan, now, run_folder.path.parent)
    return None if changes(plan, now) else plan


def _new_plan(
    opened: OpenLine, job: Job, options: RunOptions, machines: Machines
) -> tuple[RunPlan, str]:
    """How this line would be cut now, and what that takes in a sentence."""
    budget, blocks = _blocks_of(opened, job, options, machines)
    takes = forecast(job, blocks)
    if not RunFolder.of(opened.line.output_folder).any_block_done():
        check_space(takes, opened.line.output_folder)
    row = job.layout.row
    filled = np.flatnonzero(np.where(row >= 0, job.delivered[row], False).any(axis=0))
    spans = [span for span in blocks.spans if np.isin(filled, np.asarray(span)).any()]
    plan = RunPlan(
        line_path=str(opened.line.path),
        keys=opened.line.keys,
        settings=job.all_settings,
        versions=software_versions(),
        inputs=_inputs(opened),
        spans=tuple((span.start, span.stop) for span in spans),
        channels=tuple((part.start, part.stop) for part in blocks.channels),
        block_bytes=blocks.block_bytes,
        memory_bytes=budget,
        started_utc=_utc_now(),
    )
    return plan, takes.sentence + _idle_processes(plan.count, machines)


def _idle_processes(blocks: int, machines: Machines) -> str:
    """What is said of processes that get no block; nothing where each gets one."""
    processes = machines.blocks_at_once
    if processes <= blocks:
        return ""
    return (
        f"; {processes - blocks} of {counted(processes, 'process', 'processes')} without a block: "
        "with their neighbours, more and smaller blocks would take no less time"
    )


def forecast_line(opened: OpenLine, job: Job) -> Forecast:
    """What a run of this line will take on this machine, as it is now.

    Raises
    ------
    SettingsError
        If the memory budget is too small.
    """
    return forecast(job, _blocks_of(opened, job, RunOptions(), machines_of(opened.line))[1])


def _blocks_of(
    opened: OpenLine, job: Job, options: RunOptions, machines: Machines
) -> tuple[int, BlockCuts]:
    """Budget of one process, and the blocks that fit into it."""
    memory_bytes = options.memory_bytes or _memory_of(opened.line)
    refuse_refinement(job, whole_budget(memory_bytes))
    fixed_bytes = program_bytes(opened.geometry)
    budget = block_budget(memory_bytes, machines.blocks_on_one_host, fixed_bytes)
    plan = plan_line(
        job,
        budget,
        machines.blocks_at_once,
        fixed_bytes,
        processes_on_host=machines.blocks_on_one_host,
    )
    return budget, plan


def _staged_run(unfinished: UnfinishedRun, progress: Progress) -> UnfinishedRun:
    """The run with its record in the store, and fire times refined where the line asks for it."""

    def report(done: int, total: int) -> None:
        progress(Step("stage", done, total))

    unfinished.make_estimate_stores()
    stage_records(
        unfinished.job.recording,
        unfinished.folder,
        unfinished.plan.channel_step,
        unfinished.plan.memory_bytes,
        report,
    )
    give_back_freed_memory()
    if unfinished.job.settings.refine_times:
        progress(Step("prepare", 0, 0, "refining the fire times"))
    return with_refined_times(unfinished)


def _measure_line(unfinished: UnfinishedRun, run: BlockRunner, progress: Progress) -> None:
    """The largest coefficient of the line, before any block."""
    if unfinished.folder.reference.exists():
        return
    largest: list[float] = []

    def on_done(block: int, value: float) -> None:
        largest.append(value)
        progress(
            Step("prepare", len(largest), unfinished.plan.count, "strongest arrival of the line")
        )

    progress(Step("prepare", 0, unfinished.plan.count, "strongest arrival of the line"))
    run("reference", range(unfinished.plan.count), on_done, lambda block, record: None)
    unfinished.keep_reference(max(largest))


def _separate(unfinished: UnfinishedRun, run: BlockRunner, progress: Progress) -> None:
    missing = unfinished.missing_blocks()
    block_progress = _block_progress(unfinished, missing, progress)
    run(
        "separate",
        missing,
        lambda block, _: block_progress.on_done(block),
        block_progress.on_iteration,
    )


def _block_progress(
    unfinished: UnfinishedRun, blocks: Sequence[int], progress: Progress
) -> BlockProgress:
    samples = {block: samples_of(unfinished.job, unfinished.plan, block) for block in blocks}
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
        done = unfinished.plan.count - len(unfinished.missing_blocks())
        kept = f"{done} of {counted(unfinished.plan.count, 'block')} finished and kept"
        if is_published(unfinished.folder.path.parent):
            kept = "the results are complete, but some of the work is left beside them"
        raise KeyboardInterrupt(f"{kept}; the same command goes on") from error


def machines_of(line: LineFile) -> Machines:
    """Where the line file says to compute."""
    keys = line.keys.run
    return Machines(keys.processes, keys.scheduler, keys.stalled_after_s)


def _available_machines(line: LineFile, options: RunOptions, progress: Progress) -> Machines:
    """Where this run computes, with the workers that are there now."""
    machines = options.machines or machines_of(line)
    if machines.scheduler is not None:
        progress(Step("open", 0, 0, f"asking the scheduler {machines.scheduler}"))
    return count_workers(machines)


def _memory_of(line: LineFile) -> int | None:
    memory_gb = line.keys.run.memory_gb
    return None if memory_gb is None else round(memory_gb * 1e9)


def _utc_now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
