import numpy as np
import pytest
from scipy.signal import coherence, welch

from deblend.errors import InputError
from deblend.synth.noise import (
    Background,
    OtherVessel,
    PropellerTone,
    Record,
    Spikes,
    SwellBursts,
    Tugging,
    White,
)

RECORD = Record(
    channel_count=12, sample_count=40_000, interval_s=0.004, group_interval_m=12.5, signal_rms=2.0
)


def made(piece, seed: int = 0, record: Record = RECORD) -> np.ndarray:
    samples = piece.make(record, np.random.default_rng(seed))
    assert samples.shape == (record.channel_count, record.sample_count)
    assert samples.dtype == np.float32
    return samples.astype(np.float64)


def rms(samples: np.ndarray) -> float:
    return float(np.sqrt(np.mean(samples**2)))


def spectrum(samples: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    frequency, power = welch(samples, fs=250.0, nperseg=2048, axis=1)
    return frequency, power.mean(axis=0)


def test_white_noise_is_flat_and_independent() -> None:
    samples = made(White(0.1))
    assert rms(samples) == pytest.approx(0.2, rel=0.01)
    frequency, power = spectrum(samples)
    inside = (frequency > 2) & (frequency < 120)
    assert power[inside].std() / power[inside].mean() < 0.1
    assert np.abs(np.corrcoef(samples) - np.eye(12)).max() < 0.03


def test_background_follows_its_law() -> None:
    piece = Background(0.05, corner_hz=6.0, slope=4.0)
    samples = made(piece)
    assert rms(samples) == pytest.approx(0.1, rel=1e-3)
    frequency, power = spectrum(samples)
    inside = (frequency > 1.5) & (frequency < 110)
    ratio = 10 * np.log10(power[inside] / piece.power(frequency[inside]))
    assert np.ptp(ratio) < 3.0
    assert power[0] < 1e-2 * power.max()


def test_swell_bursts_cover_their_share_within_their_band() -> None:
    samples = made(SwellBursts(3.0, 0.15))
    assert np.mean(samples != 0) == pytest.approx(0.15, abs=0.02)
    assert rms(samples) == pytest.approx(3.0 * 2.0 * np.sqrt(0.15), rel=0.15)
    frequency, power = spectrum(samples)
    inside = (frequency > 1.5) & (frequency < 10.5)
    assert power[inside].sum() > 0.98 * power.sum()


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
def test_any_share_of_swell(share: float) -> None:
    small = Record(4, 8_000, 0.004, 12.5, 1.0)
    assert np.mean(made(SwellBursts(1.0, share), record=small) != 0) == pytest.approx(
        share, abs=0.08
    )


def test_tugging_fades_and_runs_down_the_streamer() -> None:
    samples = made(Tugging(2.0, reach_channels=4.0, speed_m_s=900.0))
    level = np.sqrt((samples**2).mean(axis=1))
    assert level[0] == pytest.approx(4.0, rel=0.1)
    np.testing.assert_allclose(level / level[0], np.exp(-np.arange(12) / 4.0), rtol=0.02)
    frequency, coherent = coherence(samples[0], samples[11], fs=250.0, nperseg=4096)
    assert coherent[(frequency > 3) & (frequency < 7)].min() > 0.9
    lag = np.argmax(np.correlate(samples[11, 2000:12000], samples[0, 1900:12100][100:-100], "full"))
    assert (lag - 9999) * 0.004 == pytest.approx(11 * 12.5 / 900.0, abs=0.004)


def test_spikes_hit_exactly_their_share() -> None:
    samples = made(Spikes(10.0, 0.005))
    assert np.count_nonzero(samples) == round(0.005 * samples.size)
    height = np.abs(samples[samples != 0])
    assert height.mean() == pytest.approx(20.0, rel=0.05)
    assert height.min() >= 10.0


def test_propeller_tones_stand_at_blade_rate_and_harmonics() -> None:
    samples = made(PropellerTone(0.5, blade_hz=8.0, harmonics=3, wander_hz=0.0))
    frequency, power = spectrum(samples)
    line = [power[np.abs(frequency - f) < 0.4].sum() for f in (8.0, 16.0, 24.0)]
    assert sum(line) > 0.99 * power.sum()
    # Each harmonic has half the amplitude, a quarter of the power, of the one before.
    assert np.array(line[1:]) / line[:-1] == pytest.approx(0.25, rel=0.05)
    assert rms(samples[:1]) == pytest.approx(1.0, rel=0.02)


def test_another_vessel_shoots_at_its_interval_with_its_slope() -> None:
    piece = OtherVessel(0.5, interval_s=8.0, azimuth_deg=60.0)
    samples = made(piece)
    envelope = np.convolve(samples[0] ** 2, np.ones(75), "same")
    peaks = [
        start + int(np.argmax(envelope[start : start + 2000])) for start in range(0, 38_000, 2000)
    ]
    assert np.diff(peaks) * 0.004 == pytest.approx(8.0, abs=0.05)
    part = slice(peaks[2] - 400, peaks[2] + 400)
    lag = np.argmax(np.correlate(samples[11, part], samples[0, part], "full")) - 799
    assert lag * 0.004 == pytest.approx(11 * 12.5 * np.cos(np.radians(60)) / 1500, abs=0.004)


def test_the_same_seed_makes_the_same_noise() -> None:
    piece = SwellBursts(1.0, 0.1)
    assert np.array_equal(made(piece, 5), made(piece, 5))
    assert not np.array_equal(made(piece, 5), made(piece, 6))


@pytest.mark.parametrize("piece", [SwellBursts(1.0, 1.5), Spikes(1.0, -0.1)])
def test_impossible_share_is_refused(piece) -> None:
    with pytest.raises(InputError, match=r"a share of (1\.5|-0\.1) is none"):
        piece.make(RECORD, np.random.default_rng(0))
