"""A run begun, or the unfinished one opened, and what must hold before either."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from deblend.arrays import device_name, is_host
from deblend.cluster import software_versions
from deblend.errors import OutputError
from deblend.line.forecast import check_space, forecast
from deblend.line.line_file import LineFile
from deblend.line.open_line import OpenLine, open_line, wants_expected_error
from deblend.line.prepare_line import cut_line, prepare_line
from deblend.memory import use_one_heap
from deblend.progress import Progress, Step
from deblend.results.deliverable import refuse_undeliverable
from deblend.results.judge import line_limits
from deblend.results.output_folder import MANIFEST, check_output_folder
from deblend.results.truth import truth_of
from deblend.run.delivery import input_paths
from deblend.run.execute import Machines
from deblend.run.finish import is_published
from deblend.run.run_folder import RunFolder, locked
from deblend.run.run_plan import (
    InputFile,
    RunPlan,
    changes,
    input_files,
    read_plan,
    refuse_changed,
    refuse_missing,
    utc_now,
    write_plan,
)
from deblend.run.unfinished import UnfinishedRun, open_unfinished
from deblend.separation.job import Job
from deblend.words import counted


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


@contextmanager
def begin_or_resume(
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
    refuse_undeliverable(opened, job)
    inputs = input_files(input_paths(opened))
    with locked(folder) as run_folder:
        plan = None if options.restart else _plan_to_resume(run_folder, opened, job)
        if plan is None:
            # Results that are there were made of something else.
            check_output_folder(folder, line.path, overwrite=options.overwrite)
            progress(Step("open", 0, 0, "planning, and trying how fast this machine is"))
            plan, sentence = _new_plan(opened, job, options, machines)
            run_folder.clear()
            write_plan(plan, run_folder.plan)
            unfinished = UnfinishedRun(run_folder, plan, opened, job, inputs=inputs)
        else:
            unfinished = UnfinishedRun(run_folder, plan, opened, job, inputs=inputs)
            sentence = _resume_sentence(unfinished)
        progress(Step("plan", 0, 0, sentence))
        yield unfinished


def _resume_sentence(unfinished: UnfinishedRun) -> str:
    """Where an unfinished run continues, in words."""
    if is_published(unfinished.folder.path.parent):
        return "the results are complete; the work that was left beside them is removed"
    return (
        f"going on: {unfinished.finished_so_far()}; planned before: {unfinished.plan.cut}; "
        "--restart plans anew"
    )


@contextmanager
def open_prepared(line: LineFile, *, shared: bool) -> Iterator[UnfinishedRun]:
    """The run that `prepare_run` left; `shared` with other processes, each on its own block."""
    use_one_heap()
    folder = line.output_folder
    if not RunFolder.of(folder).plan.exists():
        if (folder / MANIFEST).exists():
            raise finished_error(folder)
        raise OutputError(
            "no run has been prepared in this folder",
            where=str(folder),
            remedy="Give the command with --prepare first.",
        )
    with locked(folder, shared=shared) as run_folder:
        plan = read_plan(run_folder.plan)
        refuse_missing(plan)
        unfinished = open_unfinished(run_folder.path)
        opened = replace(unfinished.opened, line=line)
        inputs = input_files(input_paths(opened))
        unfinished = replace(unfinished, opened=opened, inputs=inputs)
        refuse_changed(plan, _current_plan(plan, unfinished.opened, unfinished.job), folder)
        yield unfinished


def finished_error(folder: Path) -> OutputError:
    """The error that says of a folder: nothing is left to do in it."""
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
        inputs=plan_inputs(opened),
    )


def plan_inputs(opened: OpenLine) -> tuple[InputFile, ...]:
    """Records and tables; of the line file the keys count, and not how they are written."""
    return input_files([path for path in input_paths(opened) if path != opened.line.path])


def _plan_to_resume(run_folder: RunFolder, opened: OpenLine, job: Job) -> RunPlan | None:
    """The plan of the unfinished run; none where nothing of it is worth keeping.

    Raises
    ------
    InputError
        If it was begun with something else; `restart` throws it away.
    """
    if not run_folder.plan.exists():
        return None
    plan = read_plan(run_folder.plan)
    now = _current_plan(plan, opened, job)
    if not is_published(run_folder.path.parent):
        refuse_changed(plan, now, run_folder.path.parent)
    return None if changes(plan, now) else plan


def _new_plan(
    opened: OpenLine, job: Job, options: RunOptions, machines: Machines
) -> tuple[RunPlan, str]:
    """How this line would be cut now, and what that takes in a sentence."""
    budget, blocks = cut_line(
        opened,
        job,
        options.memory_bytes,
        at_once=machines.blocks_at_once,
        on_one_host=machines.blocks_on_one_host,
    )
    takes = forecast(job, blocks, with_error=wants_expected_error(opened))
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
        inputs=plan_inputs(opened),
        spans=tuple((span.start, span.stop) for span in spans),
        channels=tuple((part.start, part.stop) for part in blocks.channels),
        block_bytes=blocks.block_bytes,
        memory_bytes=budget,
        started_utc=utc_now(),
    )
    where = "" if is_host(job.xp) else f"on the {device_name(job.xp)}; "
    return plan, where + takes.sentence + _idle_processes(plan.count, machines)


def _idle_processes(blocks: int, machines: Machines) -> str:
    """What is said of processes that get no block; nothing where each gets one."""
    processes = machines.blocks_at_once
    if processes <= blocks:
        return ""
    return (
        f"; {processes - blocks} of {counted(processes, 'process', 'processes')} without a block: "
        "with their neighbours, more and smaller blocks would take no less time"
    )
