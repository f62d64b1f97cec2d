"""What a delivered file says of its shots; refused before the work if SEG-Y cannot hold it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from deblend.deliver.trace_headers import SourceGathers, check_fits
from deblend.line.open_line import OpenLine
from deblend.model.geometry import Geometry
from deblend.separation.job import Job


def source_gathers(
    opened: OpenLine,
    job: Job,
    rows: NDArray[np.int64],
    dead: NDArray[np.bool_],
    history: tuple[str, ...],
) -> SourceGathers:
    """What the traces of one source are, by its `rows` of the shot table.

    `dead` channels recorded nothing of use; `history` says what was done, a sentence each.
    """
    geometry = opened.geometry
    return SourceGathers(
        shots=job.shots.take(rows),
        geometry=Geometry(
            geometry.offset_m[rows],
            geometry.receiver_x_m[rows],
            geometry.receiver_y_m[rows],
            geometry.receiver_depth_m,
        ),
        channel_numbers=job.recording.channel_numbers,
        dead=dead,
        interval_ns=job.recording.interval_ns,
        length=job.length,
        amplitude_unit=job.recording.amplitude_unit,
        line=opened.line.name,
        history=history,
    )


def refuse_undeliverable(opened: OpenLine, job: Job) -> None:
    """Refuse a line whose gathers do not fit the format in which they are delivered.

    Raises
    ------
    OutputError
        If a count, position, number or instant does not fit SEG-Y.
    """
    no_channel = np.zeros(job.recording.shape[0], np.bool_)
    for source in job.shots.sources:
        rows = np.flatnonzero(job.delivered & (job.shots.source == source))
        if rows.size:
            check_fits(source_gathers(opened, job, rows, no_channel, ()))
