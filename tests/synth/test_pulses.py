import numpy as np
import pytest

from deblend.synth.pulses import HALF_WIDTH, add_pulses, pulse_table
from deblend.synth.signature import Signature

INTERVAL_S = 0.004
LENGTH = 1024


def traces(time_samples: np.ndarray) -> np.ndarray:
    out = np.zeros((len(time_samples), LENGTH))
    add_pulses(out, time_samples[None], np.ones((1, len(time_samples))), pulse_table())
    return out


def test_exact_to_minus_ninety_decibels_against_a_phase_ramp() -> None:
    time = 400.0 + np.random.default_rng(0).uniform(0, 1, 200)
    frequency = np.fft.rfftfreq(LENGTH, INTERVAL_S)
    response = Signature(4.0, 60.0, 112.0).spectrum(frequency, INTERVAL_S)
    made = np.fft.irfft(np.fft.rfft(traces(time)) * response, LENGTH)
    ramp = np.exp(-2j * np.pi * frequency * INTERVAL_S * time[:, None])
    exact = np.fft.irfft(response * ramp, LENGTH)
    worst = np.abs(made - exact).max() / np.abs(exact).max()
    assert 20 * np.log10(worst) < -90.0


def test_a_whole_sample_is_one_sample() -> None:
    out = traces(np.array([17.0, 500.0]))
    expected = np.zeros_like(out)
    expected[0, 17] = expected[1, 500] = 1.0
    np.testing.assert_allclose(out, expected, atol=1e-12)


@pytest.mark.parametrize("time", [-1e9, -45.0, -3.3, 0.25, LENGTH - 0.5, LENGTH + 19.0, 1e9])
def test_what_lies_outside_is_cut_and_nothing_else_written(time: float) -> None:
    wide = np.zeros((1, LENGTH + 200))
    at = np.array([[min(max(time, -90.0), LENGTH + 60.0) + 100.0]])
    add_pulses(wide, at, np.ones((1, 1)), pulse_table())
    # The middle of a longer trace is the same impulse, cut.
    np.testing.assert_allclose(traces(np.array([time]))[0], wide[0, 100:-100], atol=1e-12)


def test_pulses_add_and_zeros_are_skipped() -> None:
    time = np.array([[100.5], [np.nan], [300.25]])
    out = np.zeros((1, LENGTH))
    add_pulses(out, time, np.array([[2.0], [0.0], [-1.0]]), pulse_table())
    assert np.isfinite(out).all()
    apart = 2.0 * traces(np.array([100.5])) - traces(np.array([300.25]))
    np.testing.assert_allclose(out, apart, atol=1e-12)
    assert np.count_nonzero(out) <= 4 * HALF_WIDTH
