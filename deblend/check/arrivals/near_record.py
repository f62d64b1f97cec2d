"""The record on the channels nearest to the sources, and where each shot shows in it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.check.arrivals.windows import View
from deblend.model.geometry import Geometry
from deblend.model.recording import Recording
from deblend.model.timebase import NS_PER_S
from deblend.model.water import WATER_VELOCITY_M_S

LEAD_S: Final = 0.06
"""Of a window before the first of the arrivals that are predicted in it."""
MOST_CHANNELS: Final = 6
_WITHOUT_OFFSETS: Final = 2
_SOME_SAMPLES: Final = 20_000


@dataclass(frozen=True, eq=False)
class FiredShots:
    """When shots fired, by the clock of the record."""

    fire_time_ns: NDArray[np.int64]
    """(shot,): In any order."""
    live: NDArray[np.bool_]
    """(shot,): Shots that should have left energy."""
    source_row: NDArray[np.int64]
    """(shot,): Source of each, from 0."""


@dataclass(frozen=True, eq=False)
class NearRecord:
    """Some channels near the sources."""

    samples: NDArray[np.float64]
    """(channel, time): Zero where they are not known."""
    known: NDArray[np.bool_]
    """(channel, time): False where a sample is missing."""
    delay_s: NDArray[np.float64]
    """(source, channel): Travel time of the direct arrival; zero where offsets are unknown."""
    start_ns: int
    interval_ns: int
    """Of the record."""
    pulse_s: float = 0.12
    """Of a window, from the first arrival on each channel."""

    @property
    def interval_s(self) -> float:
        """Sample interval."""
        return self.interval_ns / NS_PER_S

    @property
    def source_count(self) -> int:
        """Number of sources."""
        return len(self.delay_s)

    @property
    def length(self) -> int:
        """Samples of a window that holds a direct arrival on all channels."""
        spread_s = float(np.ptp(self.delay_s, axis=1).max())
        return round((LEAD_S + self.pulse_s + spread_s) / self.interval_s)

    @property
    def begin(self) -> NDArray[np.float64]:
        """Begin of a window after the fire time, in samples, shape (source,)."""
        return np.asarray((self.delay_s.min(axis=1) - LEAD_S) / self.interval_s)

    @cached_property
    def view(self) -> View:
        """The channels, seen through windows."""
        return View(self.samples, np.asarray(self.known.all(axis=0)), self.length)

    @cached_property
    def loudness(self) -> NDArray[np.float64]:
        """Robust deviation of the samples of each channel, shape (channel,): noise at most."""
        some = np.abs(self.samples[:, :: max(1, self.samples.shape[1] // _SOME_SAMPLES)])
        return np.asarray(1.4826 * np.median(some, axis=1))

    def window(self, shots: FiredShots) -> NDArray[np.float64]:
        """Sample at which the window of each shot begins, shape (shot,)."""
        fired = (shots.fire_time_ns - self.start_ns) / self.interval_ns
        return np.asarray(fired + self.begin[shots.source_row])


def read_near_record(
    recording: Recording, geometry: Geometry, source_row: NDArray[np.int64], source_count: int
) -> NearRecord | None:
    """Read the nearest channels that are not dead as a whole; None where there are none.

    Where offsets are unknown two channels are read, and travel times are taken for zero.
    `source_row` is the source of each row of `geometry`, from 0.
    """
    rows = np.array(nearest_channels(recording, geometry), dtype=np.int64)
    record = recording.read(rows.tolist(), 0, recording.shape[1])
    known = np.isfinite(record)
    mean_square = np.array(
        [
            np.square(trace[good], dtype=np.float64).mean() if good.any() else 0.0
            for trace, good in zip(record, known, strict=True)
        ]
    )
    chosen = np.flatnonzero(mean_square > 0.0)
    if offsets_known(geometry):
        chosen = chosen[:MOST_CHANNELS]
        delay_s = _delays(np.abs(geometry.offset_m)[:, rows[chosen]], source_row, source_count)
    else:
        # The louder end is the near one.
        chosen = chosen[np.argsort(-mean_square[chosen], kind="stable")][:_WITHOUT_OFFSETS]
        delay_s = np.zeros((source_count, len(chosen)))
    if not chosen.size:
        return None
    known = known[chosen]
    samples = np.where(known, record[chosen], 0.0).astype(np.float64)
    return NearRecord(samples, known, delay_s, recording.start_ns, recording.interval_ns)


def offsets_known(geometry: Geometry) -> bool:
    """Whether the offset of any shot to any channel is known."""
    return bool(np.isfinite(geometry.offset_m).any())


def nearest_channels(recording: Recording, geometry: Geometry) -> list[int]:
    """Rows of the channels nearest to the sources; of both ends where offsets are unknown."""
    offset_m = np.abs(geometry.offset_m)
    some = np.isfinite(offset_m).any(axis=0)
    count = recording.shape[0]
    if not some.any():
        return sorted({min(max(row, 0), count - 1) for row in (0, 1, count - 2, count - 1)})
    nearest = np.full(count, np.inf)
    nearest[some] = np.nanmedian(offset_m[:, some], axis=0)
    order = np.argsort(nearest, kind="stable")[: 2 * MOST_CHANNELS]
    return [int(row) for row in order if np.isfinite(nearest[row])]


def _delays(
    offset_m: NDArray[np.float64], source_row: NDArray[np.int64], source_count: int
) -> NDArray[np.float64]:
    """Travel time of the direct arrival, shape (source, channel)."""
    whole = np.nanmedian(offset_m, axis=0) / WATER_VELOCITY_M_S
    out = np.tile(whole, (source_count, 1))
    for source in range(source_count):
        own = offset_m[source_row == source]
        some = np.isfinite(own).any(axis=0)
        out[source, some] = np.nanmedian(own[:, some], axis=0) / WATER_VELOCITY_M_S
    return out
