"""An unfinished run opened: line, plan, store, and the work on one block of it."""

from __future__ import annotations

import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deblend.errors import OutputError
from deblend.files import write_text
from deblend.qc.measure_plan import MeasurePlan
from deblend.qc.record_samples import SampleCounts
from deblend.run.block_measures import BlockMeasures, measure_block, measure_plan
from deblend.run.open_line import OpenLine, open_line
from deblend.run.prepare_line import prepare_line
from deblend.run.staging import Staged, staged_recording
from deblend.run.store import Shelf, StoredGathers, create_shelf, write_channels
from deblend.run.stored_values import read_value, write_value
from deblend.run.truth import LineTruth, open_line_truth
from deblend.run.work_folder import WorkFolder
from deblend.run.work_plan import WorkPlan, read_plan
from deblend.separation.fire_times import TimeShifts, estimate_shifts, moved
from deblend.separation.job import Job, separate_channels
from deblend.separation.loop import IterationRecord
from deblend.separation.neighbours import SeamEstimates
from deblend.separation.spans import Span, span_of

Tell = Callable[[IterationRecord], None]


@dataclass(frozen=True, eq=False)
class Work:
    """An unfinished run.

    Parameters
    ----------
    folder : WorkFolder
        Where it is.
    plan : WorkPlan
        What is done.
    opened : OpenLine
        The line.
    job : Job
        Its preparation; reads samples from where `opened` does. Fire times as refined.
    shifts : TimeShifts or None
        Errors of the fire times, where they are refined.
    """

    folder: WorkFolder
    plan: WorkPlan
    opened: OpenLine
    job: Job
    shifts: TimeShifts | None = None

    @cached_property
    def measures(self) -> MeasurePlan:
        """What is measured where."""
        return measure_plan(self.job)

    @cached_property
    def truth(self) -> LineTruth | None:
        """The answer, where the line file names it."""
        return truth_of(self.opened, self.job)

    @cached_property
    def staged_job(self) -> Job:
        """The job with its samples in the store."""
        return replace(self.job, recording=staged_recording(self.job.recording, self.folder))

    @cached_property
    def counts(self) -> SampleCounts:
        """Dead channels and unusable samples."""
        staged: Staged = read_value(self.folder.staged)
        return staged.seen.counts(self.job.recording.gaps)

    @cached_property
    def reference(self) -> float:
        """Largest coefficient of the line, as it was measured before the first block."""
        try:
            content = json.loads(self.folder.reference.read_text(encoding="utf-8"))
            return float(content["reference"])
        except (OSError, ValueError, KeyError) as error:
            raise OutputError(
                "the quantities of the whole line have not been measured yet",
                where=str(self.folder.path.parent),
                remedy="Give the command with --prepare first.",
            ) from error

    def keep_reference(self, value: float) -> None:
        """Keep what was measured of the whole line."""
        write_text(self.folder.reference, json.dumps({"reference": value}) + "\n")

    def measured(self, block: int) -> BlockMeasures:
        """What was measured of a finished block."""
        measures: BlockMeasures = read_value(self.folder.done(block))
        return measures

    def missing_blocks(self) -> list[int]:
        """Blocks that are not finished, in order."""
        return [block for block in range(self.plan.count) if not self.folder.is_done(block)]

    def shelves(self, source: int) -> list[Shelf]:
        """Where the estimates of a source are, span by span; a source by its place in the table."""
        return [
            Shelf(self.folder.shelf(span, source), rows)
            for span, rows in enumerate(self._rows_of_spans(source))
        ]

    def estimates(self, source: int, rows: NDArray[np.int64]) -> StoredGathers:
        """Estimates of some rows of the shot table, all of one source."""
        return StoredGathers(self.shelves(source), rows)

    def rows_of(self, source: int) -> NDArray[np.int64]:
        """Delivered shots of a source, as rows of the shot table."""
        shots = self.job.shots
        return np.flatnonzero(self.job.delivered & (shots.source == shots.sources[source]))

    def make_shelves(self) -> None:
        """Empty arrays for all estimates; they are on disk before any of the record is."""
        if self.folder.staged.exists():
            return
        channels = self.job.recording.shape[0]
        step = self.plan.channel_step
        for source in range(len(self.job.shots.sources)):
            for shelf in self.shelves(source):
                if len(shelf.rows):
                    create_shelf(shelf.path, (len(shelf.rows), channels, self.job.length), step)

    def _rows_of_spans(self, source: int) -> list[NDArray[np.int64]]:
        delivered = self.rows_of(source)
        found = []
        for begin, end in self.plan.spans:
            rows = self.job.layout.row[:, begin:end]
            found.append(delivered[np.isin(delivered, rows)])
        return found


