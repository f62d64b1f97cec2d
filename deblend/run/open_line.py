"""Opening what a line file names: headers and tables, no samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.model.geometry import Geometry, towed_geometry, unknown_geometry
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.run.line_file import Line


@dataclass(frozen=True, eq=False)
class OpenLine:
    """A line whose headers and tables have been read.

    Parameters
    ----------
    line : Line
        The line file.
    recording : Recording
        Its record, unread.
    shots : Shots
        Its shots.
    geometry : Geometry
        Nominal positions; unknown where the line file says nothing.
    findings : tuple of Finding
        What was noticed.
    """

    line: Line
    recording: Recording
    shots: Shots
    geometry: Geometry
    findings: tuple[Finding, ...]


def open_line(line: Line) -> OpenLine:
    """Open records and shots and inspect them.

    Raises
    ------
    InputError
        If they cannot be read or do not fit together.
    """
    from deblend.records.inspection import inspect_line
    from deblend.records.open import open_recording
    from deblend.records.shot_table import read_shots

    keys = line.keys
    recording = open_recording(
        line.record_patterns,
        time_scale=keys.records.time_scale,
        start_is_exact=keys.records.start_is_exact,
        start_offset_s=keys.records.start_offset_s,
    )
    shots = read_shots(line.shots_path, time_scale=keys.records.time_scale)
    findings = inspect_line(recording, shots, keys.separation.length_s)
    return OpenLine(
        line,
        recording,
        shots,
        line_geometry(line, shots, recording.shape[0]),
        tuple(findings),
    )


def line_geometry(line: Line, shots: Shots, channel_count: int) -> Geometry:
    """Positions as the line file plans them."""
    plan = line.keys.geometry
    if plan is None:
        return unknown_geometry(len(shots), channel_count)
    return towed_geometry(
        shots,
        channel_count,
        nearest_offset_m=plan.nearest_offset_m,
        group_interval_m=plan.group_interval_m,
        streamer_depth_m=np.nan if plan.streamer_depth_m is None else plan.streamer_depth_m,
        crossline_m=plan.crossline_m,
        nearest_channel=plan.nearest_channel,
    )


def with_new(findings: tuple[Finding, ...], others: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """`findings`, and those of `others` that are about something else."""
    said = {finding.metric for finding in findings}
    return (*findings, *(other for other in others if other.metric not in said))


def why_not_delivered(
    shots: Shots, delivered: NDArray[np.bool_], recording: Recording, length: int
) -> NDArray[np.str_]:
    """Why each shot is not in the output, in a few words; empty where it is.

    Parameters
    ----------
    shots : Shots
        As read from the table.
    delivered : ndarray of bool, shape (shot,)
        Shots in the output.
    recording : Recording
        The record.
    length : int
        Samples of a gather trace.
    """
    begin = shots.fire_time_ns
    end = begin + (length - 1) * recording.interval_ns
    outside = (end < recording.start_ns) | (begin > recording.last_ns)
    partly = (begin < recording.start_ns) | (end > recording.last_ns)
    return np.select(
        [delivered, ~shots.live, ~shots.deliver, outside, partly],
        ["", "misfire", "not wanted", "outside the record", "partly outside the record"],
        "not separated",
    )
