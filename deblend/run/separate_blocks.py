"""Separation of a prepared line, a block of channels at a time, measured as it goes by."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import OutputError
from deblend.model.findings import Finding
from deblend.qc.leakage import Leakage, leakage_findings, measure_leakage
from deblend.qc.likeness_maps import WindowProducts, join_products
from deblend.qc.limits import Limit, default_limits, read_limits
from deblend.qc.measure_plan import MeasurePlan
from deblend.qc.record_samples import SampleCounts, count_samples, join_counts, sample_findings
from deblend.qc.removed import RemovedEnergy, removed_energy, removed_findings
from deblend.qc.residual import ResidualEnergy, residual_energy, residual_findings
from deblend.report.contents import Section
from deblend.run.open_line import OpenLine
from deblend.run.progress import Progress, Step
from deblend.run.report_samples import SectionCollector, choose_places
from deblend.run.truth import TruthScores
from deblend.separation.job import BlockResult, Job, separate_channels
from deblend.separation.loop import Callback, IterationRecord

WINDOW_COUNT: Final = 4
"""Equal windows after the time break, in which energies are measured."""


@dataclass(frozen=True, eq=False)
class Separated:
    """What is left of a line when all blocks are done.

    Parameters
    ----------
    estimates : mapping of source to ndarray of float32, shape (shot, channel, time)
        Memory-mapped; the delivered shots of each source, in table order.
    sections : tuple of Section
        Samples for the report.
    histories : tuple of tuple of IterationRecord
        One a block.
    dead : ndarray of bool, shape (channel,)
        Dead channels.
    findings : tuple of Finding
        Everything measured.
    measures : MeasurePlan
        What was measured where.
    products : WindowProducts
        For the maps of likeness of kept and removed part.
    """

    estimates: Mapping[int | str, NDArray[np.float32]]
    sections: tuple[Section, ...]
    histories: tuple[tuple[IterationRecord, ...], ...]
    dead: NDArray[np.bool_]
    findings: tuple[Finding, ...]
    measures: MeasurePlan
    products: WindowProducts


@dataclass
class _Measured:
    """Sums over blocks."""

    counts: list[SampleCounts]
    histories: list[tuple[IterationRecord, ...]]
    residual: ResidualEnergy
    removed: RemovedEnergy
    leakage: Leakage | None = None


def separate_blocks(
    opened: OpenLine, job: Job, truth: TruthScores | None, work: Path, progress: Progress
) -> Separated:
    """Separate every block of a line.

    Parameters
    ----------
    opened : OpenLine
        The line.
    job : Job
        Its preparation.
    truth : TruthScores or None
        Scores, where the answer is known.
    work : Path
        Folder for the estimates, as large as the output.
    progress : callable
        Told after every iteration.

    Returns
    -------
    Separated

    Raises
    ------
    OutputError
        If there is too little space for the estimates.
    SeparationError
        If the method breaks its contract.
    """
    windows = sample_windows(job.length)
    limits = line_limits(opened)
    plan = measure_plan(job, windows)
    estimates = _make_estimates(job, work)
    places = choose_places(job.shots, job.delivered, opened.geometry, job.recording.channel_numbers)
    collector = SectionCollector(places, job.length, with_truth=truth is not None)
    nothing = np.zeros((len(job.shots), len(windows)))
    sums = _Measured([], [], ResidualEnergy(nothing, nothing), RemovedEnergy(nothing, nothing))
    progress(Step("prepare", 0, 0, "looking for the strongest arrival of the line"))
    _ = job.reference
    for block in job.blocks:
        result = separate_channels(job, block, _told(job, block, progress))
        counts = count_samples(result.record, result.known, job.recording.gaps)
        result.estimate[:, counts.dead] = 0
        for source, target in estimates.items():
            target[:, block.start : block.stop] = result.estimate[_rows(job, source)]
        answer = None if truth is None else truth.block(block)
        collector.add(block, result.pseudo_deblended, result.estimate, answer)
        if truth is not None:
            truth.add(result, ~counts.dead)
        sums.counts.append(counts)
        sums.histories.append(result.history)
        _add_energies(sums, job, result, ~counts.dead, windows)
        leakage = measure_leakage(
            plan, block, result.pseudo_deblended, result.estimate, ~counts.dead
        )
        sums.leakage = leakage if sums.leakage is None else sums.leakage + leakage
    counts = join_counts(sums.counts)
    assert sums.leakage is not None  # there is at least one block
    findings = [*_findings(job, sums, counts, windows, truth)]
    findings += leakage_findings(plan, sums.leakage, limits, job.recording.channel_numbers)
    return Separated(
        estimates=estimates,
        sections=collector.sections(job.recording.interval_s, counts.dead),
        histories=tuple(sums.histories),
        dead=counts.dead,
        findings=tuple(findings),
        measures=plan,
        products=join_products(list(sums.leakage.products)),
    )


def line_limits(opened: OpenLine) -> dict[str, Limit]:
    """Limits of the findings: those that the line file names, or the default ones.

    Raises
    ------
    SettingsError
        If the file of limits cannot be used.
    """
    table = opened.line.keys.quality
    if table is None or table.limits is None:
        return default_limits()
    return read_limits(opened.line.resolve(table.limits))


def measure_plan(job: Job, windows: list[tuple[int, int]]) -> MeasurePlan:
    """What leakage and loss are measured on."""
    return MeasurePlan(
        shots=job.shots,
        counted=job.delivered,
        interval_s=job.recording.interval_s,
        length=job.length,
        windows=windows,
        channel_count=job.recording.shape[0],
    )


def sample_windows(length: int) -> list[tuple[int, int]]:
    """Equal windows of a gather trace, in samples."""
    edges = np.linspace(0, length, min(WINDOW_COUNT, length) + 1).round().astype(int).tolist()
    return list(pairwise(edges))


def _add_energies(
    sums: _Measured,
    job: Job,
    result: BlockResult,
    alive: NDArray[np.bool_],
    windows: list[tuple[int, int]],
) -> None:
    recording = job.recording
    first = np.rint((job.shots.fire_time_ns - recording.start_ns) / recording.interval_ns)
    sums.residual += residual_energy(
        result.residual[alive],
        result.record[alive],
        job.operator.fold,
        first.astype(np.int64),
        windows,
    )
    sums.removed += removed_energy(
        result.pseudo_deblended[:, alive], result.estimate[:, alive], windows
    )


def _findings(
    job: Job,
    sums: _Measured,
    counts: SampleCounts,
    windows: list[tuple[int, int]],
    truth: TruthScores | None,
) -> Iterator[Finding]:
    interval_s = job.recording.interval_s
    windows_s = [(start * interval_s, stop * interval_s) for start, stop in windows]
    yield from sample_findings(counts, job.recording.channel_numbers, job.recording.shape[1])
    if truth is not None:
        yield from truth.findings()
    yield from removed_findings(sums.removed, job.shots, job.delivered, windows_s)
    yield from residual_findings(sums.residual, job.shots, job.delivered, windows_s)


def _rows(job: Job, source: int | str) -> NDArray[np.int64]:
    """Delivered shots of one source, as rows of the shot table."""
    return np.flatnonzero(job.delivered & (job.shots.source == source))


def _make_estimates(job: Job, work: Path) -> dict[int | str, NDArray[np.float32]]:
    trace_bytes = 4 * job.length
    needed = int(job.delivered.sum()) * job.recording.shape[0] * trace_bytes
    free = shutil.disk_usage(work).free
    if 2 * needed > free:  # once as estimates, once as SEG-Y; a full disk kills a mapped file
        raise OutputError(
            f"{2 * needed / 1e9:.1f} GB are needed and {free / 1e9:.1f} GB are free",
            where=str(work.parent),
            remedy="Make space or name another output folder.",
        )
    return {
        source: np.lib.format.open_memmap(
            work / f"estimate-{number}.npy",
            mode="w+",
            dtype=np.float32,
            shape=(rows.size, job.recording.shape[0], job.length),
        )
        for number, source in enumerate(job.shots.sources)
        if (rows := _rows(job, source)).size
    }


def _told(job: Job, block: range, progress: Progress) -> Callback:
    """Callback of the loop that tells how far the whole line is."""
    iterations = job.schedule.iterations
    total = iterations * job.recording.shape[0]
    traces = int(job.shots.live.sum()) * job.length

    def tell(record: IterationRecord) -> None:
        done = iterations * block.start + record.iteration * len(block)
        progress(
            Step(
                "separate",
                done * traces,
                total * traces,
                f"iteration {record.iteration}: {record.residual_db:.1f} dB",
            )
        )

    return tell
