"""Gathers of three sources with random delays, and what pseudo-deblending makes of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfiltfilt

from deblend.blending.operator import make_operator
from deblend.model.shots import Shots, make_shots
from deblend.qc.limits import default_limits
from deblend.qc.measure_setup import MeasureSetup
from deblend.qc.metric import MeasuredLine

INTERVAL_NS = 4_000_000
INTERVAL_S = 0.004


@dataclass(frozen=True, eq=False)
class QcLine:
    """A line whose interference is known."""

    shots: Shots
    truth: NDArray[np.float32]
    pseudo_deblended: NDArray[np.float32]
    plan: MeasureSetup

    @property
    def interference(self) -> NDArray[np.float32]:
        return self.pseudo_deblended - self.truth


def measured_line(setup: MeasureSetup, **known: Any) -> MeasuredLine:
    """A line under the default limits, its channels numbered from one."""
    numbers = np.arange(1, setup.channel_count + 1)
    return MeasuredLine(setup, numbers, 10 * setup.length, default_limits(), **known)


def small_setup(
    shots: Shots, windows: list[tuple[int, int]], counted: NDArray[np.bool_] | None = None
) -> MeasureSetup:
    """Windows of 4 ms samples of some shots, all of them counted unless said."""
    chosen = np.ones(len(shots), np.bool_) if counted is None else counted
    return MeasureSetup(shots, chosen, INTERVAL_S, windows[-1][1], windows, 4)


def make_qc_line(
    seed: int, *, sources: int = 3, slots: int = 48, channels: int = 4, length: int = 400
) -> QcLine:
    """Random layers, alike for neighbouring shots and for all sources, in noise of one in ten."""
    random = np.random.default_rng(seed)
    base = np.arange(slots) * 2_500_000_000 + 1_000_000_000
    fire = np.stack([base + random.integers(-3 * 10**8, 3 * 10**8, slots) for _ in range(sources)])
    shots = make_shots(
        np.repeat(np.arange(1, sources + 1), slots),
        np.tile(np.arange(slots), sources) + 1001,
        fire.ravel(),
        "utc",
    )
    truth = layered_gathers(random, sources, slots, channels, length)
    operator = make_operator(
        shots,
        start_ns=0,
        interval_ns=INTERVAL_NS,
        sample_count=625 * (slots + 2),
        length=length,
    )
    record = operator.blend(truth)
    record += 0.1 * truth.std() * random.standard_normal(record.shape).astype(np.float32)
    edges = [0, length // 2, length]
    plan = MeasureSetup(
        shots,
        np.ones(len(shots), np.bool_),
        INTERVAL_S,
        length,
        [(edges[0], edges[1]), (edges[1], edges[2])],
        channels,
    )
    return QcLine(shots, truth, operator.pseudo_deblend(record), plan)


def layered_gathers(
    random: np.random.Generator, sources: int, slots: int, channels: int, length: int
) -> NDArray[np.float32]:
    """White reflectivity between 6 and 60 Hz that dips by up to 1 ms a shot."""
    wide = length + 200
    layers = sosfiltfilt(
        butter(3, [6.0, 60.0], "bandpass", fs=1 / INTERVAL_S, output="sos"),
        random.standard_normal((sources, channels, wide)),
        axis=-1,
    )
    frequency = np.fft.rfftfreq(wide, INTERVAL_S)
    spectrum = np.fft.rfft(layers, axis=-1)[:, None]
    dip_s = random.uniform(-0.001, 0.001, sources)[:, None] * np.arange(slots)
    shifted = spectrum * np.exp(-2j * np.pi * frequency * dip_s[:, :, None, None])
    traces = np.fft.irfft(shifted, wide, axis=-1)[..., 100 : 100 + length]
    return traces.reshape(sources * slots, channels, length).astype(np.float32)
