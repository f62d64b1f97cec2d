"""Scores against the known answer of a made line, measured block by block."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError
from deblend.model.findings import Finding
from deblend.qc.scores import (
    TruthEnergy,
    difference_energy,
    difference_findings,
    pair_shots,
    source_pairs,
    truth_energy,
    truth_findings,
)
from deblend.results.line_rows import in_line_rows
from deblend.separation.job import BlockResult, Job
from deblend.synth.write import Truth, open_truth, read_noise_rms
from deblend.words import counted

Pair = tuple[int | str, int | str]
Window = tuple[int, int]


@dataclass(frozen=True, eq=False)
class LineTruth:
    """The answer of a line, on disk."""

    gathers: Truth
    """True gathers."""
    noise_rms: float | None
    """Rms of all noise that was added."""
    pairs: dict[Pair, NDArray[np.int64]]
    """For every pair of sources, the rows of shots that belong together, shape (pair, 2)."""


@dataclass(frozen=True, eq=False)
class TruthMeasures:
    """Energies against the answer; add them over blocks."""

    sources: TruthEnergy
    """One row for every row of the shot table."""
    pairs: tuple[TruthEnergy, ...]
    """One for each pair of sources."""

    def __add__(self, other: TruthMeasures) -> TruthMeasures:
        pairs = zip(self.pairs, other.pairs, strict=True)
        return TruthMeasures(self.sources + other.sources, tuple(a + b for a, b in pairs))

    def without_traces(self) -> TruthMeasures:
        """The same for channels that were counted with other shots."""
        return TruthMeasures(
            replace(self.sources, trace_count=0),
            tuple(replace(part, trace_count=0) for part in self.pairs),
        )


def open_line_truth(folder: Path, job: Job) -> LineTruth:
    """Open the answer of a line.

    Raises
    ------
    InputError
        If it does not fit the line.
    """
    gathers = open_truth(folder, job.shots)
    channel_count = job.recording.shape[0]
    if gathers.shape[1] != channel_count or gathers.shape[2] < job.length:
        raise InputError(
            f"the true gathers hold {counted(gathers.shape[1], 'channel')} of "
            f"{counted(gathers.shape[2], 'sample')}, "
            f"the line {channel_count} of {job.length}",
            where=str(folder),
            remedy="Name the truth of this line, or ask for gathers no longer than it.",
        )
    pairs = {pair: pair_shots(job.shots, *pair, job.delivered) for pair in source_pairs(job.shots)}
    return LineTruth(gathers, read_noise_rms(folder), pairs)


def measure_truth(
    truth: LineTruth,
    result: BlockResult,
    rows: NDArray[np.int64],
    own: NDArray[np.bool_],
    alive: NDArray[np.bool_],
    windows: Sequence[Window],
    interval_s: float,
) -> TruthMeasures:
    """Score a block.

    Parameters
    ----------
    truth : LineTruth
        The answer.
    result : BlockResult
        What came out of the block.
    rows : ndarray of int64, shape (shot,)
        Rows of the shot table that the block holds.
    own : ndarray of bool, shape (shot,)
        False for neighbours, which another block scores.
    alive : ndarray of bool, shape (channel,)
        Dead channels are left out.
    windows : sequence of (int, int)
        Windows after the time break, in samples.
    interval_s : float
        Sample interval in seconds.
    """
    channels = slice(result.channels.start, result.channels.stop)
    answer = truth.gathers.read(rows, channels, result.estimate.shape[2])[:, alive]
    estimate, start = result.estimate[:, alive], result.pseudo_deblended[:, alive]
    total = len(truth.gathers.place)
    energy = truth_energy(answer[own], estimate[own], start[own], windows, interval_s)
    place = np.full(total, -1)
    place[rows[own]] = np.flatnonzero(own)
    pairs = []
    for line_pairs in truth.pairs.values():
        here = np.flatnonzero((place[line_pairs] >= 0).all(axis=1))
        part = difference_energy(
            answer, estimate, start, place[line_pairs[here]], windows, interval_s
        )
        pairs.append(in_line_rows(part, here, len(line_pairs)))
    return TruthMeasures(in_line_rows(energy, rows[own], total), tuple(pairs))


def truth_rows(
    truth: LineTruth, measures: TruthMeasures, job: Job, windows: Sequence[Window]
) -> list[Finding]:
    """Scores as rows of the findings table."""
    interval_s = job.recording.interval_s
    windows_s = [(start * interval_s, stop * interval_s) for start, stop in windows]
    rows = truth_findings(
        measures.sources,
        job.shots,
        job.delivered,
        windows_s,
        interval_s,
        sample_count=job.length,
        noise_rms=truth.noise_rms,
    )
    for (first, second), energy in zip(truth.pairs, measures.pairs, strict=True):
        rows += difference_findings(energy, first, second, windows_s, interval_s)
    return rows
