"""Separated or conventional gathers of one source with their positions, from SEG-Y headers.

Samples stay in the file and are read when they are wanted, so that a line may be larger than
memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from deblend.array_file import scratch_array
from deblend.errors import RecordError
from deblend.model.geometry import Geometry
from deblend.model.midpoints import midpoint_m
from deblend.model.recording import Recording
from deblend.model.shots import Shots, make_shots
from deblend.records.segy.gathers import TraceFile, open_trace_file
from deblend.separation.contract import Separator
from deblend.separation.job import (
    Job,
    in_table_order,
    loop_channels,
    prepare,
    with_usual_amplitudes,
)
from deblend.separation.settings import SeparationSettings

_SPARE: Final = 96
"""Samples between gathers that are laid end to end: more than a delay filter can write."""
_SAMPLES_AT_ONCE: Final = 1 << 24

Rows = NDArray[np.int64]


class Amplitudes(Protocol):
    """Samples (shot, channel, time), wherever they are."""

    @property
    def shape(self) -> tuple[int, int, int]:
        """Number of shots, channels and samples."""
        ...

    def traces(self, shots: Rows, channels: Rows) -> NDArray[np.float32]:
        """Traces of pairs of shot and channel, shape (pair, time); zero where there is none."""
        ...


@dataclass(frozen=True, eq=False)
class FileAmplitudes:
    """Traces of a SEG-Y file; `number` (shot, channel) is their place in it, or -1."""

    file: TraceFile
    number: Rows

    @property
    def shape(self) -> tuple[int, int, int]:
        """Number of shots, channels and samples."""
        return self.number.shape[0], self.number.shape[1], self.file.length

    def traces(self, shots: Rows, channels: Rows) -> NDArray[np.float32]:
        """See `Amplitudes`."""
        number = self.number[shots, channels]
        there = number >= 0
        out = np.zeros((len(number), self.file.length), np.float32)
        if there.any():
            out[there] = np.nan_to_num(self.file.read(number[there]), copy=False)
        return out


@dataclass(frozen=True, eq=False)
class ArrayAmplitudes:
    """Traces of an array (shot, channel, time), mapped from a file or in memory."""

    array: NDArray[np.float32]

    @property
    def shape(self) -> tuple[int, int, int]:
        """Number of shots, channels and samples."""
        shots, channels, length = self.array.shape
        return shots, channels, length

    def traces(self, shots: Rows, channels: Rows) -> NDArray[np.float32]:
        """See `Amplitudes`."""
        return np.asarray(self.array[shots, channels])


@dataclass(frozen=True, eq=False)
class _SomeShots:
    """Some shots of others."""

    whole: Amplitudes
    rows: Rows

    @property
    def shape(self) -> tuple[int, int, int]:
        return len(self.rows), *self.whole.shape[1:]

    def traces(self, shots: Rows, channels: Rows) -> NDArray[np.float32]:
        return self.whole.traces(self.rows[shots], channels)


@dataclass(frozen=True, eq=False)
class PlacedGathers:
    """Gathers of one source."""

    name: str
    """For messages."""
    amplitude: Amplitudes
    """Samples, read when wanted."""
    shots: Shots
    """One row a shot; fire times count on from zero in the order of the file."""
    geometry: Geometry
    """Positions and offsets; NaN where the file holds no trace or no position."""
    interval_s: float
    """Sample interval in seconds."""

    @property
    def length(self) -> int:
        """Samples of a trace."""
        return self.amplitude.shape[2]

    def take(self, rows: Rows, name: str) -> PlacedGathers:
        """Some of the shots."""
        own = self.geometry
        return replace(
            self,
            name=name,
            amplitude=_SomeShots(self.amplitude, rows),
            shots=self.shots.take(rows),
            geometry=Geometry(
                own.offset_m[rows],
                own.receiver_x_m[rows],
                own.receiver_y_m[rows],
                own.receiver_depth_m,
            ),
        )

    @property
    def midpoint_m(self) -> NDArray[np.float64]:
        """Midpoints, shape (shot, channel, 2)."""
        return np.stack(midpoint_m(self.shots, self.geometry), axis=-1)

    def of_channel(self, channel: int) -> NDArray[np.float32]:
        """All shots of one channel, shape (shot, time)."""
        shots = np.arange(len(self.shots))
        return self.amplitude.traces(shots, np.full(len(shots), channel))

    def of_shots(self, rows: Rows) -> NDArray[np.float32]:
        """All channels of some shots, shape (row, channel, time)."""
        _, channels, length = self.amplitude.shape
        shot, channel = np.repeat(rows, channels), np.tile(np.arange(channels), len(rows))
        return self.amplitude.traces(shot, channel).reshape(len(rows), channels, length)

    def shot_blocks(self) -> list[Rows]:
        """Rows of shots in blocks that fit into memory."""
        shots, channels, length = self.amplitude.shape
        step = max(1, _SAMPLES_AT_ONCE // (channels * length))
        return [np.arange(first, min(first + step, shots)) for first in range(0, shots, step)]


_POSITIONS: Final = ("source_x", "source_y", "receiver_x", "receiver_y")
_WORDS: Final = ("field_record", "channel", "offset", "coordinate_scalar")


def read_gathers(path: Path) -> PlacedGathers:
    """Open a SEG-Y file of one source; its samples are read when they are wanted.

    Shots are told apart by the field record, channels by the channel number within it.
    """
    traces = open_trace_file(path, (*_WORDS, *_POSITIONS))
    shot, row = np.unique(traces.words["field_record"], return_inverse=True)
    channel, column = np.unique(traces.words["channel"], return_inverse=True)
    shape = (len(shot), len(channel))
    number = np.full(shape, -1, np.int64)
    number[row, column] = np.arange(len(row))
    if np.count_nonzero(number >= 0) != len(row):
        raise RecordError(
            "two traces have the same field record and channel",
            where=str(path),
            remedy="Give one source a file, with field records in bytes 9-12 and channels in "
            "bytes 13-16.",
        )
    source_x, source_y = (
        _of_shots(values, row, len(shot)) for values in _position_m(traces.words, "source")
    )
    receiver_x, receiver_y = (
        _of_traces(values, row, column, shape) for values in _position_m(traces.words, "receiver")
    )
    offset = _of_traces(traces.words["offset"].astype(np.float64), row, column, shape)
    apart = np.hypot(receiver_x - source_x[:, None], receiver_y - source_y[:, None])
    step_ns = (traces.length + _SPARE) * traces.interval_ns
    return PlacedGathers(
        path.stem,
        FileAmplitudes(traces, number),
        make_shots(
            np.ones(len(shot), np.int64),
            shot,
            np.arange(len(shot), dtype=np.int64) * step_ns,
            "utc",
            x_m=source_x,
            y_m=source_y,
        ),
        Geometry(
            np.where(offset == 0, -apart, offset),
            receiver_x,
            receiver_y,
            np.full(len(channel), np.nan),
        ),
        traces.interval_ns * 1e-9,
    )


def _position_m(
    words: Mapping[str, NDArray[np.int64]], whose: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Easting and northing in metres, scalar applied; NaN where both are zero, which means unknown.

    One of them alone may well be zero: on a track along an axis of the coordinate system.
    """
    scalar = words["coordinate_scalar"].astype(np.float64)
    factor = np.where(scalar < 0, -1.0 / np.minimum(scalar, -1), np.maximum(scalar, 1.0))
    x, y = words[f"{whose}_x"], words[f"{whose}_y"]
    unknown = (x == 0) & (y == 0)
    return np.where(unknown, np.nan, x * factor), np.where(unknown, np.nan, y * factor)