def truth_of(opened: OpenLine, job: Job) -> LineTruth | None:
    """The answer of a line, where its file names it.

    Raises
    ------
    InputError
        If it does not fit.
    """
    table = opened.line.keys.truth
    return None if table is None else open_line_truth(opened.line.resolve(table.folder), job)


def open_work(folder: Path) -> Work:
    """Open an unfinished run, as another process does.

    Parameters
    ----------
    folder : Path
        The folder of unfinished work.

    Raises
    ------
    DeblendError
        If plan or input cannot be read.
    """
    work = WorkFolder(folder)
    plan = read_plan(work.plan)
    opened = open_line(plan.line)
    opened_work = Work(work, plan, opened, prepare_line(opened))
    return with_times(opened_work) if work.times.exists() else opened_work


def with_times(work: Work) -> Work:
    """The same with refined fire times, where the line asks for them; estimates them if need be."""
    if not work.job.refine_times:
        return work
    if not work.folder.times.exists():
        write_value(work.folder.times, estimate_shifts(work.staged_job))
    shifts: TimeShifts = read_value(work.folder.times)
    return replace(work, job=moved(work.job, shifts.applied_s), shifts=shifts)


@lru_cache(maxsize=1)
def open_work_once(folder: Path, started_utc: str) -> Work:
    """The same, kept for the next block; a run begun anew has another start."""
    return open_work(folder)


def measure_reference(work: Work, block: int, tell: Tell) -> float:
    """Largest coefficient of one block."""
    span, channels = _span(work, block, shared=True)
    return span.job.reference_of(channels)


def separate_one(work: Work, block: int, tell: Tell) -> None:
    """Separate one block, and mark it as done once all of it is on disk."""
    if work.folder.is_done(block):
        return
    span, channels = _span(work, block)
    job = replace(span.job, measured_reference=work.reference)
    result = separate_channels(job, channels, tell, span.beside)
    _refuse_another_plan(work)
    alive = ~work.counts.dead[channels.start : channels.stop]
    result.estimate[:, ~alive] = 0
    with ThreadPoolExecutor(1) as beside:
        written = beside.submit(_write_estimate, work, block, span, result.estimate)
        measured = measure_block(span, result, alive, work.measures, work.truth)
        written.result()
    if result.beyond:
        parts = tuple(replace(part, rows=span.rows[part.rows]) for part in result.beyond)
        write_value(work.folder.seam(block), SeamEstimates(parts))
    write_value(work.folder.done(block), measured)


def _refuse_another_plan(work: Work) -> None:
    """Refuse to write into a run begun anew: a worker may outlive the run that gave it a block."""
    plan = work.folder.plan
    if not plan.exists() or read_plan(plan).started_utc != work.plan.started_utc:
        raise OutputError(
            "the run to which this block belongs was thrown away",
            where=str(work.folder.path.parent),
            remedy="Nothing has to be done.",
        )


def _write_estimate(work: Work, block: int, span: Span, estimate: NDArray[np.float32]) -> None:
    """Write the estimates of a block and wait until they are on disk."""
    number, channels = work.plan.place(block)
    for source in range(len(work.job.shots.sources)):
        shelf = work.shelves(source)[number]
        if len(shelf.rows):
            here = np.searchsorted(span.rows, shelf.rows)
            write_channels(shelf.path, channels, estimate, here)


def _span(work: Work, block: int, *, shared: bool = False) -> tuple[Span, range]:
    number, channels = work.plan.place(block)
    begin, end = work.plan.spans[number]
    return span_of(work.staged_job, range(begin, end), shared=shared), channels
