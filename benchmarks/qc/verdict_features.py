"""What the trial of a run says of a separation without its answer, and its true error."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from deblend.qc.expected_error import EnergySums, channels_to_try, try_errors
from deblend.separation.job import Job, in_table_order, prepare, separate_channels
from deblend.separation.learned_floor import with_learned_floor
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
        "withheld": tried.withheld_error,
        "shift": tried.shift_error,
        "unexplained": tried.unexplained_error,
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


def cut(job: Job, record: np.ndarray) -> np.ndarray:
    """Record cut at the fire times, shape (shot, channel, time), in table order."""
    gathers = job.operator.pseudo_deblend(record.astype(np.float32))
    return in_table_order(job, gathers, job.delivered)