def _of_shots(
    values: NDArray[np.float64], row: NDArray[np.intp], count: int
) -> NDArray[np.float64]:
    out = np.full(count, np.nan)
    out[row] = values
    return out


def _of_traces(
    values: NDArray[np.float64],
    row: NDArray[np.intp],
    column: NDArray[np.intp],
    shape: tuple[int, int],
) -> NDArray[np.float64]:
    out = np.full(shape, np.nan)
    out[row, column] = values
    return out


@dataclass(frozen=True, eq=False)
class _EndToEnd:
    """Gathers laid end to end as a record, made when read."""

    gathers: PlacedGathers

    @property
    def shape(self) -> tuple[int, int]:
        shots, channels, length = self.gathers.amplitude.shape
        return channels, _SPARE + shots * (length + _SPARE)

    def read(self, channels: Sequence[int], start: int, stop: int) -> NDArray[np.float32]:
        """Samples ``[start, stop)`` of some channels; zero between gathers."""
        shots, _, length = self.gathers.amplitude.shape
        step = length + _SPARE
        record = np.zeros((len(channels), stop - start), np.float32)
        first, last = max(0, (start - _SPARE) // step), min(shots, (stop - _SPARE) // step + 1)
        for number, channel in enumerate(channels):
            rows = np.arange(first, max(first, last))
            traces = self.gathers.amplitude.traces(rows, np.full(len(rows), channel))
            for row, trace in zip(rows.tolist(), traces, strict=True):
                begin = _SPARE + row * step - start
                low, high = max(0, -begin), min(length, stop - start - begin)
                if low < high:
                    record[number, begin + low : begin + high] = trace[low:high]
        return record


def through_separation(
    gathers: PlacedGathers,
    scratch: Path,
    *,
    method: str | Separator,
    iterations: int,
    seed: int,
) -> PlacedGathers:
    """The gathers as the same separation leaves them where nothing overlaps.

    They are laid end to end as a record of their own and separated like a trial: what is left is
    what the coherence filter keeps of them, noise floor and all. Only then is the trial, which has
    been through that filter, compared with its like. `scratch` gets a file as large as the gathers;
    the rest is as in `deblend.separate`, of the trial.
    """
    filtered = scratch_array(scratch / "filtered.npy", gathers.amplitude.shape)
    for source in gathers.shots.sources:
        rows = gathers.shots.rows_of(source)
        job = _end_to_end_job(gathers.take(rows, gathers.name), method, iterations, seed)
        for block in job.blocks:
            filtered[rows, block.start : block.stop] = _coherent(job, block)
    return replace(
        gathers,
        name=f"{gathers.name} through the same filter",
        amplitude=ArrayAmplitudes(filtered),
    )


def _end_to_end_job(
    gathers: PlacedGathers, method: str | Separator, iterations: int, seed: int
) -> Job:
    interval_ns = round(gathers.interval_s * 1e9)
    return with_usual_amplitudes(
        prepare(
            Recording(
                _EndToEnd(gathers),
                interval_s=gathers.interval_s,
                start=-_SPARE * interval_ns,
                time_scale="utc",
            ),
            gathers.shots,
            length_s=gathers.length * gathers.interval_s,
            method=method,
            settings=SeparationSettings(iterations=iterations, seed=seed),
        )
    )


def _coherent(job: Job, block: range) -> NDArray[np.float32]:
    """What the loop alone makes of a block: `separate` would keep what does not overlap."""
    done = loop_channels(job, block)
    return in_table_order(job, done.estimate, np.ones(len(job.shots), np.bool_))
