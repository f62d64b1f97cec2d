"""`separate` from arrays to labelled gathers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray

import deblend
from deblend.blending.operator import make_operator
from deblend.errors import DeblendError, InputError, SeparationError, SettingsError, TimeError
from deblend.model.shots import Shots, make_shots
from deblend.separation.job import prepare, separate_channels
from deblend.separation.settings import SeparationSettings

INTERVAL_NS = 4_000_000
SLOTS, SOURCES, LENGTH = 48, 2, 200


def wavelet(time):
    scaled = (np.pi * 20 * time) ** 2
    return (1 - 2 * scaled) * np.exp(-scaled)


def truth_of(channel_count: int) -> np.ndarray:
    """Two dipping events a source, shape (source * slot, channel, time)."""
    time = np.arange(LENGTH) * 0.004
    slot = np.arange(SLOTS)[:, None, None]
    channel = np.arange(channel_count)[None, :, None]
    gathers = []
    for source in range(SOURCES):
        first = wavelet(time - 0.2 - 0.002 * slot - 0.003 * channel - 0.03 * source)
        second = 0.5 * wavelet(time - 0.45 + 0.0015 * slot - 0.001 * channel - 0.02 * source)
        gathers.append(first + second)
    return np.concatenate(gathers).astype(np.float32)


def shots_of(seed: int = 0) -> Shots:
    rng = np.random.default_rng(seed)
    base = np.arange(SLOTS) * 1_000_000_000 + 700_000_000
    times = [base + rng.integers(-300_000_000, 300_000_000, SLOTS) for _ in range(SOURCES)]
    return make_shots(
        np.repeat(np.arange(1, SOURCES + 1), SLOTS),
        np.tile(np.arange(SLOTS), SOURCES) + 1001,
        np.concatenate(times),
        "utc",
    )


def line(channel_count: int = 1, seed: int = 0):
    shots, truth = shots_of(seed), truth_of(channel_count)
    operator = make_operator(
        shots,
        start_ns=0,
        interval_ns=INTERVAL_NS,
        sample_count=250 * SLOTS + 500,
        length=LENGTH,
    )
    return record_of(operator.blend(truth)), shots, truth


def record_of(samples) -> deblend.Recording:
    return deblend.Recording(
        samples, interval_s=0.004, start="1970-01-01T00:00:00", time_scale="utc"
    )


def snr_db(truth, estimate) -> float:
    return float(10 * np.log10(np.sum(truth**2) / np.sum((truth - estimate) ** 2)))


def test_two_sources_are_separated(tmp_path):
    recording, shots, truth = line()
    result = deblend.separate(recording, shots, length_s=LENGTH * 0.004, method="fk", iterations=30)
    assert result.estimate.dims == ("shot", "channel", "time")
    assert result.estimate.shape == truth.shape
    assert result.estimate.dtype == np.float32
    assert result.estimate.live.all()
    start = snr_db(truth, prepare_pseudo(recording, shots))
    assert start < 1.0
    assert snr_db(truth, result.estimate.values) > 20
    assert len(result.history) == 30
    assert result.history[-1].residual_db < -25
    assert result.residual.shape == recording.shape
    assert result.residual.time[-1] == pytest.approx((recording.shape[1] - 1) * 0.004)
    result.residual.to_netcdf(tmp_path / "residual.nc")
    with xarray.open_dataarray(tmp_path / "residual.nc") as again:
        xarray.testing.assert_identical(again.load(), result.residual)


def prepare_pseudo(recording, shots):
    job = prepare(
        recording,
        shots,
        length_s=LENGTH * 0.004,
        method="fk",
        settings=SeparationSettings(iterations=1),
    )
    return separate_channels(job, job.blocks[0]).pseudo_deblended


def test_rounding_fire_times_to_samples_hurts():
    # Nobody may round fire times unnoticed: the same line, times rounded to 4 ms, is far worse.
    recording, shots, truth = line()
    rounded = replace(
        shots, fire_time_ns=np.rint(shots.fire_time_ns / INTERVAL_NS).astype(np.int64) * INTERVAL_NS
    )
    scores = [
        snr_db(
            truth,
            deblend.separate(recording, table, length_s=0.8, method="fk", iterations=30).estimate,
        )
        for table in (shots, rounded)
    ]
    assert scores[0] > scores[1] + 6


def test_same_seed_same_result_and_blocks_agree():
    recording, shots, _ = line(channel_count=3)
    method = {"length_s": 0.8, "method": "fk"}
    settings = SeparationSettings(iterations=4, robust=False)
    one, again = (
        deblend.separate(recording, shots, **method, iterations=4, robust=False).estimate
        for _ in range(2)
    )
    np.testing.assert_array_equal(one, again)
    job = prepare(recording, shots, memory_bytes=1, settings=settings, **method)
    assert len(job.blocks) == 3
    for block in job.blocks:
        part = separate_channels(job, block).estimate
        np.testing.assert_array_equal(part, one.values[:, block.start : block.stop])


def test_table_order_is_kept_and_undelivered_shots_are_zero():
    recording, shots, truth = line()
    order = np.random.default_rng(7).permutation(len(shots))
    deliver = np.ones(len(shots), bool)
    deliver[10] = False
    mixed = shots.with_flags(deliver=deliver).take(order)
    result = deblend.separate(recording, mixed, length_s=0.8, method="fk", iterations=30)
    row = int(np.flatnonzero(order == 10)[0])
    assert not result.estimate.live[row]
    assert not result.estimate[row].any()
    others = np.flatnonzero(order != 10)
    assert snr_db(truth[order[others]], result.estimate.values[others]) > 20
    np.testing.assert_array_equal(result.estimate.shot_point, mixed.shot_point)
    assert [finding.metric for finding in result.findings] == ["shots_not_wanted", "run_in"]


def test_unknown_samples_are_left_out():
    recording, shots, truth = line()
    samples = recording.read([0], 0, recording.shape[1])
    samples[0, 4000:4100] = np.nan
    samples[0, 7000] = np.inf
    result = deblend.separate(record_of(samples), shots, length_s=0.8, method="fk", iterations=30)
    assert np.isfinite(result.estimate).all()
    assert not result.residual[0, 4000:4100].any()
    assert snr_db(truth, result.estimate.values) > 15


def test_dead_channel_stays_dead():
    recording, shots, _ = line(channel_count=2)
    samples = recording.read([0, 1], 0, recording.shape[1])
    samples[1] = 0
    result = deblend.separate(record_of(samples), shots, length_s=0.8, method="fk", iterations=3)
    assert not result.estimate[:, 1].any()


def test_shots_outside_are_counted_and_not_delivered():
    recording, shots, _ = line()
    times = shots.fire_time_ns.copy()
    times[0], times[1] = -100_000_000, -900_000_000_000
    moved = replace(shots, fire_time_ns=times)
    result = deblend.separate(recording, moved, length_s=0.8, method="fk", iterations=2)
    assert result.estimate.live.values.tolist()[:3] == [False, False, True]
    counts = {finding.metric: finding.value for finding in result.findings}
    assert counts == {"shots_outside_record": 1, "shots_partly_outside_record": 1, "run_in": 8}


def test_two_sources_at_one_instant_are_legal():
    recording, shots, _ = line()
    times = shots.fire_time_ns.copy()
    times[SLOTS] = times[0]
    result = deblend.separate(
        recording,
        replace(shots, fire_time_ns=times),
        length_s=0.8,
        method="fk",
        iterations=2,
    )
    assert np.isfinite(result.estimate).all()


@pytest.mark.parametrize(
    ("choice", "rebuilds"), [("share_by_fold", True), ("add_to_each_shot", False)]
)
def test_unexplained_residual_goes_where_it_is_told(choice, rebuilds):
    recording, shots, _ = line()
    kept = deblend.separate(
        recording, shots, length_s=0.8, method="fk", iterations=2, residual=choice
    )
    level = np.linalg.norm(kept.residual) / np.linalg.norm(recording.read([0], 0, 12500))
    assert (level < 0.05) == rebuilds


def test_a_function_can_be_the_method():
    recording, shots, truth = line()
    shapes = set()

    def keep_large(patch, threshold):
        shapes.add(patch.ndim)
        spectrum = np.fft.rfftn(patch, axes=(1, 2, 3))
        spectrum[np.abs(spectrum) < threshold * 40] = 0
        return np.fft.irfftn(spectrum, patch.shape[1:], axes=(1, 2, 3))

    result = deblend.separate(recording, shots, length_s=0.8, method=keep_large, iterations=20)
    assert shapes == {4}
    assert result.settings["method"] == "keep_large"
    assert snr_db(truth, result.estimate.values) > 10


def test_callback_sees_each_iteration_and_can_stop():
    recording, shots, _ = line()
    seen = []

    def stop_at_three(record):
        seen.append(record.iteration)
        return record.iteration == 3

    deblend.separate(recording, shots, length_s=0.8, method="fk", callback=stop_at_three)
    assert seen == [1, 2, 3]


@pytest.mark.parametrize(
    ("settings", "error", "words"),
    [
        ({"length_s": 0.0}, SettingsError, "length_s is 0.0"),
        ({"length_s": 1e4}, InputError, "gathers of 10000.0 s"),
        ({"length_s": 0.8, "method": "fkk"}, SettingsError, "Did you mean 'fk'"),
        ({"length_s": 0.8, "method": 3}, SettingsError, "no separator method"),
        ({"length_s": 0.8, "iterations": 0}, SettingsError, "iterations is 0"),
        ({"length_s": 0.8, "seed": -1}, SettingsError, "seed is -1"),
        ({"length_s": 0.8, "residual": "drop"}, SettingsError, "residual 'drop'"),
        ({"length_s": 0.8, "device": "tpu"}, SettingsError, "device 'tpu'"),
    ],
)
def test_senseless_settings_are_refused(settings, error, words):
    recording, shots, _ = line()
    with pytest.raises(error, match=words):
        deblend.separate(recording, shots, **settings)


def test_time_scales_must_agree():
    recording, shots, _ = line()
    with pytest.raises(TimeError, match="shots are in GPS and the record in UTC"):
        deblend.separate(recording, replace(shots, time_scale="gps"), length_s=0.8)


def test_no_shot_inside_is_an_error():
    recording, shots, _ = line()
    late = replace(shots, fire_time_ns=shots.fire_time_ns + 10**15)
    with pytest.raises(InputError, match=r"none of the 96 shots .* \(96 lie wholly outside\)"):
        deblend.separate(recording, late, length_s=0.8)


def test_a_method_that_returns_nan_is_named():
    recording, shots, _ = line()
    with pytest.raises(SeparationError, match="not finite"):
        deblend.separate(
            recording, shots, length_s=0.8, method=lambda patch, _: patch * np.nan, iterations=3
        )
    assert issubclass(SeparationError, DeblendError)
