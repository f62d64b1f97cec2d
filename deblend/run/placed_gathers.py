"""Separated or conventional gathers of one source with their positions, from SEG-Y headers."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deblend.errors import RecordError
from deblend.model.geometry import Geometry
from deblend.model.recording import Recording
from deblend.model.shots import Shots, make_shots
from deblend.records.segy_gathers import Traces, read_traces
from deblend.separation.job import Job, in_table_order, loop_channels, prepare

_SPARE: int = 96
"""Samples between gathers that are laid end to end: more than a delay filter can write."""


@dataclass(frozen=True, eq=False)
class PlacedGathers:
    """Gathers of one source.

    Parameters
    ----------
    name : str
        For messages.
    amplitude : ndarray of float32, shape (shot, channel, time)
        Zero where the file holds no trace.
    shots : Shots
        One row a shot; fire times count on from zero in the order of the file.
    geometry : Geometry
        Positions and offsets; NaN where the file holds no trace or no position.
    interval_s : float
        Sample interval in seconds.
    """

    name: str
    amplitude: NDArray[np.float32]
    shots: Shots
    geometry: Geometry
    interval_s: float

    def take(self, rows: NDArray[np.int64], name: str) -> PlacedGathers:
        """Some of the shots."""
        own = self.geometry
        return replace(
            self,
            name=name,
            amplitude=self.amplitude[rows],
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
        return np.stack(
            [
                0.5 * (self.shots.x_m[:, None] + self.geometry.receiver_x_m),
                0.5 * (self.shots.y_m[:, None] + self.geometry.receiver_y_m),
            ],
            axis=-1,
        )


def read_gathers(path: Path) -> PlacedGathers:
    """Read a SEG-Y file of one source.

    Shots are told apart by the field record, channels by the channel number within it.

    Raises
    ------
    RecordError
        If the file cannot be read, or two traces belong to one shot and channel.
    """
    traces = read_traces(path)
    shot, row = np.unique(traces.word("field_record"), return_inverse=True)
    channel, column = np.unique(traces.word("channel"), return_inverse=True)
    shape = (len(shot), len(channel))
    if len(set(zip(row.tolist(), column.tolist(), strict=True))) != len(row):
        raise RecordError(
            "two traces have the same field record and channel",
            where=str(path),
            remedy="Give one source a file, with field records in bytes 9-12 and channels in "
            "bytes 13-16.",
        )
    amplitude = np.zeros((*shape, traces.samples.shape[1]), np.float32)
    amplitude[row, column] = np.nan_to_num(traces.samples)
    position = {name: _metres(traces, name) for name in _POSITIONS}
    source_x, source_y = (_of_shots(position[name], row, len(shot)) for name in _POSITIONS[:2])
    receiver_x, receiver_y = (
        _of_traces(position[name], row, column, shape) for name in _POSITIONS[2:]
    )
    offset = _of_traces(traces.word("offset").astype(np.float64), row, column, shape)
    apart = np.hypot(receiver_x - source_x[:, None], receiver_y - source_y[:, None])
    step_ns = (traces.samples.shape[1] + _SPARE) * traces.interval_ns
    return PlacedGathers(
        path.stem,
        amplitude,
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


_POSITIONS = ("source_x", "source_y", "receiver_x", "receiver_y")


def _metres(traces: Traces, name: str) -> NDArray[np.float64]:
    """A coordinate with its scalar applied; NaN where the header holds zero, which is unknown."""
    scalar = traces.word("coordinate_scalar").astype(np.float64)
    factor = np.where(scalar < 0, -1.0 / np.minimum(scalar, -1), np.maximum(scalar, 1.0))
    stored = traces.word(name)
    return np.where(stored == 0, np.nan, stored * factor)


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


def through_separation(
    gathers: PlacedGathers, *, method: str, iterations: int, seed: int
) -> PlacedGathers:
    """The gathers as the same separation leaves them where nothing overlaps.

    They are laid end to end as a record of their own and separated like a trial: what is left is
    what the coherence filter keeps of them, noise floor and all. Only then is the trial, which has
    been through that filter, compared with its like.

    Parameters
    ----------
    gathers : PlacedGathers
        Of a line shot without overlap.
    method, iterations, seed
        As in `deblend.separate`, of the trial.
    """
    count, channels, length = gathers.amplitude.shape
    step = length + _SPARE
    record = np.zeros((channels, _SPARE + count * step), np.float32)
    for row in range(count):
        begin = _SPARE + row * step
        record[:, begin : begin + length] = gathers.amplitude[row]
    interval_ns = round(gathers.interval_s * 1e9)
    job = prepare(
        Recording(
            record,
            interval_s=gathers.interval_s,
            start=-_SPARE * interval_ns,
            time_scale="utc",
        ),
        gathers.shots,
        length_s=length * gathers.interval_s,
        method=method,
        iterations=iterations,
        seed=seed,
    )
    filtered = np.zeros_like(gathers.amplitude)
    for block in job.blocks:
        filtered[:, block.start : block.stop] = _coherent(job, block)
    return replace(gathers, name=f"{gathers.name} through the same filter", amplitude=filtered)


def _coherent(job: Job, block: range) -> NDArray[np.float32]:
    """What the loop alone makes of a block: `separate` would keep what does not overlap."""
    _, estimate, _, _ = loop_channels(job, block)
    return in_table_order(job, estimate, np.ones(len(job.shots), np.bool_))
