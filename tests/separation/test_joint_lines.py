"""The joint method on whole lines: what differs between sources survives, nothing diverges."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import deblend
from deblend.blending.operator import make_operator
from deblend.model.shots import make_shots

INTERVAL_NS = 4_000_000
SOURCES, SLOTS, CHANNELS, LENGTH = 3, 32, 8, 160


def wavelet(time):
    scaled = (np.pi * 22 * time) ** 2
    return (1 - 2 * scaled) * np.exp(-scaled)


def truth(one_source_only):
    """Shared events that move a little from source to source, and one that only source 2 sees."""
    time = np.arange(LENGTH) * 0.004
    slot = np.arange(SLOTS)[:, None, None]
    channel = np.arange(CHANNELS)[None, :, None]
    gathers = np.zeros((SOURCES, SLOTS, CHANNELS, LENGTH))
    for source in range(SOURCES):
        for at, dip, moveout, size in ((0.1, 1, 4, 1.0), (0.25, -2, 2, 0.4), (0.4, 3, 1, 0.25)):
            arrival = at + 1e-3 * (dip * slot + moveout * channel + 4 * source)
            gathers[source] += size * wavelet(time - arrival)
    alone = 0.15 * wavelet(time - 0.5 + 2e-3 * slot - 1e-3 * channel)
    gathers[1] += one_source_only * alone
    return gathers.reshape(-1, CHANNELS, LENGTH).astype(np.float32)


def line(gathers, interval_s=1.2, dither_s=0.3, seed=0):
    rng = np.random.default_rng(seed)
    base_s = 0.7 + interval_s * np.arange(SLOTS)
    seconds = np.concatenate([base_s + rng.uniform(0, 2 * dither_s, SLOTS) for _ in range(SOURCES)])
    shots = make_shots(
        np.repeat(np.arange(1, SOURCES + 1), SLOTS),
        np.tile(np.arange(SLOTS), SOURCES),
        np.rint(seconds * 1e9).astype(np.int64),
        "utc",
    )
    operator = make_operator(
        shots,
        start_ns=0,
        interval_ns=INTERVAL_NS,
        sample_count=round((interval_s * SLOTS + 2.5) / 0.004),
        length=LENGTH,
    )
    return operator.blend(gathers), shots, operator


def separated(record, shots, method, iterations=30):
    recording = deblend.Recording(record, interval_s=0.004, start=0, time_scale="utc")
    return deblend.separate(
        recording, shots, length_s=LENGTH * 0.004, method=method, iterations=iterations
    )


def snr_db(wanted, found):
    return 10 * np.log10(np.sum(wanted**2) / np.sum((wanted - found) ** 2))


def test_joint_beats_fk_on_differences_and_on_an_event_of_one_source():
    full = truth(1.0)
    record, shots, _ = line(full)
    by_source = (SOURCES, SLOTS, CHANNELS, LENGTH)
    wanted = full.reshape(by_source)
    alone = wanted[1] - truth(0.0).reshape(by_source)[1]
    scores = {}
    for method in ("fk", "joint"):
        found = separated(record, shots, method).estimate.values.reshape(by_source)
        leaked = found[[0, 2]] - wanted[[0, 2]]
        # What of the event appears in the sources that do not see it, by projection.
        crosstalk = np.abs(np.sum(leaked * alone, axis=(1, 2, 3))) / np.sum(alone**2)
        window = np.s_[..., 100:]
        scores[method] = (
            snr_db(np.diff(wanted, axis=0), np.diff(found, axis=0)),
            snr_db(wanted[1][window], found[1][window]),
        )
        assert crosstalk.max() < 0.05
    assert scores["joint"][0] > scores["fk"][0] + 3
    assert scores["joint"][1] > scores["fk"][1] + 3


def at_trace_ends():
    gathers = np.zeros((SOURCES * SLOTS, CHANNELS, LENGTH), np.float32)
    gathers[..., [0, 1, -2, -1]] = 1.0
    return line(gathers)[:2]


def at_fold_eight():
    record, shots, operator = line(truth(1.0), interval_s=0.25, dither_s=0.1)
    assert operator.fold.max() >= 8
    return record, shots


def with_wrong_times():
    record, shots, _ = line(truth(1.0))
    error = np.random.default_rng(1).normal(0, 3e6, len(shots)).astype(np.int64)
    return record, replace(shots, fire_time_ns=shots.fire_time_ns + error)


def with_gaps():
    record, shots, _ = line(truth(1.0))
    for begin in (700, 2000, 5000):
        record[:, begin : begin + 150] = np.nan
    return record, shots


def white_noise():
    record, shots, _ = line(truth(0.0))
    noise = np.random.default_rng(2).standard_normal(record.shape)
    return noise.astype(np.float32), shots


@pytest.mark.parametrize("method", ["fk", "joint"])
@pytest.mark.parametrize(
    "trouble", [at_trace_ends, at_fold_eight, with_wrong_times, with_gaps, white_noise]
)
def test_nothing_diverges(trouble, method):
    record, shots = trouble()
    result = separated(record, shots, method, iterations=24)
    residual = [step.residual_energy for step in result.history]
    assert residual[-1] <= 1.02 * residual[0]
    assert max(residual) <= 1.2 * residual[0]
    assert np.isfinite(result.estimate).all()
    energy = float((result.estimate.values**2).sum())
    assert energy <= 2.0 * float(np.nansum(record**2))
