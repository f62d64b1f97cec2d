"""What the trial of a run says of a separation without its answer, and its true error."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from deblend.blending.operator import record_operator
from deblend.qc.expected_error import (
    EnergySums,
    channels_to_try,
    mirrored_gathers,
    of_channels,
    try_errors,
    with_samples,
)
from deblend.separation.job import Job, in_table_order, prepare, separate_channels
from deblend.separation.learned_floor import with_learned_floor, withheld_pieces
from deblend.separation.settings import SeparationSettings
from deblend.synth.line import MadeLine

TINY = 1e-30
Table = dict[str, np.ndarray]
"""(source, 1 + window) of each quantity; column 0 is the whole trace."""


def measure(line: MadeLine, method: str, iterations: int) -> tuple[Table, dict[str, float]]:
    """Ratios of energies, and numbers of the run; the trial is that of the run."""
    settings = SeparationSettings(iterations=iterations, device="cpu")
    job = prepare(
        line.recording, line.shots, length_s=line.length_s, method=method, settings=settings
    )
    job = with_learned_floor(replace(job, measured_reference=job.reference))
    channels = range(line.recording.shape[0])
    main = separate_channels(job, channels)
    sums, truth = EnergySums(job), line.gathers
    tried = try_errors(job, channels_to_try(channels))
    out = {
        "true": sums(main.estimate - truth) / np.maximum(sums(truth), TINY),
        "residual": sums(cut(job, main.residual)) / sums(main.estimate),
        "level": tried.level,
        "mirror": tried.mirror_error,
        "shift": tried.shift_error,
        "unexplained": tried.unexplained_error,
        **mirrored_and_withheld(of_channels(job, channels_to_try(channels)), sums),
    }
    about = {
        "channels": len(channels),
        "tried": tried.channel_count,
        "shots": len(line.shots),
        "sources": len(line.shots.sources),
        "fold": float(job.operator.fold[job.operator.fold > 0].mean()),
        "noise_share": float(np.mean(job.noise_share)),
    }
    return out, about


def mirrored_and_withheld(job: Job, sums: EnergySums) -> Table:
    """The trial with the mirrored line where some samples are withheld besides, which then tell."""
    every = range(job.recording.shape[0])
    base = separate_channels(job, every)
    mirrored = mirrored_gathers(base.estimate, sums.rows)
    operator = record_operator(job.recording, job.shots, job.length)
    record = job.recording.read(every, 0, job.recording.shape[1]) + operator.blend(mirrored)
    mask = withheld_pieces(record.shape, job.settings.seed, 0) & base.known
    both = separate_channels(with_samples(job, np.where(mask, np.nan, record)), every).estimate
    inside = cut(job, mask) > 0.5
    error = np.where(mask, record - operator.blend(both), 0)
    own = np.where(mask, base.residual, 0)
    at = np.maximum(sums(np.where(inside, both, 0)), TINY)
    withheld, explained = (sums(np.where(inside, cut(job, part), 0)) / at for part in (error, own))
    return {
        "mirror_and_withheld": sums(both - base.estimate - mirrored) / sums(mirrored),
        "withheld": np.maximum(withheld - explained, 0.1 * withheld),
    }


def cut(job: Job, record: np.ndarray) -> np.ndarray:
    """Record cut at the fire times, shape (shot, channel, time), in table order."""
    gathers = job.operator.pseudo_deblend(record.astype(np.float32))
    return in_table_order(job, gathers, job.delivered)
