"""Predicted separation: an alternative fired over a small made earth, and separated."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.blending.operator import record_operator
from deblend.decibels import decibels
from deblend.plan.alternative import (
    channel_offsets_m,
    source_positions_m,
    speeds_m_s,
    streamer_positions_m,
)
from deblend.plan.contents import Prediction, not_simulated
from deblend.plan.firing import NominalShots, firing_plan, table_firing
from deblend.plan.keys import Alternative, SimulationTable, TargetTable
from deblend.plan.plan_file import Plan
from deblend.plan.shot_timing import time_between_shots_s
from deblend.qc.scores import truth_energy
from deblend.separation.separate import separate_line
from deblend.separation.settings import SeparationSettings
from deblend.synth import build
from deblend.synth.acquisition import Acquisition, Streamer, TowedSource
from deblend.synth.earths import EarthLimits, varied_earth
from deblend.synth.firing import GivenFiring
from deblend.synth.line import MadeLine
from deblend.synth.noise import White
from deblend.synth.signature import Signature
from deblend.words import counted

INTERVAL_S: Final = 0.008
BAND_HZ: Final = (4.0, 28.0, 58.0)
"""Low cut, begin and end of the high cut: below the Nyquist frequency of 62.5 Hz."""

QUIET_END_S: Final = 0.35
WINDOWS: Final = 6
MOST_SOURCES: Final = 6
EARTH_SEED: Final = 11

OnProgress = Callable[[str], None]
Floats = NDArray[np.float64]


def predict(plan: Plan, on_progress: OnProgress | None = None) -> list[Prediction]:
    """Simulate every alternative that has overlap, the reference too."""
    predictions = []
    for alternative in plan.columns:
        reason = _why_not(alternative, plan.target)
        if reason:
            predictions.append(not_simulated(alternative.name, reason))
            continue
        predictions.append(_predicted(plan, alternative, on_progress or (lambda _: None)))
    return predictions


def _why_not(alternative: Alternative, target: TargetTable) -> str:
    if alternative.sources.count > MOST_SOURCES:
        return f"The made earth takes at most {MOST_SOURCES} sources."
    together = alternative.firing.scheme == "near-simultaneous" and alternative.sources.count > 1
    time_s = time_between_shots_s(alternative.firing.shot_interval_m, speeds_m_s(alternative)[1])
    if not together and time_s >= target.record_length_s:
        return "Shots do not overlap at the usual speed: there is nothing to separate."
    return ""


def _predicted(plan: Plan, alternative: Alternative, on_progress: OnProgress) -> Prediction:
    settings = plan.simulation
    scores = []
    table = plan.tables.get(alternative.name)
    draws = 1 if table is not None or alternative.dither.law == "none" else settings.seeds
    if alternative.firing.scheme == "natural timing":
        draws = settings.seeds
    for draw in range(draws):
        on_progress(f"{alternative.name}, draw {draw + 1} of {draws}")
        if table is not None:
            firing = table_firing(alternative, table)
        else:
            firing = firing_plan(alternative, settings.shots, alternative.dither.seed + draw)
        scene = scene_plan(alternative, plan.target, settings, firing)
        scores.append(_scored(build.build_line(scene, seed=draw), settings))
    windows = _windows_s(plan.target.record_length_s)
    start, after = (np.stack([score[k] for score in scores]) for k in (0, 1))
    sources = tuple(range(1, alternative.sources.count + 1))
    return Prediction(
        alternative.name, _words(alternative, settings), windows, sources, start, after
    )


def _words(alternative: Alternative, settings: SimulationTable) -> str:
    return (
        f"{counted(settings.shots, 'shot')} of each source, "
        f"{counted(settings.channels, 'channel')} of the streamer nearest the track, "
        f"{settings.iterations} iterations of the default method, white noise "
        f"of {100 * settings.noise:g} %, at {alternative.vessel.speed_kn[1]:g} knots"
    )


def scene_plan(
    alternative: Alternative, target: TargetTable, settings: SimulationTable, firing: NominalShots
) -> build.SceneDesign:
    """The made scene: planned positions, intervals, delays and decay, over a varied earth."""
    record_s, interval_m = target.record_length_s, alternative.firing.shot_interval_m
    speed = speeds_m_s(alternative)[1]
    limits = EarthLimits(
        last_s=record_s - QUIET_END_S,
        line_m=float(firing.along_m.max()) + interval_m,
        loss_db=target.loss_db,
        layers=max(6, round(3.0 * record_s)),
        diffractors=round(16 * record_s),
    )
    return build.SceneDesign(
        name=alternative.name,
        description="made for a plan",
        geology=varied_earth(limits, seed=EARTH_SEED),
        acquisition=Acquisition(
            sources=_sources(alternative),
            streamer=_streamer(alternative, settings.channels),
            firing=_given(firing, settings.shots, speed, interval_m / speed),
            speed_m_s=speed,
        ),
        noise=(White(settings.noise),) if settings.noise else (),
        length_s=record_s,
        interval_s=INTERVAL_S,
    )


def _given(firing: NominalShots, shots: int, speed_m_s: float, interval_s: float) -> GivenFiring:
    times = firing.times_s(speed_m_s)
    rows = tuple(
        tuple(times[firing.source == source][:shots].tolist())
        for source in np.unique(firing.source)
    )
    return GivenFiring("random", interval_s, len(rows[0]), given_s=rows)


def _sources(alternative: Alternative) -> tuple[TowedSource, ...]:
    signature = Signature(*BAND_HZ, depth_m=alternative.sources.depth_m)
    return tuple(
        TowedSource(float(place), signature=signature) for place in source_positions_m(alternative)
    )


def _streamer(alternative: Alternative, channels: int) -> Streamer:
    streamers = alternative.streamers
    places = streamer_positions_m(alternative)
    return Streamer(
        min(channels, len(channel_offsets_m(alternative))),
        streamers.group_interval_m,
        streamers.nearest_offset_m,
        streamers.depth_m,
        crossline_m=float(places[np.argmin(np.abs(places))]),
    )


def _windows_s(record_s: float) -> tuple[tuple[float, float], ...]:
    """Equal windows from the time break to the deepest event."""
    edges = np.linspace(0.0, record_s - QUIET_END_S, WINDOWS + 1)
    return tuple((float(low), float(high)) for low, high in pairwise(edges))


def _scored(line: MadeLine, settings: SimulationTable) -> tuple[Floats, Floats]:
    """Ratios before and after, shape (source, window), over shots of mid-line."""
    recording = line.recording
    result = separate_line(
        recording,
        line.shots,
        length_s=line.length_s,
        settings=SeparationSettings(iterations=settings.iterations),
    )
    truth = line.gathers
    operator = record_operator(recording, line.shots, truth.shape[2])
    record = recording.read(range(recording.shape[0]), 0, recording.shape[1])
    start = np.asarray(operator.pseudo_deblend(record), np.float32)
    windows = [
        (round(low / INTERVAL_S), round(high / INTERVAL_S))
        for low, high in _windows_s(line.length_s)
    ]
    inner = _inner(line)
    energy = truth_energy(truth, result.estimate.to_numpy(), start, windows, INTERVAL_S)
    out = np.empty((2, len(line.shots.sources), len(windows)))
    for row, source in enumerate(line.shots.sources):
        chosen = inner & (line.shots.source == source)
        for column in range(len(windows)):
            whole = energy.truth[chosen, 0, column + 1].sum()
            for k, error in enumerate((energy.start_error, energy.error)):
                out[k, row, column] = -decibels(error[chosen, 0, column + 1].sum(), whole)
    return out[0], out[1]


def _inner(line: MadeLine) -> NDArray[np.bool_]:
    """Shots whose records are overlapped as in the middle of a line; all if there are none."""
    seconds = (line.true_fire_time_ns - line.true_fire_time_ns.min()) * 1e-9
    inner = (seconds >= line.length_s) & (seconds <= seconds.max() - line.length_s)
    return np.asarray(inner if inner.sum() >= len(inner) // 3 else np.ones_like(inner))
