import numpy as np
import pytest

from deblend.errors import InputError
from deblend.model.water import bubble_period_s, ghost_delay_s
from deblend.synth.signature import (
    Signature,
    ghost_spectrum,
)


# Ghost of a surface reflection coefficient of -1 at 1500 m/s, derived: tau = 2 d cos(theta) / c,
# notches at n / tau, first peak at 1 / (2 tau) with gain 2.
@pytest.mark.parametrize(
    ("depth_m", "delay_ms", "notch_hz", "peak_hz"),
    [
        (5, 6.667, 150.0, 75.0),
        (6, 8.000, 125.0, 62.5),
        (7, 9.333, 107.1, 53.6),
        (8, 10.667, 93.8, 46.9),
        (15, 20.000, 50.0, 25.0),
        (25, 33.333, 30.0, 15.0),
    ],
)
def test_ghost_delay_notch_and_peak(depth_m, delay_ms, notch_hz, peak_hz) -> None:
    delay = ghost_delay_s(depth_m)
    assert 1000 * delay == pytest.approx(delay_ms, abs=0.0006)
    frequency = np.arange(1.0, 320.0, 0.05)
    gain = np.abs(ghost_spectrum(frequency, delay))
    first = frequency < 1.5 * notch_hz
    deepest = frequency[first][np.argmin(gain[first])]
    assert deepest in (1.0, pytest.approx(notch_hz, abs=0.1))
    inside = frequency < notch_hz
    assert frequency[inside][np.argmax(gain[inside])] == pytest.approx(peak_hz, abs=0.1)
    assert gain[inside].max() == pytest.approx(2.0, abs=1e-4)


def test_ghost_at_an_angle_and_its_gain() -> None:
    assert 1000 * ghost_delay_s(6.0, 30.0) == pytest.approx(6.928, abs=0.0005)
    gain = np.abs(ghost_spectrum(np.array([62.5, 20.0]), ghost_delay_s(6.0)))
    assert gain == pytest.approx([2.0, 0.964], abs=0.0005)


# Rayleigh-Willis with E = PV, computed by hand from gun volume, 2000 psi and depth.
@pytest.mark.parametrize(
    ("volume", "depth_m", "period_ms"),
    [(40, 6, 34.7), (70, 6, 41.8), (150, 5, 56.9), (150, 6, 53.9), (150, 7, 51.3), (300, 6, 67.9)],
)
def test_bubble_period(volume, depth_m, period_ms) -> None:
    assert 1000 * bubble_period_s(volume, 2000, depth_m) == pytest.approx(period_ms, abs=0.06)


def test_bubble_period_scales_with_the_cube_root_of_volume() -> None:
    assert bubble_period_s(1200, 2000, 6) == pytest.approx(2 * bubble_period_s(150, 2000, 6))


def wavelet(signature: Signature, interval_s: float = 0.004, length: int = 2048) -> np.ndarray:
    frequency = np.fft.rfftfreq(length, interval_s)
    return np.fft.irfft(signature.spectrum(frequency, interval_s), length)


def test_peak_of_the_bare_signature_is_its_gain() -> None:
    bare = Signature(surface_coefficient=0.0, primary_to_bubble=np.inf, gain=3.0)
    spectrum = bare.spectrum(np.fft.rfftfreq(2048, 0.004), 0.004)
    fine = np.fft.irfft(np.pad(spectrum, (0, 7 * 1024)), 8 * 2048) * 8
    assert np.abs(fine).max() == pytest.approx(3.0, rel=0.01)


def test_bubble_comes_after_its_period_with_its_ratio() -> None:
    with_bubble = Signature(
        surface_coefficient=0.0, primary_to_bubble=10.0, bubble_period_s=0.12, high_cut_hz=40.0
    )
    without = Signature(surface_coefficient=0.0, primary_to_bubble=np.inf, high_cut_hz=40.0)
    train = wavelet(with_bubble) - wavelet(without)
    first = train[: round(0.18 / 0.004)]
    assert np.argmax(first) * 0.004 == pytest.approx(0.12, abs=0.004)
    # Smoothed on its way, so a little weaker than a tenth.
    assert 0.06 < first.max() / wavelet(without).max() < 0.1


def test_nothing_above_the_stop_frequency_and_a_notch_at_the_ghost() -> None:
    signature = Signature(depth_m=9.0, stop_hz=100.0)
    frequency = np.array([0.0, 1500.0 / 18.0, 100.0, 120.0])
    response = np.abs(signature.spectrum(frequency, 0.004))
    assert response == pytest.approx(0.0, abs=1e-12)


def test_energy_beyond_nyquist_is_refused() -> None:
    with pytest.raises(InputError, match=r"up to 105\.0 Hz and the Nyquist frequency is 62\.5 Hz"):
        Signature().spectrum(np.array([1.0]), 0.008)


def test_an_empty_pass_band_is_refused() -> None:
    with pytest.raises(InputError, match=r"a pass band from 50 to 40 Hz"):
        Signature(low_cut_hz=50, high_cut_hz=40)
