"""Noise by channel and band, where no shot is in the record: at the begin and the end of a line.

Overlapped records have no quiet window between their shots.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.decibels import amplitude_decibels
from deblend.model.findings import Finding
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.qc.bands import octave_bands, split_bands

SHORTEST_S: Final = 1.0
LONGEST_S: Final = 60.0
_CHANNELS_AT_ONCE: Final = 32
_MICROBAR: Final = {"µbar": 1.0, "Pa": 10.0, "mbar": 1e3, "bar": 1e6}
"""From units of pressure; a bar is 100 000 Pa by definition."""
_LOUD: Final = 4.0
"""A channel is loud when it exceeds the median of the channels by this factor (12 dB)."""
_NEARBY_S: Final = 10.0
_HARMLESS: Final = 3e-4
"""Of the largest sample (-70 dB): quieter noise is no matter for a separation, and near what
rounding and the ends of computed gathers leave where nothing is."""


@dataclass(frozen=True, eq=False)
class NoiseLevels:
    """Rms of noise."""

    rms: NDArray[np.float64]
    """(channel, band): In `unit`; NaN for channels without a known sample."""
    bands_hz: list[tuple[float, float]]
    """The bands."""
    duration_s: float
    """Length of the noise that was looked at."""
    channels: NDArray[np.int64]
    """(channel,): Channel numbers."""
    unit: str
    """Microbar where the record is in a unit of pressure, else the unit of the record."""
    harmless: float = 0.0


def quiet_stretches(recording: Recording, shots: Shots, length_s: float) -> list[tuple[int, int]]:
    """Sample ranges before the first and after the last shot, at most a minute each.

    Shots outside the record count; twice `length_s` is left after the last one.
    """
    times = shots.fire_time_ns[shots.live] if shots.live.any() else shots.fire_time_ns
    first = int((times.min() - recording.start_ns) // recording.interval_ns)
    gone = round(2.0 * length_s / recording.interval_s)
    last = int((times.max() - recording.start_ns) // recording.interval_ns) + gone
    count = recording.shape[1]
    longest = round(LONGEST_S / recording.interval_s)
    found = [
        (max(0, first - longest), min(first, count)),
        (max(0, last), min(count, last + longest)),
    ]
    shortest = round(SHORTEST_S / recording.interval_s)
    return [(start, stop) for start, stop in found if stop - start >= shortest]


def noise_levels(recording: Recording, stretches: list[tuple[int, int]]) -> NoiseLevels:
    """Rms in octaves over some stretches of the record, taken together.

    Unknown samples count as none: the energy of a stretch is divided by its known samples.
    """
    bands = octave_bands(recording.interval_s)
    count = recording.shape[0]
    energy, known_samples = np.zeros((count, len(bands))), np.zeros(count)
    for start, stop in stretches:
        for first in range(0, count, _CHANNELS_AT_ONCE):
            rows = range(first, min(first + _CHANNELS_AT_ONCE, count))
            samples = recording.read(rows, start, stop)
            known = np.isfinite(samples)
            filled = np.where(known, samples, 0.0).astype(np.float64)
            parts = split_bands(filled, recording.interval_s, bands)
            energy[rows.start : rows.stop] += (parts**2).sum(axis=2).T
            known_samples[rows.start : rows.stop] += known.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        rms = np.sqrt(energy / known_samples[:, None])
    duration = sum(stop - start for start, stop in stretches) * recording.interval_s
    unit = recording.amplitude_unit
    factor = _MICROBAR.get(unit)
    return NoiseLevels(
        rms * (factor or 1.0),
        bands,
        duration,
        recording.channel_numbers,
        "µbar" if factor else unit,
        _HARMLESS * _largest_nearby(recording, stretches) * (factor or 1.0),
    )


def _largest_nearby(recording: Recording, stretches: list[tuple[int, int]]) -> float:
    """Largest sample of some seconds before and after each stretch."""
    count, channels = recording.shape[1], range(recording.shape[0])
    nearby = round(_NEARBY_S / recording.interval_s)
    largest = 0.0
    for start, stop in stretches:
        for first, last in ((max(0, start - nearby), start), (stop, min(count, stop + nearby))):
            if first < last:
                samples = np.abs(recording.read(channels, first, last))
                largest = max(largest, float(np.nan_to_num(samples).max(initial=0.0)))
    return largest


def noise_findings(levels: NoiseLevels) -> list[Finding]:
    """One row a band, and one a channel that is much louder than the others."""
    unit = levels.unit
    findings = []
    middle = np.nanmedian(levels.rms, axis=0)
    for band, value in zip(levels.bands_hz, middle, strict=True):
        message = (
            f"Median over channels of the noise in {levels.duration_s:.1f} s without shots, at the "
            "begin and end of the line."
        )
        findings.append(Finding("noise_rms", float(value), unit, "note", message, band_hz=band))
    total = np.sqrt((levels.rms**2).sum(axis=1))
    usual = float(np.nanmedian(total))
    for row in np.flatnonzero(total > max(_LOUD * usual, levels.harmless)):
        above_db = amplitude_decibels(total[row] / usual)
        message = (
            f"Noise of {total[row]:.3g} {unit}, {above_db:.0f} dB above the median of the "
            "channels; it is separated like the others."
        )
        findings.append(
            Finding(
                "loud_channel",
                float(total[row]),
                unit,
                "look",
                message,
                channel=int(levels.channels[row]),
                limit=_LOUD * usual,
            )
        )
    return findings
