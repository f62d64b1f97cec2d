"""An unfinished run opened: line, plan, store, and the work on one block of it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError, OutputError
from deblend.files import write_text
from deblend.line.open_line import OpenLine, open_line, wants_expected_error
from deblend.line.prepare_line import prepare_line
from deblend.model.findings import Finding
from deblend.qc.expected_error import ErrorTrial, try_errors
from deblend.qc.measure_setup import MeasureSetup
from deblend.qc.metrics import BlockMeasures, measure_block, setup_of
from deblend.qc.record_samples import SampleCounts
from deblend.qc.scores import LineTruth
from deblend.results.truth import truth_of
from deblend.run.checkpoints import FileCheckpoints
from deblend.run.run_folder import RunFolder
from deblend.run.run_plan import InputFile, RunPlan, read_plan
from deblend.run.staging import Staged, staged_recording
from deblend.run.store import (
    EstimateStore,
    StoredGathers,
    create_estimate_store,
    is_whole,
    write_channels,
)
from deblend.run.stored_values import read_value, write_value
from deblend.separation.amplitudes import PossibleSamples, impossible_findings
from deblend.separation.fire_times import TimeShifts, estimate_shifts, with_shifted_times
from deblend.separation.job import Job, separate_channels, with_usual_amplitudes
from deblend.separation.learned_floor import (
    LearnedFloor,
    learn_noise_share,
    learns_floor,
)
from deblend.separation.loop import IterationRecord
from deblend.separation.neighbours import SeamEstimates
from deblend.separation.spans import Span, span_of
from deblend.separation.unblended import nothing_blended
from deblend.words import counted

OnIteration = Callable[[IterationRecord], None]


@dataclass(frozen=True, eq=False)
class UnfinishedRun:
    """An unfinished run."""

    folder: RunFolder
    """Where it is."""
    plan: RunPlan
    """What is done."""
    opened: OpenLine
    """The line."""
    job: Job
    """Its preparation; reads samples from where `opened` does. Fire times as refined."""
    shifts: TimeShifts | None = None
    """Errors of the fire times, where they are refined."""
    inputs: tuple[InputFile, ...] = ()
    """What this process opened, as it was then: line file, tables, records."""

    @cached_property
    def measures(self) -> MeasureSetup:
        """What is measured where."""
        return setup_of(self.job)

    @cached_property
    def truth(self) -> LineTruth | None:
        """The answer, where the line file names it."""
        return truth_of(self.opened, self.job)

    @cached_property
    def staged_job(self) -> Job:
        """The job with its samples in the store, those left out that cannot be real."""
        recording = staged_recording(self.job.recording, self.folder)
        return with_usual_amplitudes(replace(self.job, recording=recording))

    def impossible_samples(self) -> list[Finding]:
        """Samples that cannot be real, of the channels that hold any."""
        staged: Staged = read_value(self.folder.staged)
        recording = self.staged_job.recording
        if isinstance(recording.source, PossibleSamples):
            peak = np.maximum(staged.seen.high, -staged.seen.low)
            for row in np.flatnonzero(peak > recording.source.largest).tolist():
                recording.read([row], 0, recording.shape[1])
        return impossible_findings(recording)

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

    @cached_property
    def noise_share(self) -> NDArray[np.float32] | float:
        """How far thresholds stay above the noise; learned before the first block."""
        if not learns_floor(self.job):
            return self.job.noise_share
        learned: LearnedFloor = read_value(self.folder.noise_share)
        return learned.noise_share

    def keep_noise_share(self, learned: LearnedFloor) -> None:
        """Keep what was learned of the noise."""
        write_value(self.folder.noise_share, learned)

    @property
    def error_missing(self) -> bool:
        """Whether the expected error is wanted and has not been measured."""
        return self.error_wanted and not self.folder.error_trial.exists()

    @property
    def error_wanted(self) -> bool:
        """Whether trial separations are to be made: not where there is nothing to separate."""
        return wants_expected_error(self.opened) and not nothing_blended(self.job.operator)

    @property
    def error_trial(self) -> ErrorTrial | None:
        """What trial separations show of the error; None where none was wanted."""
        if not self.error_wanted:
            return None
        trial: ErrorTrial = read_value(self.folder.error_trial)
        return trial

    def keep_error_trial(self, trial: ErrorTrial) -> None:
        """Keep what trial separations show."""
        write_value(self.folder.error_trial, trial)

    def measured(self, block: int) -> BlockMeasures:
        """What was measured of a finished block."""
        measures: BlockMeasures = read_value(self.folder.done(block))
        return measures

    def sample_count(self, block: int) -> int:
        """Samples of the gathers of a block, without its neighbours."""
        span, channels = self.plan.place(block)
        begin, end = self.plan.spans[span]
        shots = int((self.job.layout.row[:, begin:end] >= 0).sum())
        return shots * len(channels) * self.job.length

    def missing_blocks(self) -> list[int]:
        """Blocks that are not finished, in order."""
        return [block for block in range(self.plan.count) if not self.folder.is_done(block)]

    def finished_so_far(self, word: str = "finished") -> str:
        """How many blocks are finished, and begun, in words."""
        missing = self.missing_blocks()
        begun = sum(self.folder.checkpoint(block).exists() for block in missing)
        return (
            f"{self.plan.count - len(missing)} of {counted(self.plan.count, 'block')} {word}"
            f"{f', {begun} to go on from a checkpoint' if begun else ''}"
        )

    def unmark_lost_blocks(self, blocks: Iterable[int]) -> list[int]:
        """Finished blocks whose files are lost or damaged; they count as finished no more."""
        lost = []
        for block in blocks:
            if self.folder.is_done(block) and not self._holds(block):
                self.folder.done(block).unlink()
                lost.append(block)
        return lost

    def _holds(self, block: int) -> bool:
        """Whether all files of a finished block are there and undamaged."""
        try:
            self.measured(block)
        except InputError:
            return False
        span, channels = self.plan.place(block)
        stores = (
            self.estimate_stores(source)[span] for source in range(len(self.job.shots.sources))
        )
        return all(is_whole(store.path, None, channels) for store in stores if len(store.rows))

    def estimate_stores(self, source: int) -> list[EstimateStore]:
        """Where the estimates of a source are, span by span; a source by its place in the table."""
        return [
            EstimateStore(self.folder.estimate_store(span, source), rows)
            for span, rows in enumerate(self._rows_of_spans(source))
        ]

    def estimates(self, source: int, rows: NDArray[np.int64]) -> StoredGathers:
        """Estimates of some rows of the shot table, all of one source."""
        return StoredGathers(self.estimate_stores(source), rows)

    def rows_of(self, source: int) -> NDArray[np.int64]:
        """Delivered shots of a source, as rows of the shot table."""
        shots = self.job.shots
        return np.flatnonzero(self.job.delivered & (shots.source == shots.sources[source]))

    def make_estimate_stores(self) -> None:
        """Empty arrays for all estimates; they are on disk before any of the record is."""
        if self.folder.staged.exists():
            return
        channels = self.job.recording.shape[0]
        step = self.plan.channel_step
        for source in range(len(self.job.shots.sources)):
            for store in self.estimate_stores(source):
                if len(store.rows):
                    create_estimate_store(
                        store.path, (len(store.rows), channels, self.job.length), step
                    )

    def _rows_of_spans(self, source: int) -> list[NDArray[np.int64]]:
        delivered = self.rows_of(source)
        found = []
        for begin, end in self.plan.spans:
            rows = self.job.layout.row[:, begin:end]
            found.append(delivered[np.isin(delivered, rows)])
        return found


def open_unfinished(folder: Path) -> UnfinishedRun:
    """Open an unfinished run, as another process does.

    Raises
    ------
    DeblendError
        If plan or input cannot be read.
    """
    run_folder = RunFolder(folder)
    plan = read_plan(run_folder.plan)
    opened = open_line(plan.line)
    unfinished = UnfinishedRun(run_folder, plan, opened, prepare_line(opened))
    return with_refined_times(unfinished) if run_folder.times.exists() else unfinished


def with_refined_times(unfinished: UnfinishedRun) -> UnfinishedRun:
    """The run with refined fire times, where the line asks for them; estimates them if need be."""
    if not unfinished.job.settings.refine_times:
        return unfinished
    if not unfinished.folder.times.exists():
        write_value(unfinished.folder.times, estimate_shifts(unfinished.staged_job))
    shifts: TimeShifts = read_value(unfinished.folder.times)
    return replace(
        unfinished, job=with_shifted_times(unfinished.job, shifts.applied_s), shifts=shifts
    )


@lru_cache(maxsize=1)
def cached_unfinished_run(folder: Path, started_utc: str) -> UnfinishedRun:
    """The run opened before, for its next block; a restarted run has another start."""
    return open_unfinished(folder)


def measure_reference(unfinished: UnfinishedRun, block: int, on_iteration: OnIteration) -> float:
    """Largest coefficient of one block."""
    span, channels = _span(unfinished, block, shared=True)
    return span.job.reference_of(channels)


def learn_floor(unfinished: UnfinishedRun, block: int, on_iteration: OnIteration) -> LearnedFloor:
    """How far thresholds stay above the noise, by channels of one block."""
    span, channels = _span(unfinished, block)
    job = replace(span.job, measured_reference=unfinished.reference)
    return LearnedFloor(learn_noise_share(job, channels, on_iteration))


def measure_error(unfinished: UnfinishedRun, block: int, on_iteration: OnIteration) -> ErrorTrial:
    """What trial separations of channels of one block show of the error."""
    span, channels = _span(unfinished, block)
    job = replace(
        span.job,
        measured_reference=unfinished.reference,
        noise_share=unfinished.noise_share,
    )
    return try_errors(job, channels, on_iteration)


def separate_and_store_block(
    unfinished: UnfinishedRun, block: int, on_iteration: OnIteration
) -> None:
    """Separate one block, and mark it as done once all of it is on disk."""
    if unfinished.folder.is_done(block):
        return
    span, channels = _span(unfinished, block)
    job = replace(
        span.job,
        measured_reference=unfinished.reference,
        noise_share=unfinished.noise_share,
    )
    checkpoints = FileCheckpoints(
        unfinished.folder.checkpoint(block),
        unfinished.plan.started_utc,
        spare_bytes=2 * 4 * sum(map(unfinished.sample_count, unfinished.missing_blocks())),
    )
    result = separate_channels(job, channels, on_iteration, span.seam_shots, checkpoints)
    _refuse_another_plan(unfinished)
    alive = ~unfinished.counts.dead[channels.start : channels.stop]
    result.estimate[:, ~alive] = 0
    with ThreadPoolExecutor(1) as thread:
        written = thread.submit(_write_estimate, unfinished, block, span, result.estimate)
        measured = measure_block(span, result, alive, unfinished.measures, unfinished.truth)
        written.result()
    if result.beyond:
        parts = tuple(replace(part, rows=span.rows[part.rows]) for part in result.beyond)
        write_value(unfinished.folder.seam(block), SeamEstimates(parts))
    write_value(unfinished.folder.done(block), measured)
    checkpoints.remove()


def _refuse_another_plan(unfinished: UnfinishedRun) -> None:
    """Refuse to write into a restarted run: a worker may outlive the run that gave it a block."""
    plan = unfinished.folder.plan
    if not plan.exists() or read_plan(plan).started_utc != unfinished.plan.started_utc:
        raise OutputError(
            "the run to which this block belongs was thrown away",
            where=str(unfinished.folder.path.parent),
            remedy="Nothing has to be done.",
        )


def _write_estimate(
    unfinished: UnfinishedRun, block: int, span: Span, estimate: NDArray[np.float32]
) -> None:
    """Write the estimates of a block and wait until they are on disk."""
    number, channels = unfinished.plan.place(block)
    for source in range(len(unfinished.job.shots.sources)):
        store = unfinished.estimate_stores(source)[number]
        if len(store.rows):
            here = np.searchsorted(span.rows, store.rows)
            write_channels(store.path, channels, estimate, here)


def _span(unfinished: UnfinishedRun, block: int, *, shared: bool = False) -> tuple[Span, range]:
    number, channels = unfinished.plan.place(block)
    begin, end = unfinished.plan.spans[number]
    return span_of(unfinished.staged_job, range(begin, end), shared=shared), channels
