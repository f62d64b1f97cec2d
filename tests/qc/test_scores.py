import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray
from qc_line import measured_line

from deblend.errors import InputError
from deblend.model.findings import Finding
from deblend.model.shots import Shots, make_shots
from deblend.qc.bands import band_weights, octave_bands, split_bands
from deblend.qc.measure_setup import Gathers, MeasureSetup
from deblend.qc.metric import MeasuredBlock
from deblend.qc.scores import (
    LineTruth,
    difference_energy,
    measure_truth,
    pair_shots,
    source_pairs,
    truth_energy,
    truth_findings,
)

INTERVAL_S = 0.004


def score(
    truth: Gathers,
    estimate: Gathers,
    start: Gathers,
    shots: Shots,
    *,
    windows: Sequence[tuple[int, int]] = (),
    noise_rms: float | None = None,
) -> list[Finding]:
    """Rows of gathers that are measured as one block, all its shots counted."""
    setup = MeasureSetup(
        shots, shots.live & shots.deliver, INTERVAL_S, truth.shape[2], windows, truth.shape[1]
    )
    pairs = {pair: pair_shots(shots, *pair, setup.counted) for pair in source_pairs(shots)}
    block = MeasuredBlock(
        setup=setup,
        channels=range(truth.shape[1]),
        rows=np.arange(len(shots)),
        alive=np.ones(truth.shape[1], np.bool_),
        pseudo_deblended=start,
        estimate=estimate,
        residual=truth[0],
        record=truth[0],
        known=np.isfinite(truth[0]),
        fold=np.ones(truth.shape[2], np.int64),
        first_sample=np.zeros(len(shots), np.int64),
        truth=LineTruth(InMemory(truth), noise_rms, pairs),
    )
    measures = measure_truth(block)
    assert measures is not None
    return list(truth_findings(measured_line(setup, truth=block.truth), measures))


@dataclass(frozen=True, eq=False)
class InMemory:
    """True gathers that are no files."""

    gathers: Gathers

    def read(
        self, rows: NDArray[np.int64], channels: NDArray[np.int64] | slice, length: int
    ) -> Gathers:
        return self.gathers[rows][:, channels, :length]


def two_sources(shots_each: int = 3, lag_ns: int = 400_000_000) -> Shots:
    time = np.arange(shots_each) * 5_000_000_000
    return make_shots(
        np.repeat([1, 2], shots_each),
        np.arange(2 * shots_each),
        np.concatenate([time, time + lag_ns]),
        "utc",
    )


def random_gathers(seed: int, shape: tuple[int, int, int] = (6, 4, 250)) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


def value(found, metric, **where):
    keys = {"source": None, "window_s": None, "band_hz": None} | where
    (row,) = [
        f for f in found if f.metric == metric and all(getattr(f, k) == keys[k] for k in keys)
    ]
    return row.value


def test_a_tenth_too_much_scores_twenty_decibels() -> None:
    # 10 log10(|m|^2 / |0.1 m|^2) = 20 dB, by hand.
    truth, shots = random_gathers(0), two_sources()
    found = score(
        truth,
        truth * np.float32(1.1),
        2 * truth,
        shots,
        windows=[(0, 100), (100, 250)],
    )
    for source in (1, 2):
        assert value(found, "snr", source=source) == pytest.approx(20.0, abs=1e-4)
        assert value(found, "snr_start", source=source) == pytest.approx(0.0, abs=1e-4)
        assert value(found, "snr", source=source, window_s=(0.4, 1.0)) == pytest.approx(
            20, abs=1e-4
        )
    for band_hz in octave_bands(INTERVAL_S):
        assert value(found, "snr", source=1, band_hz=band_hz) == pytest.approx(20.0, abs=1e-3)
    assert value(found, "difference_snr", source="1 - 2") == pytest.approx(20.0, abs=1e-4)


def test_pseudo_deblended_start_of_k_equal_sources() -> None:
    # Each of K sources carries the other K - 1 unweakened: -10 log10(K - 1) dB, by hand.
    truth, shots = random_gathers(1, (6, 4, 20000)), two_sources()
    interference = random_gathers(2, truth.shape) + random_gathers(3, truth.shape)
    found = score(truth, truth, truth + interference, shots)
    assert value(found, "snr_start", source=1) == pytest.approx(-10 * np.log10(2), abs=0.1)
    assert value(found, "snr", source=1) == np.inf


