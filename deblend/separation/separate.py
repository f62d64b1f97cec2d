"""A line in, labelled gathers out, all in memory."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from deblend.model.findings import Finding
from deblend.model.gathers import make_gathers, make_record
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.separation.amplitudes import impossible_findings
from deblend.separation.choose import MethodChoice
from deblend.separation.downweighted import downweighted_findings
from deblend.separation.fire_times import (
    TimeShifts,
    estimate_shifts,
    shift_findings,
    with_shifted_times,
)
from deblend.separation.job import (
    BlockResult,
    Job,
    prepare,
    separate_channels,
    with_usual_amplitudes,
)
from deblend.separation.learned_floor import with_learned_floor
from deblend.separation.loop import Callback, IterationRecord, merge_histories
from deblend.separation.settings import DEFAULTS, SeparationSettings

if TYPE_CHECKING:
    import xarray


OnBlock = Callable[[Job, BlockResult], None]
"""Called after each block."""


@dataclass(frozen=True, eq=False)
class Separation:
    """Result of a separation."""

    estimate: xarray.DataArray
    """float32, dimensions (shot, channel, time): One row for every shot of the table, in its order;
    rows of shots that are not delivered are zero and their coordinate ``live`` is False."""
    residual: xarray.DataArray
    """float32, dimensions (channel, time): What the blended estimates of all shots, delivered or
    not, leave of the record; zero on unknown samples. Small is necessary, and proves nothing alone.
    """
    history: tuple[IterationRecord, ...]
    """What each iteration did, all channels together."""
    settings: dict[str, str | int | float | bool]
    """Every setting that was used."""
    findings: tuple[Finding, ...]
    """What was noticed on the way."""
    time_shifts: TimeShifts | None = None
    """Errors of the fire times, where they were to be refined; `estimate` begins at the refined
    ones."""


def separate_line(
    recording: Recording,
    shots: Shots,
    *,
    length_s: float,
    method: MethodChoice = "auto",
    settings: SeparationSettings = DEFAULTS,
    callback: Callback | None = None,
    on_block: OnBlock | None = None,
) -> Separation:
    """`deblend.separate` with its settings as one object.

    Parameters
    ----------
    recording, shots, length_s, method, callback
        As in `deblend.separate`, which has what is raised, too.
    settings : SeparationSettings, optional
        How to separate.
    on_block : callable, optional
        Sees the job and the result of each block while its gathers are in memory.
    """
    job = with_usual_amplitudes(
        prepare(recording, shots, length_s=length_s, method=method, settings=settings)
    )
    shifts = estimate_shifts(job) if settings.refine_times else None
    if shifts is not None:
        found = tuple(shift_findings(shifts, job))
        job = replace(with_shifted_times(job, shifts.applied_s), findings=(*job.findings, *found))
    job = with_learned_floor(job)
    estimate = np.zeros((len(shots), recording.shape[0], job.length), dtype=np.float32)
    unexplained = np.zeros(recording.shape, dtype=np.float32)
    histories, lost = [], None
    for block in job.blocks:
        part = separate_channels(job, block, callback)
        if on_block is not None:
            on_block(job, part)
        estimate[:, block.start : block.stop] = part.estimate
        unexplained[block.start : block.stop] = part.residual
        histories.append(part.history)
        if part.downweighted is not None:
            lost = part.downweighted if lost is None else lost + part.downweighted
    findings = (*job.findings, *impossible_findings(job.recording))
    if lost is not None:
        numbers = recording.channel_numbers
        findings = (*findings, *downweighted_findings(lost, shots, numbers))
    return Separation(
        estimate=make_gathers(
            estimate,
            job.shots,
            recording.channel_numbers,
            recording.interval_s,
            kind="estimate",
            live=job.delivered,
            amplitude_unit=recording.amplitude_unit,
        ),
        residual=make_record(unexplained, recording, name="residual"),
        history=merge_histories(histories),
        settings=job.all_settings,
        findings=findings,
        time_shifts=shifts,
    )
