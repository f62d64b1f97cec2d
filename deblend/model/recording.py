"""The Recording: lazy samples of every channel, and the instant of the first of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Final, Protocol, runtime_checkable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from deblend.errors import InputError, RecordError
from deblend.model.findings import Finding
from deblend.model.timebase import TimeScale, check_time_scale, interval_to_ns, parse_instant
from deblend.words import counted

UNKNOWN_UNIT: Final = "recorded unit"
"""Amplitude unit where nothing says it."""


@runtime_checkable
class SampleSource(Protocol):
    """What a reader hands to a Recording."""

    @property
    def shape(self) -> tuple[int, int]:
        """Number of channels and of samples."""
        ...

    def read(self, channels: Sequence[int], start: int, stop: int) -> NDArray[np.float32]:
        """Samples ``[start, stop)`` of channels by row number; NaN where nothing was recorded."""
        ...


@dataclass(frozen=True)
class Gap:
    """Samples ``[start, stop)`` that no file holds; they read as NaN."""

    start: int
    stop: int


@dataclass(frozen=True)
class SourceFile:
    """A file that feeds a Recording, and where in it: samples ``[start, stop)``.

    `start_ns` is the instant of sample `start` by the header of the file, None where unknown; it
    differs from the time axis of the record where clocks step or drift.
    """

    path: Path
    start: int
    stop: int
    start_ns: int | None = None


class ArraySource:
    """Samples held in memory, shape (channel, time)."""

    def __init__(self, samples: ArrayLike) -> None:
        array = np.asarray(samples)
        if array.ndim != 2:
            raise RecordError(
                f"samples have {counted(array.ndim, 'dimension')}",
                remedy="Give an array of shape (channel, time).",
            )
        if array.dtype.kind not in "iuf":
            raise RecordError(
                f"samples are of type {array.dtype}", remedy="Give real numbers, ideally float32."
            )
        self._array = array

    @property
    def shape(self) -> tuple[int, int]:
        """Number of channels and of samples."""
        return self._array.shape[0], self._array.shape[1]

    def read(self, channels: Sequence[int], start: int, stop: int) -> NDArray[np.float32]:
        """Copy of samples ``[start, stop)`` of `channels`, as float32."""
        return self._array[list(channels), start:stop].astype(np.float32)


@dataclass(frozen=True, eq=False)
class Recording:
    """A continuous record of a line.

    The time axis is implicit: sample k lies at ``start + k * interval``.

    Raises
    ------
    RecordError
        If the samples are no non-empty real array of two dimensions, or `channels` does not fit.
    TimeError
        If `start`, `interval_s` or `time_scale` cannot be used.
    """

    samples: ArrayLike | SampleSource
    """Shape (channel, time). Samples that are NaN or infinite are unknown and take no part in the
    separation."""
    interval_s: float = field(kw_only=True)
    """Sample interval in seconds; a whole number of nanoseconds."""
    start: str | int = field(kw_only=True)
    """Instant of sample 0, as ISO 8601 text or as nanoseconds since 1970 of the time scale."""
    time_scale: str = field(kw_only=True)
    """Scale of `start`. There is no default."""
    channels: Sequence[int] = field(default=(), kw_only=True)
    """Channel number of each row; 1, 2, 3, ... by default."""
    gaps: tuple[Gap, ...] = field(default=(), kw_only=True)
    """Stretches that no file holds."""
    amplitude_unit: str = field(default=UNKNOWN_UNIT, kw_only=True)
    """Unit of the samples, for axes and tables."""
    files: tuple[SourceFile, ...] = field(default=(), kw_only=True)
    """Where the samples come from."""
    findings: tuple[Finding, ...] = field(default=(), kw_only=True)
    """What the reader noticed while opening."""

    def __post_init__(self) -> None:
        channel_count, sample_count = self.shape
        if channel_count == 0 or sample_count == 0:
            raise RecordError(
                f"the record holds {counted(channel_count, 'channel')} of "
                f"{counted(sample_count, 'sample')}",
                remedy="A record needs at least one of each.",
            )
        if len(self.channels) not in (0, channel_count):
            raise RecordError(
                f"{counted(len(self.channels), 'channel number')} given for "
                f"{counted(channel_count, 'channel')}",
                remedy="Give one number a channel.",
            )
        _ = self.scale, self.interval_ns, self.start_ns

    @cached_property
    def source(self) -> SampleSource:
        """The samples behind one way of reading."""
        if isinstance(self.samples, SampleSource) and not isinstance(self.samples, np.ndarray):
            return self.samples
        return ArraySource(self.samples)

    @cached_property
    def scale(self) -> TimeScale:
        """Time scale of every instant here."""
        return check_time_scale(self.time_scale)

    @cached_property
    def interval_ns(self) -> int:
        """Sample interval in nanoseconds."""
        return interval_to_ns(self.interval_s)

    @cached_property
    def start_ns(self) -> int:
        """Instant of sample 0, in nanoseconds since 1970 of the time scale."""
        if isinstance(self.start, str):
            return parse_instant(self.start, self.scale)
        return int(self.start)

    @property
    def shape(self) -> tuple[int, int]:
        """Number of channels and of samples."""
        return self.source.shape

    @property
    def last_ns(self) -> int:
        """Instant of the last sample."""
        return self.start_ns + (self.shape[1] - 1) * self.interval_ns

    @property
    def duration_s(self) -> float:
        """Length in seconds, samples times interval."""
        return self.shape[1] * self.interval_ns * 1e-9

    def not_held(
        self, fire_time_ns: NDArray[np.int64], samples: int
    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Shots wholly outside the record, and those partly outside it: two of shape (shot,).

        Time breaks are nanoseconds of the time scale of the record; a gather has so many samples.
        """
        end_ns = fire_time_ns + (samples - 1) * self.interval_ns
        wholly = (end_ns < self.start_ns) | (fire_time_ns > self.last_ns)
        partly = ~wholly & ((fire_time_ns < self.start_ns) | (end_ns > self.last_ns))
        return wholly, partly

    @cached_property
    def channel_numbers(self) -> NDArray[np.int64]:
        """Channel number of each row."""
        if len(self.channels):
            return np.asarray(self.channels, dtype=np.int64)
        return np.arange(1, self.shape[0] + 1, dtype=np.int64)

    def read(self, channels: Sequence[int], start: int, stop: int) -> NDArray[np.float32]:
        """Samples ``[start, stop)`` of some channels.

        Parameters
        ----------
        channels : sequence of int
            Row numbers from 0, not channel numbers.
        start, stop : int
            Sample range within the record.

        Returns
        -------
        ndarray of float32, shape (len(channels), stop - start)
            NaN where nothing was recorded; otherwise as recorded, NaN and Inf included.

        Raises
        ------
        InputError
            If a channel or the range lies outside the record.
        """
        channel_count, sample_count = self.shape
        if not 0 <= start <= stop <= sample_count:
            raise InputError(
                f"samples {start} to {stop} were asked of a record of {sample_count}",
                remedy="Stay within the record.",
            )
        rows = [int(channel) for channel in channels]
        if any(not 0 <= row < channel_count for row in rows):
            raise InputError(
                f"a channel row outside 0 to {channel_count - 1} was asked for",
                remedy="Rows count from 0; channel numbers are in `channel_numbers`.",
            )
        return self.source.read(rows, start, stop)
