"""Noise before the first and after the last shot, by channel and band."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from deblend.check.noise_levels import noise_findings, noise_levels, quiet_stretches
from deblend.model.recording import Recording
from deblend.model.shots import make_shots

INTERVAL_NS = 4_000_000


def recording_and_shots():
    random = np.random.default_rng(8)
    samples = random.standard_normal((5, 20_000)) * np.array([1, 1, 1, 1, 9.0])[:, None]
    samples[:, 5000:12_000] += 100 * random.standard_normal((5, 7000))
    samples[1, 100:200] = np.nan
    recording = Recording(samples.astype(np.float32), interval_s=0.004, start=0, time_scale="utc")
    fire = np.array([5000, 8000, 11_500]) * INTERVAL_NS
    shots = make_shots(np.array([1, 2, 1]), np.arange(3), fire, "utc")
    return recording, shots


def test_levels_of_white_noise() -> None:
    recording, shots = recording_and_shots()
    stretches = quiet_stretches(recording, shots, 1.0)
    assert stretches == [(0, 5000), (12_000, 20_000)]
    levels = noise_levels(recording, stretches)
    assert levels.duration_s == pytest.approx(52.0)
    # White noise of rms 1 has power in proportion to bandwidth; bands split all of it.
    width = np.array([high - low for low, high in levels.bands_hz])
    assert np.sqrt((levels.rms[0] ** 2).sum()) == pytest.approx(1.0, rel=0.03)
    assert np.sqrt((levels.rms[1] ** 2).sum()) == pytest.approx(1.0, rel=0.03)
    assert np.allclose(levels.rms[0] ** 2, width / 125.0, rtol=0.25)


def test_loud_channels_are_named() -> None:
    recording, shots = recording_and_shots()
    levels = noise_levels(recording, quiet_stretches(recording, shots, 1.0))
    findings = noise_findings(levels)
    (loud,) = [finding for finding in findings if finding.verdict == "look"]
    assert (loud.metric, loud.channel) == ("loud_channel", 5)
    assert loud.value == pytest.approx(9.0, rel=0.05)
    assert {finding.unit for finding in findings} == {"recorded unit"}


def test_rounding_is_no_noise() -> None:
    recording, shots = recording_and_shots()
    stretches = quiet_stretches(recording, shots, 1.0)
    samples = np.array(recording.samples)
    for start, stop in stretches:
        # Shots of amplitude 300 in single precision leave some 1e-5 in sums where nothing is.
        samples[:, start:stop] *= 1e-5
    levels = noise_levels(replace(recording, samples=samples), stretches)
    assert {finding.verdict for finding in noise_findings(levels)} == {"note"}


@pytest.mark.parametrize(("unit", "factor"), [("Pa", 10.0), ("mbar", 1000.0), ("V", 1.0)])
def test_pressure_is_given_in_microbar(unit: str, factor: float) -> None:
    recording, shots = recording_and_shots()
    stretches = quiet_stretches(recording, shots, 1.0)
    plain = noise_levels(recording, stretches)
    levels = noise_levels(replace(recording, amplitude_unit=unit), stretches)
    assert levels.unit == ("V" if unit == "V" else "µbar")
    np.testing.assert_allclose(levels.rms, factor * plain.rms)


def test_no_quiet_stretch() -> None:
    recording, shots = recording_and_shots()
    assert quiet_stretches(recording, shots, 60.0) == [(0, 5000)]
