"""The known answer of a made line, opened."""

from __future__ import annotations

from pathlib import Path

from deblend.errors import InputError
from deblend.line.open_line import OpenLine
from deblend.qc.scores import LineTruth, pair_shots, source_pairs
from deblend.separation.job import Job
from deblend.synth.write import open_truth, read_noise_rms
from deblend.words import counted


def truth_of(opened: OpenLine, job: Job) -> LineTruth | None:
    """The answer of a line, where its file names it.

    Raises
    ------
    InputError
        If it does not fit.
    """
    table = opened.line.keys.truth
    return None if table is None else open_line_truth(opened.line.resolve(table.folder), job)


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
