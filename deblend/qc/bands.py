"""Octave bands: a zero-phase split whose energies add up."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

CROSSOVER_OCTAVES: Final = 1.0 / 6.0
LOWEST_CENTRE: Final = 2
"""Power of two of the lowest centre frequency, 4 Hz."""


def octave_bands(interval_s: float) -> list[tuple[float, float]]:
    """Octaves centred on 4, 8, 16 ... Hz, and what lies below and above them, up to Nyquist.

    In hertz, rising, each beginning where the one before ends; the edges are the base-two octave
    edges, centre times and over the square root of two.
    """
    nyquist_hz = 0.5 / interval_s
    edges = [0.0]
    power = LOWEST_CENTRE - 0.5
    while 2.0**power < nyquist_hz:
        edges.append(2.0**power)
        power += 1.0
    edges.append(nyquist_hz)
    return list(pairwise(edges))


def band_weights(
    frequency_hz: NDArray[np.float64], bands_hz: list[tuple[float, float]]
) -> NDArray[np.float64]:
    """Amplitude weight of each band, (band, frequency); squares add up to one at every frequency.

    Neighbours cross over a third of an octave around their common edge, as cosine and sine of the
    logarithm of frequency. Bands are those of `octave_bands`, frequencies not negative.
    """
    octave = np.log2(np.maximum(frequency_hz, 1e-9))
    weights = np.ones((len(bands_hz), len(frequency_hz)))
    for upper, (edge, _) in enumerate(bands_hz[1:], start=1):
        into = (octave - np.log2(edge)) / (2.0 * CROSSOVER_OCTAVES) + 0.5
        angle = 0.5 * np.pi * np.clip(into, 0.0, 1.0)
        weights[upper - 1] *= np.cos(angle)
        weights[upper] *= np.sin(angle)
    return weights


def split_bands(
    samples: NDArray[np.floating], interval_s: float, bands_hz: list[tuple[float, float]]
) -> NDArray[np.floating]:
    """Samples (..., time) split into bands (band, ..., time) without a phase shift.

    Traces are lengthened by zeros first, so that neither end leaks into the other.
    """
    length = samples.shape[-1]
    padded = next_fast_len(length + round(0.5 / interval_s), real=True)
    weights = band_weights(rfftfreq(padded, interval_s), bands_hz).astype(samples.dtype)
    spectrum = rfft(samples, padded, axis=-1)
    out = np.empty((len(bands_hz), *samples.shape), dtype=samples.dtype)
    for band, weight in enumerate(weights):
        out[band] = irfft(spectrum * weight, padded, axis=-1)[..., :length]
    return out
