"""The metrics of a line that is separated in memory."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.qc.expected_error import try_errors
from deblend.qc.group_likeness import group_likeness
from deblend.qc.leakage import LEAKAGE
from deblend.qc.likeness_maps import join_products
from deblend.qc.limits import default_limits
from deblend.qc.measure_setup import Gathers
from deblend.qc.metric import MeasuredLine
from deblend.qc.metrics import (
    DOWNWEIGHTED,
    BlockMeasures,
    add_blocks,
    line_findings,
    measure_block,
    setup_of,
)
from deblend.qc.record_samples import SampleCounts, nothing_seen
from deblend.qc.seams import SeamWindows, compare_neighbours, join_seams
from deblend.separation.job import BlockResult, Job
from deblend.separation.neighbours import Neighbours
from deblend.separation.spans import span_of


class MeasuredInMemory:
    """What was measured of the blocks of a line so far."""

    def __init__(self) -> None:
        self._job: Job | None = None
        self._blocks: list[BlockMeasures] = []
        self._counts: list[SampleCounts] = []
        self._beyond: list[Neighbours] = []

    def measure(self, job: Job, result: BlockResult) -> None:
        """Measure one block; blocks come in the order of channels."""
        recording, channels = job.recording, result.channels
        samples = recording.read(channels, 0, recording.shape[1])
        counts = nothing_seen(len(channels)).seen(samples).counts(recording.gaps)
        del samples
        whole = span_of(job, range(job.layout.slot_count))
        self._job = job
        self._blocks.append(measure_block(whole, result, ~counts.dead, setup_of(job)))
        self._counts.append(counts)
        self._beyond += result.beyond

    def findings(self, estimate: Gathers) -> Iterator[Finding]:
        """Rows of all metrics but those that `separate_line` gives itself, for all blocks."""
        job = self._job
        assert job is not None  # there is a block
        setup = setup_of(job)
        products = [part for one in self._blocks for part in one.values[LEAKAGE.name].products]
        dead = np.concatenate([counts.dead for counts in self._counts])
        unusable = np.concatenate([counts.unusable for counts in self._counts])
        measures = add_blocks(self._blocks)
        measures.values.pop(DOWNWEIGHTED.name, None)
        line = MeasuredLine(
            setup=setup,
            channel_numbers=job.recording.channel_numbers,
            sample_count=job.recording.shape[1],
            limits=default_limits(),
            counts=SampleCounts(dead, unusable),
            likeness=group_likeness(join_products(products), setup),
            seams=self._seams(job, estimate, dead),
            error_trial=try_errors(job, job.middle_block) if setup.blended else None,
        )
        return line_findings(line, measures)

    def _seams(self, job: Job, estimate: Gathers, dead: NDArray[np.bool_]) -> SeamWindows | None:
        def delivered(_: int, rows: NDArray[np.int64], channels: range) -> Gathers:
            return np.where(dead[channels, None], 0, estimate[rows[:, None], np.asarray(channels)])

        windows = setup_of(job).windows
        parts = [
            part
            for neighbours in self._beyond
            for part in compare_neighbours(neighbours, job.shots, dead, windows, delivered)
        ]
        return join_seams(parts) if parts else None
