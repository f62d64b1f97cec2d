"""Weak events to be added to a record: where they lie, how strong they are, what they look like."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.blending.operator import make_operator
from deblend.model.recording import Recording, SampleSource
from deblend.model.shots import Shots

Floats = NDArray[np.float64]

OCTAVES_HZ: Final = (8.0, 16.0, 32.0, 64.0)
"""Centre frequencies of events."""
PERIODS: Final = 0.8
"""Standard length of the envelope in periods; the spectrum is about an octave wide."""
WAVE_S: Final = 0.012
"""Half the range over which an event undulates along the line."""
WAVE_SHOTS: Final = 70.0
"""Shots from crest to crest of that."""


@dataclass(frozen=True, eq=False)
class Events:
    """Events in every shot of every source, smooth along the line and with offset."""

    time_s: Floats
    """(event,): Two-way times at zero offset."""
    frequency_hz: Floats
    """(event,): Centre frequencies."""
    velocity_m_s: Floats
    """(event,): Moveout velocities; infinite for events without moveout."""
    amplitude: Floats
    """(source, event): Peak amplitudes with sign."""
    phase: Floats
    """(source, event): Where along the line each event begins to undulate, in radians."""

    def traces(
        self, sources: NDArray[np.int64], place: Floats, offset_m: Floats, time: Floats
    ) -> tuple[Floats, Floats]:
        """Each event by itself and its derivative in time, each (shot, channel, event, time).

        `place` is how many shots of its source came before each; `time` is in seconds after firing.
        """
        wander = WAVE_S * np.sin(2 * np.pi * place[:, None] / WAVE_SHOTS + self.phase[sources])
        zero_s = self.time_s + wander
        arrival = np.hypot(zero_s[:, None, :], offset_m[:, :, None] / self.velocity_m_s)
        turn = 2 * np.pi * self.frequency_hz[:, None]
        late = time - arrival[..., None]
        inverse = (self.frequency_hz[:, None] / PERIODS) ** 2
        strength = self.amplitude[sources][:, None, :, None] * np.exp(-0.5 * inverse * late**2)
        wave = strength * np.cos(turn * late)
        slope = -strength * (turn * np.sin(turn * late) + inverse * late * np.cos(turn * late))
        return wave, slope


@dataclass(frozen=True, eq=False)
class EventGathers:
    """Events in the gathers of a line."""

    events: Events
    """What they are."""
    shots: Shots
    """The line; misfires get none."""
    offset_m: Floats
    """(shot, channel): Offsets; zero where unknown."""
    interval_s: float
    """Sample interval in seconds."""
    length: int
    """Samples of a trace."""
    only: int | str | None = None
    """The one source that gets events; all by default."""

    @cached_property
    def source_number(self) -> NDArray[np.int64]:
        """Number of the source of each shot."""
        return np.searchsorted(np.array(self.shots.sources), self.shots.source).astype(np.int64)

    @cached_property
    def place(self) -> Floats:
        """How many shots of the same source fired before each shot."""
        place = np.zeros(len(self.shots))
        for source in self.shots.sources:
            rows = self.shots.rows_of(source)
            place[rows] = np.argsort(np.argsort(self.shots.fire_time_ns[rows], kind="stable"))
        return place

    @property
    def has_events(self) -> NDArray[np.bool_]:
        """Shots with events, shape (shot,)."""
        chosen = self.shots.live.copy()
        return chosen if self.only is None else chosen & (self.shots.source == self.only)

    def parts(
        self, rows: NDArray[np.int64], channels: Sequence[int] | NDArray[np.int64]
    ) -> tuple[Floats, Floats]:
        """Each event and its derivative in some traces; see `Events.traces`."""
        time = np.arange(self.length, dtype=np.float64) * self.interval_s
        offset = self.offset_m[np.ix_(rows, np.asarray(channels, dtype=np.int64))]
        return self.events.traces(self.source_number[rows], self.place[rows], offset, time)

    def gathers(
        self, rows: NDArray[np.int64], channels: Sequence[int] | NDArray[np.int64]
    ) -> NDArray[np.float32]:
        """Sum of the events, shape (row, channel, time); zero for shots without events."""
        out = np.zeros((len(rows), len(channels), self.length), np.float32)
        for number, row in enumerate(rows):  # a shot at a time bounds the memory of single events
            if self.has_events[row]:
                out[number] = self.parts(rows[number : number + 1], channels)[0][0].sum(axis=1)
        return out


@dataclass(frozen=True, eq=False)
class InjectedSource:
    """Samples of a recording with events blended in at the true fire times, made when read."""

    samples: SampleSource
    """The record as it is."""
    added: EventGathers
    """What is added."""
    start_ns: int
    interval_ns: int
    """Of the record."""

    @property
    def shape(self) -> tuple[int, int]:
        """Number of channels and of samples."""
        return self.samples.shape

    def read(self, channels: Sequence[int], start: int, stop: int) -> NDArray[np.float32]:
        """Samples ``[start, stop)`` of some channels; unknown ones stay unknown."""
        record = self.samples.read(channels, start, stop)
        rows = self._within(start, stop)
        if not len(rows) or start == stop:
            return record
        operator = make_operator(
            self.added.shots.take(rows),
            start_ns=self.start_ns + start * self.interval_ns,
            interval_ns=self.interval_ns,
            sample_count=stop - start,
            length=self.added.length,
        )
        blended: NDArray[np.float32] = operator.blend(self.added.gathers(rows, channels))
        return record + blended

    def _within(self, start: int, stop: int) -> NDArray[np.int64]:
        """Shots with events whose traces, pads included, may reach into the samples."""
        shots = self.added.shots
        first = (shots.fire_time_ns - self.start_ns) // self.interval_ns
        spare = self.added.length + 256
        reach = (first + 2 * spare > start) & (first - spare < stop) & self.added.has_events
        return np.flatnonzero(reach).astype(np.int64)


def inject(recording: Recording, added: EventGathers) -> Recording:
    """The recording with events in it; samples are made when they are read."""
    source = InjectedSource(recording.source, added, recording.start_ns, recording.interval_ns)
    return replace(recording, samples=source)
