"""Calibration of leakage and loss: known interference left, known signal taken, nothing wrong."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from numpy.typing import NDArray
from qc_line import QcLine, layered_gathers, make_qc_line, measured_line
from scipy.fft import rfft
from scipy.signal import butter, coherence, csd, periodogram, sosfiltfilt

from deblend.model.shots import make_shots
from deblend.qc.bands import band_weights, octave_bands
from deblend.qc.crosstalk import CrosstalkEnergy
from deblend.qc.group_likeness import AlikeGroups, alike_groups, group_likeness, octave_weights
from deblend.qc.leakage import Leakage, leakage_findings, leakage_maps, line_flags, measure_leakage
from deblend.qc.leakage_rows import alike_rows
from deblend.qc.likeness_maps import (
    WindowProducts,
    join_products,
    spectrum_length,
    window_products,
)
from deblend.qc.limits import default_limits, overall_verdict
from deblend.qc.measure_setup import MeasureSetup, padded_length, without_low
from deblend.qc.significance import correlation_null, flag


def cut_low(samples: NDArray[np.float32], plan: MeasureSetup) -> NDArray[np.float32]:
    length, padded = samples.shape[-1], padded_length(samples.shape[-1], plan)
    return without_low(rfft(samples, padded, axis=-1), length, padded, plan)


@pytest.fixture(scope="module")
def line() -> QcLine:
    return make_qc_line(1)


def measured(line: QcLine, estimate: NDArray[np.float32]) -> Leakage:
    return measure_leakage(line.plan, range(4), line.pseudo_deblended, estimate)


@pytest.mark.parametrize("level", [0.1, 0.3])
def test_interference_left_is_read_within_a_fifth(line: QcLine, level: float) -> None:
    leakage = measured(line, line.truth + np.float32(level) * line.interference)
    between = ~np.eye(3, dtype=bool)
    copied = leakage.crosstalk.copied[between]
    np.testing.assert_allclose(copied.mean(), level, rtol=0.2)
    assert flag(leakage.crosstalk.copied_chance)[between].all()
    flags = line_flags(leakage)
    energy = leakage.crosstalk.leaked(flags.copied, flags.other)[between]
    np.testing.assert_allclose(np.sqrt(energy.mean()), level, rtol=0.2)
    # Error bars: two of them hold the known level in about nineteen of twenty readings.
    error = leakage.crosstalk.copied_error[between]
    assert (np.abs(copied - level) < 2 * error).mean() > 0.8
    # ... and is not taken for lost signal.
    assert not flag(leakage.removed.lost_chance).any()


@pytest.mark.parametrize("level", [0.1, 0.3])
def test_signal_removed_is_read_within_a_fifth(line: QcLine, level: float) -> None:
    leakage = measured(line, np.float32(1 - level) * line.truth)
    np.testing.assert_allclose(leakage.removed.lost_fraction.mean(), level, rtol=0.2)
    assert flag(leakage.removed.lost_chance).all()
    assert not flag(leakage.crosstalk.other_chance).any()
    assert not flag(leakage.crosstalk.copied_chance).any()


@pytest.mark.parametrize("level", [0.3, 1.0])
def test_events_taken_whole_are_seen_as_coherent(line: QcLine, level: float) -> None:
    # Other layers, unlike those that are kept, are in the record and missing from the estimate.
    others = layered_gathers(np.random.default_rng(9), 3, 48, 4, 400)
    before = line.pseudo_deblended + np.float32(level) * others
    signal = measure_leakage(line.plan, range(4), before, line.truth).removed
    assert flag(signal.coherent_chance).all()
    amplitude = np.sqrt(signal.coherent_over_kept.mean())
    np.testing.assert_allclose(amplitude, level, rtol=0.2)
    assert not flag(signal.lost_chance).all()


@pytest.mark.parametrize("seed", [2, 3, 4])
def test_nothing_wrong_is_not_flagged(seed: int) -> None:
    line = make_qc_line(seed)
    findings = list(leakage_findings(measured_line(line.plan), measured(line, line.truth)))
    assert overall_verdict(findings) == "pass"
    assert {row.verdict for row in findings} == {"note", "pass"}


def test_fewer_than_one_in_twenty_discoveries_is_false_where_some_are_true(line: QcLine) -> None:
    estimate = line.truth.copy()
    estimate[: len(estimate) // 3] *= np.float32(0.7)  # source 1 only
    products = join_products(list(measured(line, estimate).products))
    groups = alike_groups(group_likeness(products, line.plan), line.plan)
    assert groups.flagged[groups.source == 1].mean() > 0.9
    assert groups.flagged[groups.source != 1].mean() < 0.05


def test_a_copy_that_was_read_wrongly_is_no_energy_left() -> None:
    # Nothing in the stack resembles the second source, and few shots make half a copy of it.
    one, null = np.ones(1), np.full((8, 1), 1e-3)
    found = CrosstalkEnergy(
        stacked=1e-3 * one, own=one, null=null, joint=0.0 * one, product=-0.5 * one,
        reference=one, product_null=np.full((8, 1), 0.6),
    )  # fmt: skip
    assert found.copied == pytest.approx(-0.5)
    assert found.other_energy == pytest.approx(0.0)
    assert found.other_surely == pytest.approx(0.0)
    # A copy that is there is taken off: all of the stack but what is another waveform.
    there = replace(found, stacked=0.3 * one, joint=0.5 * one, product=0.5 * one)
    assert there.other_energy == pytest.approx(0.3 - 0.25 - 1e-3)


def test_blocks_of_channels_add_up(line: QcLine) -> None:
    estimate = np.float32(0.9) * line.truth
    whole = measured(line, estimate)
    parts = [
        measure_leakage(
            line.plan,
            channels,
            line.pseudo_deblended[:, channels.start : channels.stop],
            estimate[:, channels.start : channels.stop],
        )
        for channels in (range(0, 1), range(1, 4))
    ]
    joined = parts[0] + parts[1]
    np.testing.assert_allclose(joined.crosstalk.null, whole.crosstalk.null, rtol=1e-4)
    np.testing.assert_allclose(joined.removed.lost_fraction, whole.removed.lost_fraction, rtol=1e-4)
    maps, maps_of_parts = (
        leakage_maps(line.plan, leakage, np.arange(4)) for leakage in (whole, joined)
    )
    np.testing.assert_allclose(
        maps_of_parts.local_similarity, maps.local_similarity, rtol=1e-4, atol=1e-6
    )


def test_figures_of_groups_add_up_over_channels(line: QcLine) -> None:
    products = join_products(list(measured(line, np.float32(0.9) * line.truth).products))
    whole = group_likeness(products, line.plan)
    first, second = (
        group_likeness(
            WindowProducts(
                *(part[:, some] for part in (products.kept, products.removed, products.product))
            ),
            line.plan,
        )
        for some in (slice(0, 1), slice(1, None))
    )
    for function in (alike_groups, octave_weights):
        of_parts, of_whole = function(first + second, line.plan), function(whole, line.plan)
        for field in fields(of_whole):
            np.testing.assert_allclose(
                getattr(of_parts, field.name), getattr(of_whole, field.name), rtol=1e-9
            )


def test_maps_read_the_weight_of_a_known_loss(line: QcLine) -> None:
    # 0.2 removed of everything and no interference: w = 0.2 / 0.8 and a similarity of one.
    estimate = np.float32(0.8) * line.truth
    leakage = measure_leakage(line.plan, range(4), line.truth, estimate)
    maps = leakage_maps(line.plan, leakage, np.arange(11, 15))
    assert maps.local_similarity.dims == ("shot", "channel", "window")
    np.testing.assert_allclose(maps.orthogonalisation_weight, 0.25, rtol=1e-3)
    np.testing.assert_allclose(maps.local_similarity, 1.0, rtol=1e-3)
    np.testing.assert_allclose(maps.correlation, 1.0, rtol=1e-3)
    assert maps.channel.values.tolist() == [11, 12, 13, 14]


def test_dead_channels_take_no_part(line: QcLine) -> None:
    estimate = line.truth.copy()
    estimate[:, 2] = 1e6
    alive = np.array([True, True, False, True])
    leakage = measure_leakage(line.plan, range(4), line.pseudo_deblended, estimate, alive)
    assert not flag(leakage.crosstalk.other_chance).any()
    assert np.isnan(leakage_maps(line.plan, leakage, np.arange(4)).correlation[:, 2]).all()


def test_maps_by_octave(line: QcLine) -> None:
    # A third is taken between 11 and 23 Hz only, the octave around 16 Hz.
    spectrum = np.fft.rfft(line.truth, 1024, axis=-1)
    frequency = np.fft.rfftfreq(1024, line.plan.interval_s)
    taken = np.where((frequency > 13) & (frequency < 20), 1 / 3, 0)
    estimate = line.truth - np.fft.irfft(spectrum * taken, 1024)[..., :400].astype(np.float32)
    maps = leakage_maps(line.plan, measured(line, estimate), np.arange(4))
    alike = maps.correlation_by_octave.mean(("shot", "channel", "window")).values
    worst = int(np.argmax(alike))
    assert maps.octave_low.values[worst] < 16 < maps.octave_high.values[worst]
    assert alike[worst] > 3 * np.abs(np.delete(alike[1:], worst - 1)).max()
    weight = maps.orthogonalisation_weight_by_octave.values[..., worst].mean()
    rows = list(leakage_findings(measured_line(line.plan), measured(line, estimate)))
    for metric in ("removed_like_kept", "kept_like_removed"):
        most = max((row for row in rows if row.metric == metric), key=lambda row: row.value)
        assert most.band_hz == pytest.approx((11.3, 22.6), abs=0.1)
        assert most.error is not None
        assert most.value > 3 * most.error
    # 7 Hz of 11.3: 0.62 (1/3) (2/3) over 0.62 (2/3)^2 + 0.38.
    assert weight == pytest.approx(0.21, abs=0.05)
    assert maps.correlation.dims == ("shot", "channel", "window")


def test_energies_of_octaves_and_windows_add_up_to_those_of_the_traces() -> None:
    line = make_qc_line(6, slots=8)
    kept = cut_low(line.truth, line.plan)
    removed = cut_low(line.pseudo_deblended - line.truth, line.plan)
    products, sums = window_products(kept, removed, line.plan, np.repeat(np.arange(3), 8))
    for part, expected in (
        (products.kept, kept**2),
        (products.removed, removed**2),
        (products.product, kept * removed),
    ):
        whole = expected.sum(axis=-1, dtype=np.float64)
        scale = np.sqrt((kept**2).sum(axis=-1) * (removed**2).sum(axis=-1))
        np.testing.assert_allclose(
            part.sum(axis=(2, 3)), whole, atol=1e-4 * float(scale.max()), rtol=1e-3
        )
    np.testing.assert_allclose(sums.product.sum(), (kept * removed).sum(), rtol=0.01)
    assert sums.traces.tolist() == [32, 32, 32]


def test_products_of_octaves_against_scipy() -> None:
    # One window that is the whole trace has no tapers: what is left is the cross spectrum.
    kept, removed = np.random.default_rng(0).standard_normal((2, 3, 4, 500)).astype(np.float32)
    shots = make_shots(np.ones(3, np.int64), np.arange(3), np.arange(3) * 10**9, "utc")
    plan = MeasureSetup(shots, np.ones(3, np.bool_), 0.004, 500, [(0, 500)], 4)
    products, _ = window_products(kept, removed, plan, np.zeros(3, np.int64))
    frequency, cross = csd(kept, removed, fs=250.0, window="boxcar", nperseg=500, detrend=False)
    weight = band_weights(frequency, octave_bands(0.004)) ** 2
    expected = np.einsum("bf,scf->scb", weight, cross.real) * frequency[1] * 500
    np.testing.assert_allclose(products.product[:, :, 0], expected, atol=0.05)


def test_correlation_against_its_null_in_scipy() -> None:
    # Coherence of unrelated traces over n segments is 1 / n (scipy.signal), and the correlation of
    # a band of B Hz over T seconds of n traces spreads by 1 / sqrt(2 B T n).
    random, traces, length = np.random.default_rng(1), 64, 250
    sos = butter(4, [20.0, 80.0], "bandpass", fs=250.0, output="sos")
    a, b = sosfiltfilt(sos, random.standard_normal((2, 150, traces * length)), axis=-1)
    frequency, coherent = coherence(a, b, fs=250.0, nperseg=length, noverlap=0)
    inside = (frequency > 25) & (frequency < 75)
    assert np.mean(coherent[:, inside]) == pytest.approx(1 / traces, rel=0.08)
    found = np.sum(a * b, axis=1) / np.sqrt(np.sum(a * a, axis=1) * np.sum(b * b, axis=1))
    spectrum = np.mean(periodogram(a[:20], 250.0)[1], axis=0)
    bandwidth = spectrum.sum() ** 2 / np.sum(spectrum**2) * 250.0 / (traces * length)
    assert 3 * np.std(found) == pytest.approx(
        correlation_null(bandwidth, length * 0.004, traces), rel=0.15
    )


@pytest.mark.parametrize(("part", "verdict"), [(0.0, "pass"), (0.1, "look")])
def test_correlation_against_its_null(line: QcLine, part: float, verdict: str) -> None:
    estimate = np.float32(1 - part) * line.truth
    findings = list(leakage_findings(measured_line(line.plan), measured(line, estimate)))
    rows = [row for row in findings if row.metric == "kept_removed_correlation"]
    assert len(rows) == 6
    assert {row.verdict for row in rows} == {verdict}
    assert all("bandwidth" in row.message and "48 shots" in row.message for row in rows)


def test_the_bandwidth_is_that_of_the_layers(line: QcLine) -> None:
    # 6 to 60 Hz through a Butterworth filter of third order both ways: about 50 Hz.
    sums = measured(line, line.truth).by_source
    step_hz = 1 / (spectrum_length(line.plan) * line.plan.interval_s)
    np.testing.assert_allclose(sums.bandwidth_hz(step_hz), 50.0, atol=8.0)


def test_too_few_shots_are_said_and_not_measured() -> None:
    line = make_qc_line(5, slots=5)
    findings = list(leakage_findings(measured_line(line.plan), measured(line, line.truth)))
    few = [row for row in findings if row.metric == "too_few_shots"]
    assert [row.value for row in few] == [5.0] * 3
    assert {row.verdict for row in few} == {"look"}
    assert not [row for row in findings if row.metric in ("crosstalk", "signal_removed")]


@pytest.mark.parametrize(("channels", "verdict"), [(1, "look"), (16, "fail")])
def test_a_share_of_few_windows_is_no_certain_failure(
    line: QcLine, channels: int, verdict: str
) -> None:
    """Three of four windows may be half of all there could be; three quarters of 64 are not."""
    shape = (4, channels, 1)
    flagged = np.broadcast_to(np.array([True, True, True, False])[:, None, None], shape)
    groups = AlikeGroups(
        source=np.ones(4, dtype=np.int64),
        first_shot=np.arange(4, dtype=np.int64),
        correlation=np.full(shape, 0.5),
        weight=np.full(shape, 0.5),
        error_amplitude=np.full(shape, 0.5),
        flagged=flagged,
    )
    plan = replace(line.plan, windows=[(0, 200)])
    rows = list(alike_rows(plan, groups, default_limits(), np.arange(1, channels + 1)))
    share = next(row for row in rows if row.metric == "alike_windows" and row.source == 1)
    assert (share.value, share.verdict) == (75.0, verdict)
    assert share.message.startswith(f"{3 * channels} of {4 * channels} windows")
