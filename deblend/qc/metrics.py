"""All metrics, in the order of their rows; what they measure of a block, and of a line."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.qc.expected_error import EXPECTED
from deblend.qc.leakage import LEAKAGE
from deblend.qc.like_neighbours import NEIGHBOURS
from deblend.qc.measure_setup import MeasureSetup, sample_windows
from deblend.qc.metric import MeasuredBlock, MeasuredLine, Metric
from deblend.qc.record_samples import SAMPLES
from deblend.qc.removed import REMOVED
from deblend.qc.residual import RESIDUAL_METRIC
from deblend.qc.scores import TRUTH, LineTruth
from deblend.qc.seams import SEAMS
from deblend.qc.undecided import undecided_row
from deblend.separation.downweighted import Downweighted, downweighted_findings
from deblend.separation.job import BlockResult, Job
from deblend.separation.loop import IterationRecord
from deblend.separation.spans import Span
from deblend.separation.unblended import nothing_blended


def _downweighted_rows(line: MeasuredLine, found: Downweighted) -> Iterator[Finding]:
    return downweighted_findings(found, line.setup.shots, line.channel_numbers)


def _downweighted(block: MeasuredBlock) -> Downweighted | None:
    found = block.downweighted
    return None if found is None else replace(found, shot=block.in_line_rows(found.shot))


DOWNWEIGHTED: Final = Metric("downweighted", _downweighted_rows, _downweighted)

METRICS: Final[tuple[Metric[Any], ...]] = (
    EXPECTED,
    SAMPLES,
    TRUTH,
    REMOVED,
    RESIDUAL_METRIC,
    LEAKAGE,
    NEIGHBOURS,
    DOWNWEIGHTED,
    SEAMS,
)
"""A new metric is a file of this room and a line here."""
OF_SEPARATION: Final = (EXPECTED, REMOVED, LEAKAGE)
"""Metrics of what was taken, left and missed."""


@dataclass(frozen=True, eq=False)
class BlockMeasures:
    """What is kept of a block besides its gathers. It is stored: arrays, numbers, texts only."""

    channels: range
    """Channel rows."""
    rows: NDArray[np.int64]
    """(shot,): Rows of the shot table that belong to the block."""
    history: tuple[IterationRecord, ...]
    """What each iteration did."""
    values: dict[str, Any]
    """What each metric measured, by its name; none where there was nothing to measure."""


@dataclass(frozen=True, eq=False)
class LineMeasures:
    """Blocks added up."""

    values: dict[str, Any]
    """As of a block, for the whole line; without what grows with the line."""
    histories: tuple[tuple[IterationRecord, ...], ...]
    """One a block."""


def setup_of(job: Job) -> MeasureSetup:
    """Where the metrics of a line measure."""
    return MeasureSetup(
        shots=job.shots,
        counted=job.delivered,
        interval_s=job.recording.interval_s,
        length=job.length,
        windows=sample_windows(job.length),
        channel_count=job.recording.shape[0],
        blended=not nothing_blended(job.operator),
    )


def measure_block(
    span: Span,
    result: BlockResult,
    alive: NDArray[np.bool_],
    setup: MeasureSetup,
    truth: LineTruth | None = None,
) -> BlockMeasures:
    """Measure a block; `alive` is False for its dead channels."""
    job, own = span.job, span.own
    mine = slice(None) if own.all() else own
    time_break = (job.shots.fire_time_ns - job.recording.start_ns) / job.recording.interval_ns
    lost = result.downweighted
    block = MeasuredBlock(
        setup=setup,
        channels=result.channels,
        rows=span.rows[own],
        alive=alive,
        pseudo_deblended=result.pseudo_deblended[mine],
        estimate=result.estimate[mine],
        residual=result.residual,
        record=result.record,
        known=result.known,
        fold=job.operator.fold,
        first_sample=np.rint(time_break).astype(np.int64)[own],
        truth=truth,
        downweighted=None if lost is None else replace(lost, shot=lost.shot[own]),
    )
    values = {metric.name: metric.measure(block) for metric in METRICS if metric.measure}
    known = {name: value for name, value in values.items() if value is not None}
    return BlockMeasures(result.channels, block.rows, result.history, known)


def add_blocks(blocks: Iterable[BlockMeasures]) -> LineMeasures:
    """Add up blocks, in their order; one is held at a time."""
    total: dict[str, Any] = {}
    histories = []
    for block in blocks:
        for metric in METRICS:
            if metric.name in block.values:
                value = block.values[metric.name]
                part = value if metric.summed is None else metric.summed(value)
                total[metric.name] = total[metric.name] + part if metric.name in total else part
        histories.append(block.history)
    return LineMeasures(total, tuple(histories))


def line_findings(line: MeasuredLine, measures: LineMeasures) -> Iterator[Finding]:
    """Everything measured, as rows of the findings table, and how many of them could not judge.

    Where nothing was separated, nothing is said of how well.
    """
    rows: list[Finding] = []
    for metric in METRICS:
        if metric in OF_SEPARATION and not line.setup.blended:
            continue
        if metric.measure is None or metric.name in measures.values:
            rows += metric.rows(line, measures.values.get(metric.name))
    yield from rows
    if line.setup.blended:
        yield undecided_row(rows, line.limits)
