"""The earth of a made line: its parts, the decay over them, and what a source records of it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from deblend.arrays import thread_count
from deblend.errors import InputError
from deblend.synth.arrivals import Decay, EarthPart, Positions, distance_m
from deblend.synth.multiples import GuidedWaves
from deblend.synth.pulses import add_pulses, pulse_table
from deblend.synth.signature import Signature

TAIL_S = 1.0
TRACES_AT_ONCE = 512


@dataclass(frozen=True)
class Geology:
    """All parts of an earth."""

    parts: tuple[EarthPart, ...]
    """Whatever yields arrivals: reflectors, diffractors, multiples, the direct wave."""
    decay: Decay
    """Of every arrival with its travel time."""
    guided: tuple[GuidedWaves, ...] = field(default=())
    """Dispersive waves in the water layer, which have no single travel time."""

    def events(
        self, number: int, source: Positions, receiver: Positions
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Travel times in s and amplitudes of what source `number` sees, (event, shot, channel)."""
        times, amplitudes = [], []
        for part in self.parts:
            if part.seen_by and number not in part.seen_by:
                continue
            for arrival in part.arrivals(source, receiver):
                times.append(arrival.time_s)
                amplitudes.append(arrival.strength * self.decay(arrival.time_s))
        if not times:
            raise InputError(
                f"source {number} sees no event", remedy="Give it at least a direct arrival."
            )
        return np.stack(times), np.stack(amplitudes)


def record_source(
    geology: Geology,
    number: int,
    signature: Signature,
    source: Positions,
    receiver: Positions,
    *,
    interval_s: float,
    sample_count: int,
    delay_s: NDArray[np.float64] | None = None,
) -> NDArray[np.float32]:
    """Noise-free traces of one source, float32, shape (shot, channel, time).

    Parameters
    ----------
    number : int
        Number of the source, for the events that only some sources see.
    signature : Signature
        Its far-field signature; the depth of the first receiver sets the receiver ghost.
    source : ndarray of float64, shape (shot, 3)
        Positions at the fire times.
    receiver : ndarray of float64, shape (shot, channel, 3)
        Positions of the groups at the same times.
    delay_s : ndarray of float64, shape (shot,), optional
        Fire times within the trace; 0 by default, so that sample 0 is the time break.
    """
    length = next_fast_len(sample_count + round(TAIL_S / interval_s), real=True)
    frequency = rfftfreq(length, interval_s)
    response = signature.spectrum(frequency, interval_s, float(receiver[0, 0, 2]))
    late_s = np.zeros(len(source)) if delay_s is None else delay_s
    out = np.empty((*receiver.shape[:2], sample_count), dtype=np.float32)

    def record_block(rows: slice) -> None:
        time, amplitude = geology.events(number, source[rows], receiver[rows])
        samples = (time + late_s[rows, None]) / interval_s
        spectrum = _impulse_spectra(samples, amplitude, length)
        used = frequency <= signature.stop_hz
        spectrum[:, used] += _guided_spectra(
            geology, number, source[rows], receiver[rows], late_s[rows], frequency[used]
        )
        spectrum *= response
        traces = irfft(spectrum, length, overwrite_x=True)[:, :sample_count]
        out[rows] = traces.reshape(-1, receiver.shape[1], sample_count)

    step = max(1, TRACES_AT_ONCE // receiver.shape[1])
    blocks = [slice(k, k + step) for k in range(0, len(source), step)]
    with ThreadPoolExecutor(thread_count()) as pool:
        list(pool.map(record_block, blocks))
    return out


def _impulse_spectra(
    time_samples: NDArray[np.float64], amplitude: NDArray[np.float64], length: int
) -> NDArray[np.complex128]:
    """Spectra of all impulses, shape (shot * channel, frequency)."""
    count = len(time_samples)
    impulses = np.zeros((time_samples[0].size, length))
    add_pulses(
        impulses, time_samples.reshape(count, -1), amplitude.reshape(count, -1), pulse_table()
    )
    return np.asarray(rfft(impulses), np.complex128)


def _guided_spectra(
    geology: Geology,
    number: int,
    source: Positions,
    receiver: Positions,
    late_s: NDArray[np.float64],
    frequency: NDArray[np.float64],
) -> NDArray[np.complex128]:
    """Spectra of the guided waves, shape (shot * channel, frequency)."""
    range_m = distance_m(source[:, None, :], receiver).ravel()
    total = np.zeros((range_m.size, len(frequency)), np.complex128)
    for guided in geology.guided:
        if not guided.seen_by or number in guided.seen_by:
            strength = geology.decay(range_m / guided.velocity_m_s)
            guided.add_spectrum(total, frequency, range_m, strength)
    if late_s.any():
        late = np.repeat(late_s, receiver.shape[1])
        total *= np.exp(-2j * np.pi * frequency * late[:, None])
    return total