def test_noise_limit() -> None:
    # Unit variance truth against noise of rms 0.1: 20 dB.
    truth, shots = random_gathers(4, (6, 4, 5000)), two_sources()
    found = score(truth, truth, truth, shots, windows=[(0, 2500)], noise_rms=0.1)
    assert value(found, "snr_noise_limit", source=1) == pytest.approx(20.0, abs=0.1)
    assert value(found, "snr_noise_limit", source=1, window_s=(0, 10)) == pytest.approx(20, abs=0.1)


def test_common_errors_cancel_in_differences_and_opposite_ones_count_twice() -> None:
    shots = two_sources()
    truth = random_gathers(5)
    error = np.tile(0.1 * random_gathers(6)[:3], (2, 1, 1))
    opposite = error * np.array([1, 1, 1, -1, -1, -1], np.float32)[:, None, None]
    pairs = pair_shots(shots, 1, 2, shots.live)
    common = difference_energy(truth, truth + error, truth, pairs, [], INTERVAL_S)
    twice = difference_energy(truth, truth + opposite, truth, pairs, [], INTERVAL_S)
    assert common.error[:, 0, 0].sum() < 1e-9
    assert twice.error[:, 0, 0].sum() == pytest.approx(4 * np.sum(error[:3] ** 2), rel=1e-5)


def test_energies_add_over_channels() -> None:
    truth, estimate, start = (random_gathers(seed) for seed in (7, 8, 9))
    windows = [(10, 60), (60, 250)]
    whole = truth_energy(truth, estimate, start, windows, INTERVAL_S)
    parts = [
        truth_energy(truth[:, s], estimate[:, s], start[:, s], windows, INTERVAL_S)
        for s in (slice(0, 1), slice(1, 4))
    ]
    both = parts[0] + parts[1]
    for name in ("truth", "error", "start_error"):
        np.testing.assert_allclose(getattr(both, name), getattr(whole, name), rtol=1e-5)


def test_shots_are_paired_by_time_and_missing_ones_left_out() -> None:
    shots = two_sources(4)
    counted = np.ones(8, dtype=bool)
    counted[[1, 6]] = False
    assert pair_shots(shots, 1, 2, counted).tolist() == [[0, 4], [3, 7]]


def test_source_without_counted_shots_pairs_nothing() -> None:
    shots = two_sources(2)
    assert pair_shots(shots, 1, 2, np.array([True, True, False, False])).shape == (0, 2)


def test_shapes_must_agree() -> None:
    truth = random_gathers(0)
    with pytest.raises(InputError, match="truth, estimate and start have shapes"):
        truth_energy(truth, truth[:, :2], truth, [], INTERVAL_S)


def test_octaves_are_the_standard_ones() -> None:
    # IEC 61260 base-two octave bands: centre 2^k Hz, edges centre / and * sqrt(2) (from memory).
    bands = octave_bands(0.004)
    assert bands[0][0] == 0.0
    assert bands[-1][1] == 125.0
    assert bands[3] == pytest.approx((16 / np.sqrt(2), 16 * np.sqrt(2)))
    assert all(low[1] == high[0] for low, high in itertools.pairwise(bands))


def test_band_energies_add_up() -> None:
    bands = octave_bands(INTERVAL_S)
    weights = band_weights(np.linspace(0, 125, 977), bands)
    np.testing.assert_allclose((weights**2).sum(axis=0), 1.0, rtol=1e-12)
    trace = np.zeros((1, 2000))
    trace[0, 600:1400] = np.random.default_rng(0).standard_normal(800)
    energy = (split_bands(trace, INTERVAL_S, bands) ** 2).sum()
    assert energy == pytest.approx((trace**2).sum(), rel=1e-3)


@pytest.mark.parametrize("frequency_hz", [4.0, 8.0, 16.0, 32.0, 64.0])
def test_a_sine_at_the_centre_stays_in_its_octave_without_a_shift(frequency_hz: float) -> None:
    time = np.arange(4000) * INTERVAL_S
    sine = np.sin(2 * np.pi * frequency_hz * time) * np.hanning(4000)
    bands = octave_bands(INTERVAL_S)
    parts = split_bands(sine[None], INTERVAL_S, bands)[:, 0]
    own = next(k for k, (low, high) in enumerate(bands) if low < frequency_hz < high)
    np.testing.assert_allclose(parts[own], sine, atol=1e-3)
    for other in range(len(bands)):
        if other != own:
            assert np.abs(parts[other]).max() < 1e-3
