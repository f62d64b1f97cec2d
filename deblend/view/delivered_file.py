"""Some traces of a delivered file: their place follows from the shots, only first headers are read.

A file of 10 GB has a million trace headers, and reading them takes longer than anybody waits.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError
from deblend.model import segy_layout as layout
from deblend.model.shots import Shots
from deblend.records.file_bytes import open_file
from deblend.records.segy.frame import Frame, read_frame
from deblend.records.segy.slice import read_samples, read_trace_headers
from deblend.separation.job import Job

Rows = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class DeliveredFile:
    """Traces of one source, all channels of a shot together."""

    frame: Frame
    """Where they lie."""
    rows: Rows
    """(shot,): Rows of the shot table, in the order of the file."""
    channel_count: int

    def read(self, rows: Rows, channels: Rows) -> NDArray[np.float32]:
        """Gathers (shot, channel, time); NaN for shots that were not delivered."""
        length = self.frame.sample_count
        gathers = np.full((len(rows), len(channels), length), np.nan, np.float32)
        there = np.flatnonzero(np.isin(rows, self.rows))
        order = np.argsort(self.rows)
        place = order[np.searchsorted(self.rows, rows[there], sorter=order)]
        traces = (place[:, None] * self.channel_count + channels).ravel()
        samples = np.empty((len(traces), length), np.float32)
        with open_file(self.frame.stamp.path, self.frame.stamp) as file:
            read_samples(file, self.frame, traces.tolist(), 0, length, samples)
        gathers[there] = samples.reshape(len(there), len(channels), length)
        return gathers


def open_delivered(path: Path, shots: Shots, rows: Rows, job: Job) -> DeliveredFile:
    """Open the file of one source and hold it against its `shots`, `rows` of the shot table.

    Raises
    ------
    RecordError
        If it cannot be read.
    InputError
        If it is not the file of these shots.
    """
    frame, _ = read_frame(path)
    channels = job.recording.shape[0]
    found = (frame.trace_count, frame.sample_count)
    wanted = (len(rows) * channels, job.length)
    if found != wanted:
        raise _other_file(
            f"has {found[0]} traces of {found[1]} samples, the line {wanted[0]} of {wanted[1]}",
            path,
        )
    with open_file(path, frame.stamp) as file:
        firsts = replace(
            frame,
            trace_count=len(rows),
            trace_header_bytes=frame.trace_header_bytes + (channels - 1) * frame.trace_bytes,
        )
        points = read_trace_headers(file, firsts, layout.TRACE_HEADER, 0)["shot_point"]
    wrong = np.flatnonzero(points != shots.shot_point)
    if wrong.size:
        shot = wrong[0]
        raise _other_file(
            f"has shot point {points[shot]} where the line has {shots.shot_point[shot]}", path
        )
    return DeliveredFile(frame, rows, channels)


def _other_file(what: str, path: Path) -> InputError:
    return InputError(
        f"the delivered file {what}",
        where=str(path),
        remedy="Put it back as it was delivered, or separate the line again.",
    )
