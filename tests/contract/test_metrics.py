"""Every metric keeps the contract: blocks add up, survive on disk, and give rows of the table."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest
from numpy.typing import NDArray

from deblend.blending.operator import make_operator
from deblend.model.findings import Finding, Verdict
from deblend.model.recording import Recording
from deblend.model.shots import make_shots
from deblend.qc.limits import default_limits
from deblend.qc.metric import MeasuredLine, Metric
from deblend.qc.metrics import (
    METRICS,
    BlockMeasures,
    LineMeasures,
    add_blocks,
    line_findings,
    measure_block,
    setup_of,
)
from deblend.qc.record_samples import SampleCounts, nothing_seen
from deblend.qc.scores import LineTruth, pair_shots, source_pairs
from deblend.qc.seams import seam_windows
from deblend.run.stored_values import read_value, write_value
from deblend.separation.downweighted import Downweighted
from deblend.separation.job import BlockResult, Job, prepare, separate_channels
from deblend.separation.settings import SeparationSettings
from deblend.separation.spans import span_of

SLOTS, CHANNELS, LENGTH, INTERVAL_NS = 20, 4, 120, 4_000_000
DEAD = np.arange(CHANNELS) == 2
EACH = pytest.mark.parametrize("metric", METRICS, ids=[metric.name for metric in METRICS])


@dataclass(frozen=True, eq=False)
class InMemory:
    """True gathers that are no files."""

    gathers: NDArray[np.float32]

    def read(self, rows: NDArray[np.int64], channels: Any, length: int) -> NDArray[np.float32]:
        return self.gathers[rows][:, channels, :length]


@dataclass(frozen=True, eq=False)
class Measured:
    """A line measured in one block, and in two parts."""

    line: MeasuredLine
    block: BlockMeasures
    whole: LineMeasures
    parts: LineMeasures


def random_line() -> tuple[Job, LineTruth]:
    """Two sources; one channel is dead."""
    random = np.random.default_rng(5)
    base = np.arange(SLOTS) * 600_000_000 + 200_000_000
    fired = [base + random.integers(0, 200_000_000, SLOTS) for _ in range(2)]
    shots = make_shots(
        np.repeat([1, 2], SLOTS), np.tile(np.arange(SLOTS), 2), np.concatenate(fired), "utc"
    )
    layers = random.standard_normal((2, 1, CHANNELS, LENGTH))
    truth = np.repeat(layers, SLOTS, axis=1).reshape(-1, CHANNELS, LENGTH).astype(np.float32)
    operator = make_operator(
        shots, start_ns=0, interval_ns=INTERVAL_NS, sample_count=150 * (SLOTS + 2), length=LENGTH
    )
    samples = operator.blend(truth)
    samples += 0.1 * random.standard_normal(samples.shape).astype(np.float32)
    samples[DEAD] = 0
    recording = Recording(samples, interval_s=0.004, start="1970-01-01T00:00:00", time_scale="utc")
    job = prepare(
        recording,
        shots,
        length_s=LENGTH * 0.004,
        method="fk",
        settings=SeparationSettings(iterations=2),
    )
    pairs = {pair: pair_shots(shots, *pair, job.delivered) for pair in source_pairs(shots)}
    return job, LineTruth(InMemory(truth), 0.1, pairs)


def part_of(result: BlockResult, channels: range, lost: Downweighted) -> BlockResult:
    """Some channels of what came out of all of them."""
    some = slice(channels.start, channels.stop)
    return BlockResult(
        channels=channels,
        estimate=result.estimate[:, some],
        pseudo_deblended=result.pseudo_deblended[:, some],
        residual=result.residual[some],
        record=result.record[some],
        known=result.known[some],
        history=result.history,
        downweighted=lost,
    )


def lost_weight(seed: int) -> Downweighted:
    random = np.random.default_rng(seed)
    channel, shot, band, sample = (
        random.random((n, 2)) for n in (CHANNELS, 2 * SLOTS, 3, CHANNELS)
    )
    return Downweighted(channel, shot, band, sample, np.array([5.0, 10.0, 20.0, 40.0]))


@pytest.fixture(scope="module")
def measured() -> Measured:
    job, truth = random_line()
    result = separate_channels(job, range(CHANNELS))
    span = span_of(job, range(job.layout.slot_count))

    def measure(channels: range, lost: Downweighted) -> BlockMeasures:
        alive = ~DEAD[channels.start : channels.stop]
        part = part_of(result, channels, lost)
        return measure_block(span, part, alive, setup_of(job), truth)

    lost = lost_weight(1), lost_weight(2)
    block = measure(range(CHANNELS), lost[0] + lost[1])
    parts = [measure(range(3), lost[0]), measure(range(3, CHANNELS), lost[1])]
    samples = job.recording.read(range(CHANNELS), 0, job.recording.shape[1])
    counts: SampleCounts = nothing_seen(CHANNELS).seen(samples).counts([])
    random = np.random.default_rng(1).standard_normal((2, SLOTS, CHANNELS, LENGTH))
    own, other = random.astype(np.float32)
    setup = setup_of(job)
    line = MeasuredLine(
        setup=setup,
        channel_numbers=job.recording.channel_numbers,
        sample_count=job.recording.shape[1],
        limits=default_limits(),
        counts=counts,
        seams=seam_windows(own, other, np.arange(SLOTS), range(CHANNELS), setup.windows),
        truth=truth,
    )
    return Measured(line, block, _all_of([block]), _all_of(parts))


def _all_of(blocks: list[BlockMeasures]) -> LineMeasures:
    """Blocks added up, with what grows with the line."""
    summed = add_blocks(blocks)
    values = {name: blocks[0].values[name] for name in summed.values}
    for block in blocks[1:]:
        values = {name: value + block.values[name] for name, value in values.items()}
    return LineMeasures(values, summed.histories)


def arrays_of(value: Any) -> Iterator[NDArray[Any]]:
    """All arrays and numbers in a value, products of windows joined over channels."""
    if is_dataclass(value):
        for field in fields(value):
            part = getattr(value, field.name)
            if field.name == "products":
                for name in ("kept", "removed", "product"):
                    yield np.concatenate([getattr(one, name) for one in part], axis=1)
            else:
                yield from arrays_of(part)
    elif isinstance(value, tuple):
        for part in value:
            yield from arrays_of(part)
    elif value is not None:
        yield np.asarray(value)


def assert_alike(found: Any, expected: Any) -> None:
    for one, other in zip(arrays_of(found), arrays_of(expected), strict=True):
        scale = float(np.max(np.abs(np.nan_to_num(other)), initial=0.0))
        np.testing.assert_allclose(one, other, rtol=1e-4, atol=1e-5 * scale)


def rows_of(metric: Metric[Any], line: MeasuredLine, measures: LineMeasures) -> list[Finding]:
    return list(metric.rows(line, measures.values.get(metric.name)))


def test_names_are_unique() -> None:
    names = [metric.name for metric in METRICS]
    assert len(set(names)) == len(names)


@EACH
def test_two_parts_add_up_to_the_whole(metric: Metric[Any], measured: Measured) -> None:
    assert (metric.name in measured.whole.values) == (metric.measure is not None)
    if metric.measure is not None:
        assert_alike(measured.parts.values[metric.name], measured.whole.values[metric.name])


@EACH
def test_values_survive_on_disk(metric: Metric[Any], measured: Measured, tmp_path: Path) -> None:
    path = tmp_path / "block.npz"
    write_value(path, measured.block)
    value = measured.block.values.get(metric.name)
    assert_alike(read_value(path).values.get(metric.name), value)


@EACH
def test_rows_are_findings_of_the_line(metric: Metric[Any], measured: Measured) -> None:
    rows = rows_of(metric, measured.line, measured.whole)
    assert rows
    shots, limits = measured.line.setup.shots, measured.line.limits
    for row in rows:
        assert isinstance(row, Finding)
        assert row.verdict in get_args(Verdict)
        assert row.message.endswith(".")
        assert row.source is None or row.source in (*shots.sources, "1 - 2")
        assert row.shot_point is None or row.shot_point in shots.shot_point
        assert row.channel is None or row.channel in measured.line.channel_numbers
        assert row.window_s is None or row.window_s in measured.line.setup.windows_s
        assert row.verdict in ("note", "pass") or row.limit is not None or np.isnan(row.value)
        if row.metric in limits:
            assert row.unit == limits[row.metric].unit


@EACH
def test_rows_of_two_parts_are_those_of_the_whole(metric: Metric[Any], measured: Measured) -> None:
    found, expected = (
        rows_of(metric, measured.line, part) for part in (measured.parts, measured.whole)
    )
    for one, other in zip(found, expected, strict=True):
        assert (one.metric, one.source, one.window_s) == (
            other.metric,
            other.source,
            other.window_s,
        )
        assert one.value == pytest.approx(other.value, rel=1e-2, abs=0.01, nan_ok=True)


def test_rows_of_a_line_are_those_of_its_metrics_in_their_order(measured: Measured) -> None:
    rows = [row for metric in METRICS for row in rows_of(metric, measured.line, measured.whole)]
    # repr, because a value that is no number is not equal to itself
    *found, last = line_findings(measured.line, measured.whole)
    assert repr(found) == repr(rows)
    assert last.metric == "undecided_tests"
