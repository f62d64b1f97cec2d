"""What `deblend make` does: from geology, acquisition and noise to a line with the answer."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from deblend.blending.operator import make_operator
from deblend.errors import InputError
from deblend.model.recording import Gap, Recording
from deblend.model.shots import Shots
from deblend.model.timebase import NS_PER_S, interval_to_ns
from deblend.synth.acquisition import Acquisition, TrueShots, true_shots
from deblend.synth.geology import Geology, record_source
from deblend.synth.line import MadeLine, NominalStreamer
from deblend.synth.noise import Noise, Record, root_mean_square
from deblend.synth.wave_earth import WaveEarth

TAPER_S = 0.1
LEAD_S = 1.5
CHANNELS_AT_ONCE = 16


@dataclass(frozen=True)
class SceneDesign:
    """Everything that a line is made of; one design and seed give one line."""

    name: str
    description: str
    """For tables and titles."""
    geology: Geology | WaveEarth
    """The earth: events that are added up, or a model in which waves are computed."""
    acquisition: Acquisition
    """The way it is shot."""
    noise: tuple[Noise, ...]
    """What the sea adds."""
    length_s: float
    interval_s: float = 0.004
    """Of the gathers."""


def build_line(design: SceneDesign, seed: int = 0) -> MadeLine:
    """Make a line.

    The truth fades to zero within the last 0.1 s of each trace, so that the record holds nothing
    that the truth does not; the record is its blend in double precision at the true fire times.
    `seed` is that of everything random that has none of its own.
    """
    interval_ns = interval_to_ns(design.interval_s)
    length = round(design.length_s * NS_PER_S / interval_ns)
    if length < 1:
        raise InputError(
            f"a length of {design.length_s} s holds no sample", remedy="Give a longer record."
        )
    fired = true_shots(design.acquisition, seed)
    gathers = truth_gathers(design, fired, length)
    start_ns, sample_count = record_span(fired.true_fire_time_ns, length, interval_ns)
    at_true_times = replace(fired.shots, fire_time_ns=fired.true_fire_time_ns)
    record = blend_at(at_true_times, gathers, start_ns, interval_ns, sample_count)
    noise_rms = _add_noise(record, design, seed)
    gaps = _cut_gaps(record, design.acquisition, start_ns, interval_ns)
    shots, streamer = fired.shots, design.acquisition.streamer
    return MadeLine(
        name=design.name,
        description=design.description,
        recording=Recording(
            record,
            interval_s=design.interval_s,
            start=start_ns,
            time_scale=shots.time_scale,
            gaps=gaps,
        ),
        shots=shots,
        geometry=fired.geometry,
        truth={source: gathers[shots.rows_of(source)] for source in shots.sources},
        length_s=design.length_s,
        noise_rms=noise_rms,
        true_fire_time_ns=fired.true_fire_time_ns,
        streamer=NominalStreamer(
            streamer.nearest_offset_m,
            streamer.group_interval_m,
            streamer.depth_m,
            streamer.crossline_m,
        ),
    )


def truth_gathers(design: SceneDesign, fired: TrueShots, length: int) -> NDArray[np.float32]:
    """Noise-free gathers of all shots, shape (shot, channel, time); misfires are zero."""
    shots, receiver = fired.shots, fired.receiver_m
    gathers = np.empty((*receiver.shape[:2], length), dtype=np.float32)
    earth = design.geology
    record = earth.record_source if isinstance(earth, WaveEarth) else partial(record_source, earth)
    for number, towed in enumerate(design.acquisition.sources, start=1):
        rows = shots.rows_of(number)
        gathers[rows] = record(
            number,
            towed.signature,
            fired.source_m[rows],
            receiver[rows],
            interval_s=design.interval_s,
            sample_count=length,
        )
    fade = min(length, round(TAPER_S / design.interval_s))
    gathers[..., length - fade :] *= (
        np.cos(0.5 * np.pi * np.arange(1, fade + 1) / fade) ** 2
    ).astype(np.float32)
    gathers[..., -1] = 0.0
    gathers[~shots.live] = 0.0
    return gathers


def record_span(fire_time_ns: NDArray[np.int64], length: int, interval_ns: int) -> tuple[int, int]:
    """Start of a record that holds all shots with 1.5 s before and after, and its samples."""
    start = int(fire_time_ns.min()) - round(LEAD_S * NS_PER_S)
    start -= start % interval_ns
    stop = int(fire_time_ns.max()) + length * interval_ns + round(LEAD_S * NS_PER_S)
    return start, (stop - start) // interval_ns


def blend_at(
    shots: Shots,
    gathers: NDArray[np.float32],
    start_ns: int,
    interval_ns: int,
    sample_count: int,
) -> NDArray[np.float32]:
    """Record of gathers fired at the times of `shots`, shape (channel, time), in float64 inside."""
    operator = make_operator(
        shots,
        start_ns=start_ns,
        interval_ns=interval_ns,
        sample_count=sample_count,
        length=gathers.shape[2],
        dtype=np.float64,
    )
    record = np.empty((gathers.shape[1], sample_count), dtype=np.float32)
    for first in range(0, len(record), CHANNELS_AT_ONCE):
        block = slice(first, first + CHANNELS_AT_ONCE)
        record[block] = operator.blend(gathers[:, block].astype(np.float64))
    return record


def _add_noise(record: NDArray[np.float32], design: SceneDesign, seed: int) -> dict[str, float]:
    """Add every noise in place; return the rms of each."""
    about = Record(
        channel_count=record.shape[0],
        sample_count=record.shape[1],
        interval_s=design.interval_s,
        group_interval_m=design.acquisition.streamer.group_interval_m,
        signal_rms=root_mean_square(record),
    )
    rms: dict[str, float] = {}
    total = np.zeros_like(record)
    for number, noise in enumerate(design.noise):
        made = noise.make(about, np.random.default_rng((seed, 0x2015E, number)))
        name = type(noise).__name__
        rms[name if name not in rms else f"{name} {number + 1}"] = root_mean_square(made)
        total += made
    record += total
    return rms


def _cut_gaps(
    record: NDArray[np.float32], acquisition: Acquisition, start_ns: int, interval_ns: int
) -> tuple[Gap, ...]:
    """Blank the gaps with NaN, in place."""
    gaps = []
    for begin_s, length_s in acquisition.trouble.gaps_s:
        at_ns = acquisition.start_ns - start_ns + round(begin_s * NS_PER_S)
        first = at_ns // interval_ns
        last = first + round(length_s * NS_PER_S) // interval_ns
        if not 0 <= first < last <= record.shape[1]:
            raise InputError(
                f"a gap of {length_s} s at {begin_s} s lies outside the record",
                remedy="Keep gaps within the line.",
            )
        record[:, first:last] = np.nan
        gaps.append(Gap(int(first), int(last)))
    return tuple(gaps)
