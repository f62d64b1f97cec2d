"""Scores against the known answer of a made line, summed over blocks of channels."""

from __future__ import annotations

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
from deblend.separation.job import BlockResult, Job
from deblend.synth.write import read_noise_rms, read_truth

Pair = tuple[int | str, int | str]


class TruthScores:
    """The answer, and energies of the estimate against it.

    Parameters
    ----------
    folder : Path
        Written with the made line.
    job : Job
        The prepared line.
    windows : list of (int, int)
        Windows after the time break, in samples.

    Raises
    ------
    InputError
        If the answer does not fit the line.
    """

    def __init__(self, folder: Path, job: Job, windows: list[tuple[int, int]]) -> None:
        gathers = read_truth(folder, job.shots)
        channel_count = job.recording.shape[0]
        if gathers.shape[1] != channel_count or gathers.shape[2] < job.length:
            raise InputError(
                f"the true gathers hold {gathers.shape[1]} channels of {gathers.shape[2]} samples, "
                f"the line {channel_count} of {job.length}",
                where=str(folder),
                remedy="Name the truth of this line, or ask for gathers no longer than it.",
            )
        self._gathers = gathers[:, :, : job.length]
        self._noise_rms = read_noise_rms(folder)
        self._job = job
        self._windows = windows
        self._sources: TruthEnergy | None = None
        self._pairs = {
            pair: pair_shots(job.shots, *pair, job.delivered) for pair in source_pairs(job.shots)
        }
        self._differences: dict[Pair, TruthEnergy] = {}

    def block(self, channels: range) -> NDArray[np.float32]:
        """True gathers of some channels, shape (shot, channel, time)."""
        return self._gathers[:, channels.start : channels.stop]

    def add(self, result: BlockResult, alive: NDArray[np.bool_]) -> None:
        """Score a block, dead channels left out."""
        truth, estimate, start = (
            gathers[:, alive]
            for gathers in (
                self.block(result.channels),
                result.estimate,
                result.pseudo_deblended,
            )
        )
        interval_s = self._job.recording.interval_s
        energy = truth_energy(truth, estimate, start, self._windows, interval_s)
        self._sources = energy if self._sources is None else self._sources + energy
        for pair, rows in self._pairs.items():
            energy = difference_energy(truth, estimate, start, rows, self._windows, interval_s)
            earlier = self._differences.get(pair)
            self._differences[pair] = energy if earlier is None else earlier + energy

    def findings(self) -> list[Finding]:
        """Scores as rows of the findings table."""
        if self._sources is None:
            return []
        interval_s = self._job.recording.interval_s
        windows_s = [(start * interval_s, stop * interval_s) for start, stop in self._windows]
        rows = truth_findings(
            self._sources,
            self._job.shots,
            self._job.delivered,
            windows_s,
            interval_s,
            sample_count=self._job.length,
            noise_rms=self._noise_rms,
        )
        for (first, second), energy in self._differences.items():
            rows += difference_findings(energy, first, second, windows_s, interval_s)
        return rows
