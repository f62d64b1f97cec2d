"""What the sea adds to a record: kinds of noise, each a law and a level.

Levels are rms values over the rms of the noise-free record, unless a kind says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from deblend.errors import InputError
from deblend.model.water import WATER_VELOCITY_M_S
from deblend.synth.pulses import add_pulses, pulse_table

Samples = NDArray[np.float32]


@dataclass(frozen=True)
class Record:
    """The record that noise is made for."""

    channel_count: int
    sample_count: int
    """Its shape."""
    interval_s: float
    group_interval_m: float
    """Between samples, and between channels."""
    signal_rms: float
    """Of the noise-free record."""

    def zeros(self) -> Samples:
        """An empty record."""
        return np.zeros((self.channel_count, self.sample_count), dtype=np.float32)


class Noise(Protocol):
    """A kind of noise: a frozen dataclass that makes samples for a record."""

    def make(self, record: Record, random: np.random.Generator) -> Samples:
        """Samples to add, shape (channel, time)."""
        ...


def _check_share(share: float) -> None:
    if not 0.0 <= share <= 1.0:
        raise InputError(f"a share of {share} is none", remedy="Give a number from 0 to 1.")


@dataclass(frozen=True)
class White:
    """Independent normal samples."""

    level: float
    """Rms over signal rms."""

    def make(self, record: Record, random: np.random.Generator) -> Samples:
        """White noise."""
        shape = record.channel_count, record.sample_count
        return random.standard_normal(shape, dtype=np.float32) * np.float32(
            self.level * record.signal_rms
        )


@dataclass(frozen=True)
class Background:
    """Ambient noise that rises towards low frequencies; independent between channels.

    Its power spectrum is proportional to ``1 + (corner / f)^slope`` above 1 Hz and zero below.
    """

    level: float
    """Rms over signal rms."""
    corner_hz: float = 6.0
    slope: float = 4.0
    """Of the law."""

    def power(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """The law, without its level."""
        raised = np.maximum(frequency_hz, 1.0)
        return np.where(frequency_hz < 1.0, 0.0, 1.0 + (self.corner_hz / raised) ** self.slope)

    def make(self, record: Record, random: np.random.Generator) -> Samples:
        """Filtered normal samples, scaled over the whole record."""
        out = record.zeros()
        for channel in out:
            channel[:] = _shaped(self, record, random)
        return _scaled(out, self.level * record.signal_rms)


def _shaped(law: Background, record: Record, random: np.random.Generator) -> NDArray[np.float64]:
    length = next_fast_len(record.sample_count, real=True)
    frequency = rfftfreq(length, record.interval_s)
    spectrum = rfft(random.standard_normal(length)) * np.sqrt(law.power(frequency))
    return np.asarray(irfft(spectrum, length)[: record.sample_count], np.float64)


def root_mean_square(samples: Samples) -> float:
    """Rms of all samples."""
    return float(np.sqrt(np.mean(np.square(samples, dtype=np.float64))))


def _scaled(samples: Samples, rms: float) -> Samples:
    """Samples scaled to an rms; silence stays silent."""
    now = root_mean_square(samples)
    return samples * np.float32(rms / now if now > 0.0 else 0.0)


def _band_noise(
    length: int, interval_s: float, band_hz: tuple[float, float], random: np.random.Generator
) -> NDArray[np.float64]:
    """Normal noise of a band, rms 1, no energy outside."""
    size = next_fast_len(length, real=True)
    frequency = rfftfreq(size, interval_s)
    spectrum = rfft(random.standard_normal(size))
    spectrum[(frequency < band_hz[0]) | (frequency > band_hz[1])] = 0.0
    noise = irfft(spectrum, size)[:length]
    rms = np.sqrt(np.mean(noise**2))
    return np.asarray(noise / rms if rms > 0.0 else noise, np.float64)


@dataclass(frozen=True)
class SwellBursts:
    """Bursts of low-frequency noise on a few neighbouring channels at a time."""

    level: float
    """Rms within a burst, over signal rms."""
    share: float
    """Part of all samples (channel x time) that lie within a burst, roughly."""
    band_hz: tuple[float, float] = (2.0, 10.0)
    """Pass band; the envelope of a burst widens it a little."""
    length_s: tuple[float, float] = (4.0, 10.0)
    """Range of the burst lengths."""
    channels: int = 3
    """Most neighbouring channels that one burst reaches."""

    def make(self, record: Record, random: np.random.Generator) -> Samples:
        """Bursts until their share is reached, each over at least one sample not yet covered."""
        _check_share(self.share)
        out = record.zeros()
        covered = np.zeros(out.shape, dtype=np.bool_)
        left = np.full(record.channel_count, record.sample_count)
        while left.sum() > (1.0 - self.share) * covered.size:
            rows, columns = self._place(record, covered, left, random)
            covered[rows, columns] = True
            left[rows] = np.count_nonzero(~covered[rows], axis=1)
            length = columns.stop - columns.start
            envelope = np.sqrt(8.0 / 3.0) * np.sin(np.pi * (np.arange(length) + 0.5) / length) ** 2
            for channel in out[rows]:
                burst = _band_noise(length, record.interval_s, self.band_hz, random) * envelope
                channel[columns] += (self.level * record.signal_rms * burst).astype(np.float32)
        return out

    def _place(
        self,
        record: Record,
        covered: NDArray[np.bool_],
        left: NDArray[np.int64],
        random: np.random.Generator,
    ) -> tuple[slice, slice]:
        """Channels and samples of a burst around a random sample that none covers yet."""
        first = int(random.choice(len(left), p=left / left.sum()))
        last = min(record.channel_count, first + int(random.integers(1, self.channels + 1)))
        length = round(random.uniform(*self.length_s) / record.interval_s)
        length = min(max(length, 8), record.sample_count)
        inside = int(random.choice(np.flatnonzero(~covered[first])))
        begin = inside - int(random.integers(length))
        begin = min(max(begin, 0), record.sample_count - length)
        return slice(first, last), slice(begin, begin + length)


@dataclass(frozen=True)
class Tugging:
    """The vessel jerks the front of the streamer; it fades from channel to channel."""

    level: float
    """Rms on the first channel, over signal rms."""
    reach_channels: float = 4.0
    """Channels after which it has fallen to 1/e."""
    band_hz: tuple[float, float] = (2.0, 8.0)
    """Pass band."""
    speed_m_s: float = 900.0
    """With which it runs down the streamer."""

    def make(self, record: Record, random: np.random.Generator) -> Samples:
        """One noise of the band on all channels, delayed and weakened along the streamer."""
        length = next_fast_len(record.sample_count + round(5.0 / record.interval_s), real=True)
        spectrum = rfft(_band_noise(length, record.interval_s, self.band_hz, random))
        frequency = rfftfreq(length, record.interval_s)
        out = record.zeros()
        for number, channel in enumerate(out):
            delay = number * record.group_interval_m / self.speed_m_s
            delayed = irfft(spectrum * np.exp(-2j * np.pi * frequency * delay), length)
            size = self.level * record.signal_rms * np.exp(-number / self.reach_channels)
            channel[:] = size * delayed[: record.sample_count]
        return out


@dataclass(frozen=True)
class Spikes:
    """Single wrong samples."""

    level: float
    """Mean height over signal rms; heights are exponential, above half that mean, of both signs."""
    share: float
    """Part of all samples."""

    def make(self, record: Record, random: np.random.Generator) -> Samples:
        """Exactly the share of samples, at random places."""
        _check_share(self.share)
        out = record.zeros()
        count = round(self.share * out.size)
        where = random.choice(out.size, count, replace=False)
        height = 0.5 + 0.5 * random.standard_exponential(count)
        sign = random.choice([-1.0, 1.0], count)
        out.flat[where] = self.level * record.signal_rms * height * sign
        return out


@dataclass(frozen=True)
class PropellerTone:
    """Blade rate of a vessel ahead and its harmonics, each half as strong as the one before."""

    level: float
    """Rms over signal rms on the first channel."""
    blade_hz: float = 8.3
    """Fundamental."""
    harmonics: int = 4
    """How many tones."""
    wander_hz: float = 0.05
    """Peak of the slow swing of the fundamental, with a period of 60 s."""
    reach_m: float = 1500.0
    """Distance along the streamer after which it has fallen to 1/e."""

    def make(self, record: Record, random: np.random.Generator) -> Samples:
        """Tones that travel down the streamer with the speed of sound in water."""
        amplitude = 0.5 ** np.arange(self.harmonics)
        amplitude *= self.level * record.signal_rms / np.sqrt(0.5 * (amplitude**2).sum())
        starting = random.uniform(0.0, 2.0 * np.pi, self.harmonics)
        time = np.arange(record.sample_count) * record.interval_s
        swing = 60.0 * self.wander_hz
        out = record.zeros()
        for number, channel in enumerate(out):
            along = number * record.group_interval_m
            at = time - along / WATER_VELOCITY_M_S
            turn = 2.0 * np.pi * self.blade_hz * at - swing * np.cos(2.0 * np.pi * at / 60.0)
            for order in range(self.harmonics):
                tone = amplitude[order] * np.sin((order + 1) * turn + starting[order])
                channel += (np.exp(-along / self.reach_m) * tone).astype(np.float32)
        return out


@dataclass(frozen=True)
class OtherVessel:
    """Shots of another vessel far away: dispersed, regular, with a steady slope across channels."""

    level: float
    """Rms of an arrival over its length, over signal rms."""
    interval_s: float = 9.7
    """Of its shots."""
    azimuth_deg: float = 35.0
    """Direction that it lies in, from the shooting direction: 0 dead ahead."""
    band_hz: tuple[float, float] = (8.0, 35.0)
    """Its highest frequency comes first, its lowest last."""
    length_s: float = 1.2
    """Of one arrival."""

    def make(self, record: Record, random: np.random.Generator) -> Samples:
        """One sweep-like arrival at each of its shots, delayed from channel to channel."""
        arrival = self._arrival(record.interval_s)
        first = random.uniform(0.0, self.interval_s)
        when = np.arange(first, record.sample_count * record.interval_s, self.interval_s)
        slope = np.cos(np.radians(self.azimuth_deg)) / WATER_VELOCITY_M_S
        length = next_fast_len(record.sample_count + len(arrival) + 64, real=True)
        response = rfft(arrival, length)
        out = record.zeros()
        for number, channel in enumerate(out):
            impulses = np.zeros((1, length))
            at = (when + number * record.group_interval_m * slope) / record.interval_s
            add_pulses(impulses, at[:, None], np.ones((len(at), 1)), pulse_table())
            wave = irfft(rfft(impulses[0]) * response, length)[: record.sample_count]
            channel[:] = self.level * record.signal_rms * wave
        return out

    def _arrival(self, interval_s: float) -> NDArray[np.float64]:
        time = np.arange(round(self.length_s / interval_s)) * interval_s
        low, high = self.band_hz
        turns = high * time - 0.5 * (high - low) * time**2 / self.length_s
        wave = np.sin(2.0 * np.pi * turns) * np.sin(np.pi * time / self.length_s)
        return np.asarray(wave / np.sqrt(np.mean(wave**2)), np.float64)
