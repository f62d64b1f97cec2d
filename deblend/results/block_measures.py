"""What is measured of a block of a line while its gathers are at hand, and what it adds up to."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.line.open_line import OpenLine
from deblend.model.findings import Finding
from deblend.qc.group_likeness import GroupLikeness
from deblend.qc.leakage import Leakage, leakage_findings, measure_leakage
from deblend.qc.limits import Limit, default_limits, read_limits
from deblend.qc.measure_setup import MeasureSetup
from deblend.qc.record_samples import SampleCounts, sample_findings
from deblend.qc.removed import RemovedEnergy, removed_energy, removed_findings
from deblend.qc.residual import ResidualEnergy, residual_energy, residual_findings
from deblend.results.line_rows import in_line_rows
from deblend.results.truth import LineTruth, TruthMeasures, measure_truth, truth_rows
from deblend.results.unknown_samples import take_unknown_from
from deblend.separation.downweighted import Downweighted, downweighted_findings
from deblend.separation.job import BlockResult, Job
from deblend.separation.loop import IterationRecord
from deblend.separation.spans import Span

WINDOW_COUNT: Final = 4
"""Equal windows after the time break, in which energies are measured."""


@dataclass(frozen=True, eq=False)
class BlockMeasures:
    """What is kept of a block beside its gathers. It is stored: arrays, numbers, texts only."""

    channels: range
    """Channel rows."""
    rows: NDArray[np.int64]
    """(shot,): Rows of the shot table that belong to the block."""
    history: tuple[IterationRecord, ...]
    """What each iteration did."""
    residual: ResidualEnergy
    """One row for every row of the shot table."""
    removed: RemovedEnergy
    """Likewise."""
    leakage: Leakage
    """Its octaves likewise; its products for the rows of the block."""
    truth: TruthMeasures | None
    """Scores, where the answer is known."""
    downweighted: Downweighted | None
    """What lost weight in the fit, where weights were asked for."""


@dataclass(frozen=True, eq=False)
class LineMeasures:
    """Blocks added up."""

    residual: ResidualEnergy
    removed: RemovedEnergy
    leakage: Leakage
    truth: TruthMeasures | None
    """As of a block, for the whole line; `leakage` without the products of its windows, which grow
    with the line: see `line_products`."""
    histories: tuple[tuple[IterationRecord, ...], ...]
    """One a block."""
    downweighted: Downweighted | None
    """As of a block, for the whole line."""


def measure_block(
    span: Span,
    result: BlockResult,
    alive: NDArray[np.bool_],
    plan: MeasureSetup,
    truth: LineTruth | None,
) -> BlockMeasures:
    """Measure a block.

    Parameters
    ----------
    span : Span
        The part of the line that the block belongs to.
    result : BlockResult
        What came out of it; dead channels are zero. Its pseudo-deblended gathers become those after
        separation where samples are unknown: nothing was removed there.
    alive : ndarray of bool, shape (channel,)
        Channels that are not dead.
    plan : MeasureSetup
        Of the line.
    truth : LineTruth or None
        The answer, where it is known.
    """
    job, own = span.job, span.own
    rows, total = span.rows[own], len(plan.shots)
    time_break = (job.shots.fire_time_ns - job.recording.start_ns) / job.recording.interval_ns
    first = np.rint(time_break).astype(np.int64)
    residual = residual_energy(
        result.residual[alive], result.record[alive], job.operator.fold, first[own], plan.windows
    )
    against_truth = (
        None
        if truth is None
        else measure_truth(truth, result, span.rows, own, alive, plan.windows, plan.interval_s)
    )
    take_unknown_from(result.estimate, result.pseudo_deblended, result.known, first)
    before, after = result.pseudo_deblended, result.estimate
    if not own.all():
        before, after = before[own], after[own]
    removed = removed_energy(before, after, plan.windows, alive)
    part = plan if len(rows) == total else plan.of_rows(rows, plan.counted[rows])
    leakage = measure_leakage(part, result.channels, before, after, alive)
    return BlockMeasures(
        channels=result.channels,
        rows=rows,
        history=result.history,
        residual=in_line_rows(residual, rows, total),
        removed=in_line_rows(removed, rows, total),
        leakage=replace(leakage, octaves=in_line_rows(leakage.octaves, rows, total)),
        truth=against_truth,
        downweighted=_in_line(result.downweighted, span.rows, own, total),
    )


def _in_line(
    less: Downweighted | None, rows: NDArray[np.int64], own: NDArray[np.bool_], total: int
) -> Downweighted | None:
    """The same with a row for every shot of the line; neighbours count in their own span."""
    if less is None:
        return None
    shot = np.zeros((total, *less.shot.shape[1:]))
    shot[rows[own]] = less.shot[own]
    return replace(less, shot=shot)


def add_blocks(blocks: Iterable[BlockMeasures]) -> LineMeasures:
    """Add up blocks, in their order; one is held at a time.

    Parameters
    ----------
    blocks : iterable of BlockMeasures
        All blocks of a line.
    """
    residual: ResidualEnergy | None = None
    removed: RemovedEnergy | None = None
    leakage: Leakage | None = None
    truth: TruthMeasures | None = None
    less: Downweighted | None = None
    seen: set[int] = set()
    histories = []
    for block in blocks:
        residual = block.residual if residual is None else residual + block.residual
        removed = block.removed if removed is None else removed + block.removed
        alone = replace(block.leakage, products=())
        leakage = alone if leakage is None else leakage + alone
        if block.truth is not None:
            again = block.channels.start in seen  # these channels in another span
            more = block.truth.without_traces() if again else block.truth
            truth = more if truth is None else truth + more
        if block.downweighted is not None:
            less = block.downweighted if less is None else less + block.downweighted
        histories.append(block.history)
        seen.add(block.channels.start)
    assert residual is not None
    assert removed is not None
    assert leakage is not None  # there is at least one block
    return LineMeasures(residual, removed, leakage, truth, tuple(histories), less)


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


def measure_setup(job: Job) -> MeasureSetup:
    """What leakage and loss are measured on."""
    return MeasureSetup(
        shots=job.shots,
        counted=job.delivered,
        interval_s=job.recording.interval_s,
        length=job.length,
        windows=sample_windows(job.length),
        channel_count=job.recording.shape[0],
    )


def sample_windows(length: int) -> list[tuple[int, int]]:
    """Equal windows of a gather trace, in samples."""
    edges = np.linspace(0, length, min(WINDOW_COUNT, length) + 1).round().astype(int).tolist()
    return list(pairwise(edges))


def line_findings(
    job: Job,
    measures: LineMeasures,
    likeness: GroupLikeness,
    counts: SampleCounts,
    plan: MeasureSetup,
    truth: LineTruth | None,
    limits: dict[str, Limit],
) -> Iterator[Finding]:
    """Everything measured, as rows of the findings table."""
    numbers = job.recording.channel_numbers
    windows_s = plan.windows_s
    yield from sample_findings(counts, numbers, job.recording.shape[1])
    if truth is not None and measures.truth is not None:
        yield from truth_rows(truth, measures.truth, job, plan.windows)
    yield from removed_findings(measures.removed, job.shots, job.delivered, windows_s)
    yield from residual_findings(measures.residual, job.shots, job.delivered, windows_s, limits)
    yield from leakage_findings(plan, measures.leakage, limits, numbers, likeness)
    if measures.downweighted is not None:
        yield from downweighted_findings(measures.downweighted, job.shots, numbers)
