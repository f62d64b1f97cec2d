"""What can be measured of a separation without its answer, and its true error."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from deblend.inject.event_design import design_events
from deblend.inject.injected_events import EventGathers, inject
from deblend.model.recording import Recording
from deblend.qc.leakage import measure_leakage
from deblend.qc.measure_setup import MeasureSetup, sample_windows
from deblend.qc.metrics import setup_of
from deblend.separation.job import BlockResult, Job, prepare, separate_channels
from deblend.separation.settings import SeparationSettings
from deblend.synth.line import MadeLine

PIECE, WITHHELD, LEVEL_DB = 40, 0.03, -6.0
MOST_CHANNELS, TRIAL_CHANNELS = 24, 12
TINY = 1e-30
Table = dict[str, np.ndarray]
"""(source, 1 + window) of each quantity; column 0 is the whole trace."""


def measure(line: MadeLine, method: str, iterations: int) -> tuple[Table, dict[str, float]]:
    """All quantities as ratios of energies, and numbers of the run."""
    settings = SeparationSettings(iterations=iterations, device="cpu")
    job = prepare(
        line.recording, line.shots, length_s=line.length_s, method=method, settings=settings
    )
    job = replace(job, measured_reference=job.reference)
    job, learned = with_learned_floor(job)
    main = separate_channels(job, range(line.recording.shape[0]))
    sums = Sums(job)
    signal = sums(main.estimate**2)
    truth = line.gathers
    out: Table = {
        "true": sums((main.estimate - truth) ** 2) / np.maximum(sums(truth**2), TINY),
        "level": signal / np.maximum(signal[:, :1], TINY),
        "interference": sums((main.pseudo_deblended - main.estimate) ** 2) / signal,
        "residual": sums(cut(job, main.residual) ** 2) / signal,
    }
    out |= shot_to_shot(job, main, sums, signal)
    out |= line_up(job, main.channels, main, signal)
    out |= trial(job, main, sums, line)
    known = main.known
    about = {
        "record_residual": float(
            np.sum(main.residual[known] ** 2, dtype=np.float64)
            / np.sum(main.record[known] ** 2, dtype=np.float64)
        ),
        "channels": len(main.channels),
        "shots": len(line.shots),
        "sources": len(line.shots.sources),
        "fold": float(job.operator.fold[job.operator.fold > 0].mean()),
        "strictness": main.history[-1].strictness,
        "low_cut_hz": setup_of(job).low_cut_hz,
        "noise_share": learned,
    }
    return out, about


def trial(job: Job, main: BlockResult, sums: Sums, line: MadeLine) -> Table:
    """What trial separations tell: of all channels, or of the middle ones of many by themselves."""
    offset = line.geometry.offset_m
    base = main
    if len(main.channels) > MOST_CHANNELS:
        first = (len(main.channels) - TRIAL_CHANNELS) // 2
        middle = range(first, first + TRIAL_CHANNELS)
        samples = job.recording.read(middle, 0, job.recording.shape[1])
        job = with_samples(
            job, samples, np.asarray(job.recording.channel_numbers)[middle.start : middle.stop]
        )
        base = separate_channels(job, range(TRIAL_CHANNELS))
        offset = offset[:, middle.start : middle.stop]
    signal = sums(base.estimate**2)
    out = withheld(job, base.channels, base, sums, signal)
    return out | injected(job, base.channels, base, sums, offset)


def with_learned_floor(job: Job) -> tuple[Job, float]:
    """The job as `separate` would run it, where the floor is learned."""
    try:
        from deblend.separation.learned_floor import (
            channels_to_learn_from,
            learn_noise_share,
            learns_floor,
        )
    except ImportError:
        return job, 1.0
    if not learns_floor(job):
        return job, 1.0
    share = learn_noise_share(job, channels_to_learn_from(range(job.recording.shape[0])))
    return replace(job, noise_share=share), float(np.mean(share))


def low_floor(job: Job) -> Job:
    """As the trial separation that learns the floor."""
    try:
        from deblend.separation.learned_floor import LEAST_SHARE, learns_floor
    except ImportError:
        return job
    return replace(job, noise_share=LEAST_SHARE) if learns_floor(job) else job


class Sums:
    """Sums of (shot, channel, time) over shots of each source, channels, and windows."""

    def __init__(self, job: Job) -> None:
        self.rows = [
            np.flatnonzero(job.delivered & (job.shots.source == source))
            for source in job.shots.sources
        ]
        self.windows = sample_windows(job.length)

    def __call__(self, power: np.ndarray) -> np.ndarray:
        """Sums, shape (source, 1 + window); the whole trace first."""
        by_time = power.sum(axis=1, dtype=np.float64)
        out = np.empty((len(self.rows), 1 + len(self.windows)))
        for number, rows in enumerate(self.rows):
            trace = by_time[rows].sum(axis=0)
            out[number] = [trace.sum(), *(trace[a:b].sum() for a, b in self.windows)]
        return np.maximum(out, TINY)


def cut(job: Job, record: np.ndarray) -> np.ndarray:
    """Record cut at the fire times, shape (shot, channel, time), in table order."""
    from deblend.separation.job import in_table_order

    gathers = job.operator.pseudo_deblend(record.astype(np.float32))
    return in_table_order(job, gathers, job.delivered)


def with_samples(job: Job, samples: np.ndarray, numbers: np.ndarray | None = None) -> Job:
    recording = job.recording
    changed = Recording(
        samples,
        interval_s=recording.interval_s,
        start=recording.start_ns,
        time_scale=recording.scale,
        channels=recording.channel_numbers if numbers is None else numbers,
    )
    return replace(job, recording=changed)


def pieces(shape: tuple[int, int], seed: int = 0) -> np.ndarray:
    """As `deblend.separation.learned_floor.withheld_pieces`."""
    channels, samples = shape
    count = max(1, round(WITHHELD * samples / PIECE))
    stretch = samples / count
    mask = np.zeros(shape, np.bool_)
    for channel in range(channels):
        random = np.random.default_rng([seed, channel, PIECE])
        spare = max(stretch - PIECE, 1.0)
        starts = np.arange(count) * stretch + random.uniform(0, spare, count)
        for start in starts.astype(int):
            mask[channel, start : start + PIECE] = True
    return mask


def withheld(job: Job, channels: range, main: BlockResult, sums: Sums, signal: np.ndarray) -> Table:
    mask = pieces(main.record.shape) & main.known
    samples = np.where(main.known & ~mask, main.record, np.nan).astype(np.float32)
    after = separate_channels(with_samples(low_floor(job), samples), channels)
    return _withheld(job, main, after, mask, sums, signal)


def _withheld(
    job: Job,
    main: BlockResult,
    after: BlockResult,
    mask: np.ndarray,
    sums: Sums,
    signal: np.ndarray,
) -> Table:
    from deblend.blending.operator import operator_of

    operator = operator_of(job.recording, job.shots, job.length)
    error = np.where(mask, main.record - operator.blend(after.estimate), 0)
    own = np.where(mask, main.residual, 0)
    inside = cut(job, mask) > 0.5
    at = sums(np.where(inside, main.estimate**2, 0))
    change = (main.estimate - after.estimate) ** 2
    elsewhere = sums(np.where(inside, 0, main.estimate**2))
    everywhere = float(np.sum(main.record[mask] ** 2, dtype=np.float64))
    return {
        "withheld_error": sums(np.where(inside, cut(job, error), 0) ** 2) / at,
        "withheld_residual": sums(np.where(inside, cut(job, own), 0) ** 2) / at,
        "withheld_change": sums(np.where(inside, change, 0)) / at,
        "outside_change": sums(np.where(inside, 0, change)) / elsewhere,
        "record_withheld_error": np.full_like(
            at, float(np.sum(error**2, dtype=np.float64)) / everywhere
        ),
        "record_withheld_residual": np.full_like(
            at, float(np.sum(own**2, dtype=np.float64)) / everywhere
        ),
    }


def injected(
    job: Job, channels: range, main: BlockResult, sums: Sums, offset_m: np.ndarray
) -> Table:
    sources = job.shots.sources
    some = np.concatenate(
        [rows[np.linspace(0, len(rows) - 1, 12).astype(int)] for rows in sums.rows]
    )
    number = np.searchsorted(np.array(sources), job.shots.source[some])
    known = bool(np.isfinite(offset_m).all())
    offset = offset_m if known else np.zeros(main.estimate.shape[:2])
    events = design_events(
        main.estimate[some],
        number.astype(np.int64),
        offset[some] if known else None,
        job.recording.interval_s,
        level_db=LEVEL_DB,
        seed=0,
    )
    added = EventGathers(events, job.shots, offset, job.recording.interval_s, job.length)
    out: Table = {}
    every = np.arange(len(job.shots))
    put_in = added.gathers(every, channels)
    after = separate_channels(replace(job, recording=inject(job.recording, added)), channels)
    change = after.estimate - main.estimate
    energy = sums(put_in**2)
    out["injected_error"] = sums((change - put_in) ** 2) / energy
    out["injected_level"] = energy / sums(main.estimate**2)
    product = np.stack([sums(change * put_in)])[0]
    out["injected_kept"] = product / energy
    mask = pieces(main.record.shape) & main.known
    both = with_samples(
        job,
        np.where(
            main.known & ~mask,
            inject(job.recording, added).read(channels, 0, mask.shape[1]),
            np.nan,
        ),
    )
    after_both = separate_channels(both, channels)
    change = after_both.estimate - main.estimate
    out["both_injected_error"] = sums((change - put_in) ** 2) / energy
    without = replace(after_both, estimate=after_both.estimate - put_in)
    out |= {
        f"both_{name}": values
        for name, values in _withheld(job, main, without, mask, sums, energy).items()
    }
    mirrored = np.zeros_like(main.estimate)
    for rows in sums.rows:
        ordered = rows[np.argsort(job.shots.fire_time_ns[rows], kind="stable")]
        mirrored[ordered] = 0.5 * main.estimate[ordered[::-1]]
    record = job.recording.read(channels, 0, mask.shape[1])
    from deblend.blending.operator import operator_of

    operator = operator_of(job.recording, job.shots, job.length)
    more = with_samples(job, record + operator.blend(mirrored))
    change = separate_channels(more, channels).estimate - main.estimate
    out["mirror_error"] = sums((change - mirrored) ** 2) / sums(mirrored**2)
    only = replace(added, only=sources[0])
    after = separate_channels(replace(job, recording=inject(job.recording, only)), channels)
    change = sums((after.estimate - main.estimate) ** 2)
    into = sums(only.gathers(every, channels) ** 2)[0]
    out["elsewhere"] = change / np.maximum(into, TINY)
    out["elsewhere"][0] = out["elsewhere"][1:].mean(axis=0) if len(sources) > 1 else np.nan
    return out


def shot_to_shot(job: Job, main: BlockResult, sums: Sums, signal: np.ndarray) -> Table:
    """Shifts of single shots against their neighbours, and what neighbours do not predict."""
    own = main.estimate + cut(job, main.residual)
    slope = np.gradient(main.estimate, job.recording.interval_s, axis=-1)
    unlike, kept_unlike = np.zeros_like(own), np.zeros_like(own)
    shift2 = np.zeros(len(sums.rows))
    for number, rows in enumerate(sums.rows):
        ordered = rows[np.argsort(job.shots.fire_time_ns[rows], kind="stable")]
        middle, before, behind = ordered[1:-1], ordered[:-2], ordered[2:]
        off = own[middle] - 0.5 * (own[before] + own[behind])
        unlike[middle] = off * np.sqrt(2 / 3)
        est = main.estimate
        kept_unlike[middle] = (est[middle] - 0.5 * (est[before] + est[behind])) * np.sqrt(2 / 3)
        steep = slope[middle]
        shift = -np.sum(off * steep, axis=-1, dtype=np.float64) / np.maximum(
            np.sum(steep**2, axis=-1, dtype=np.float64), TINY
        )
        count = shift.shape[1]
        if count > 1:
            square = (shift.sum(axis=1) ** 2 - (shift**2).sum(axis=1)) / (count * (count - 1))
            shift2[number] = max(float(np.mean(square)), 0.0) / 1.5
        else:
            shift2[number] = float(np.median(shift**2)) / 0.4549 / 1.5
    return {
        "shift": np.maximum(shift2[:, None], 1e-16) * sums(slope**2) / signal,
        "shift_s": np.repeat(np.sqrt(shift2)[:, None], signal.shape[1], axis=1),
        "unlike": sums(unlike**2) / signal,
        "kept_unlike": sums(kept_unlike**2) / signal,
    }


def line_up(job: Job, channels: range, main: BlockResult, signal: np.ndarray) -> Table:
    """The measures of what lines up."""
    setup: MeasureSetup = setup_of(job)
    leakage = measure_leakage(setup, channels, main.pseudo_deblended, main.estimate)
    removed, crosstalk = leakage.removed, leakage.crosstalk
    copied = np.nan_to_num(crosstalk.copied) ** 2
    sources = range(len(job.shots.sources))
    parts = {
        "lost": np.nan_to_num(removed.lost_fraction) ** 2,
        "coherent": np.maximum(np.nan_to_num(removed.coherent_over_kept), 0),
        "copied": np.stack(
            [sum(copied[i, j] for j in sources if j != i) + 0 * copied[i, i] for i in sources]
        ),
        "other": np.stack(
            [
                sum(
                    np.maximum(np.nan_to_num(crosstalk.other_energy[i, j]), 0)
                    for j in sources
                    if j != i
                )
                + 0 * copied[i, i]
                for i in sources
            ]
        ),
    }
    return {
        name: np.concatenate(
            [np.sum(part * signal[:, 1:], axis=1, keepdims=True) / signal[:, :1], part], axis=1
        )
        for name, part in parts.items()
    }
