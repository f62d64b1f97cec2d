"""Settling what a run will do with a line that has been opened; reads no samples."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
from numpy.typing import NDArray

from deblend.errors import SettingsError
from deblend.line.method_settings import line_method
from deblend.line.open_line import OpenLine
from deblend.memory import PROGRAM_BYTES, whole_budget
from deblend.model.geometry import Geometry
from deblend.separation.fire_times import CHANNELS
from deblend.separation.job import Job, prepare
from deblend.separation.plan_blocks import (
    BlockCuts,
    Extent,
    least_bytes,
    plan_blocks,
)
from deblend.separation.spans import slot_halo
from deblend.words import counted


def prepare_line(opened: OpenLine, memory_bytes: int | None = None) -> Job:
    """Settle method, delivered shots and blocks of channels.

    The arrays of one block may take `memory_bytes`, for those who separate in memory.

    Raises
    ------
    InputError
        If line file, records and shots do not fit together.
    """
    keys = opened.line.keys.separation
    try:
        return prepare(
            opened.recording,
            opened.shots,
            length_s=keys.length_s,
            method=line_method(opened.line, len(opened.shots.sources), opened.recording.shape[0]),
            settings=keys,
            memory_bytes=memory_bytes,
        )
    except SettingsError as error:
        if error.where:
            raise
        where = f"{opened.line.path}, table [separation]"
        raise SettingsError(error.what, where=where, remedy=error.remedy) from error


def cut_line(
    opened: OpenLine,
    job: Job,
    memory_bytes: int | None,
    *,
    at_once: int = 1,
    on_one_host: int = 1,
) -> tuple[int, BlockCuts]:
    """Budget of one process in bytes, and the blocks that fit into it.

    Parameters
    ----------
    memory_bytes : int or None
        What the whole run may take; None for that of the line file, or three quarters of what is
        free.
    at_once : int, optional
        Blocks that are worked on at a time.
    on_one_host : int, optional
        Of these, those on one machine, which share the budget.

    Raises
    ------
    SettingsError
        If the budget is too small.
    """
    memory_gb = opened.line.keys.run.memory_gb
    if not memory_bytes and memory_gb is not None:
        memory_bytes = round(memory_gb * 1e9)
    refuse_refinement(job, whole_budget(memory_bytes))
    fixed_bytes = program_bytes(opened.geometry)
    budget = block_budget(memory_bytes, on_one_host, fixed_bytes)
    return budget, plan_line(job, budget, at_once, fixed_bytes, processes_on_host=on_one_host)


def block_budget(memory_bytes: int | None, processes: int, fixed_bytes: int) -> int:
    """Bytes for the arrays of one block; none or less where processes take all by themselves.

    The processes share `memory_bytes`, three quarters of what is free by default; each takes
    `fixed_bytes` besides.
    """
    return whole_budget(memory_bytes) // processes - fixed_bytes


def program_bytes(geometry: Geometry) -> int:
    """What a process takes besides the arrays of a block: itself, and positions of all traces."""
    positions = (geometry.offset_m, geometry.receiver_x_m, geometry.receiver_y_m)
    return PROGRAM_BYTES + sum(array.nbytes for array in positions if any(array.strides))


def line_extent(job: Job) -> Extent:
    """Size of a line, for planning."""
    return Extent(
        sources=job.layout.source_count,
        slots=job.layout.slot_count,
        channels=job.recording.shape[0],
        length=job.length,
        samples=job.recording.shape[1],
        slot_halo=slot_halo(job),
        channel_halo=job.channel_halo,
        least_slots=max(1, 2 * job.method.patch[0]),
        channel_margin=job.channel_margin,
    )


def plan_line(
    job: Job, block_bytes: int, processes: int, fixed_bytes: int, *, processes_on_host: int
) -> BlockCuts:
    """Cut a line into blocks that fit into `block_bytes`, as many for each process.

    `fixed_bytes` is what each of the processes takes besides; those on one host share the budget.

    Raises
    ------
    SettingsError
        If the budget is too small; says the least that works, for the run as a whole.
    """
    extent = line_extent(job)
    least = least_bytes(extent)
    if block_bytes < least:
        given, needed = (
            processes_on_host * (fixed_bytes + part) / 1e9 for part in (block_bytes, least)
        )
        raise SettingsError(
            f"a memory budget of {given:.4g} GB for "
            f"{counted(processes_on_host, 'process', 'processes')} is too small for one channel "
            "with its neighbours",
            remedy=f"Give at least {math.ceil(1e4 * needed) / 1e4:.4f} GB.",
        )
    return plan_blocks(extent, block_bytes, processes=processes)


def refuse_refinement(job: Job, memory_bytes: int) -> None:
    """Refuse to refine fire times, which takes channels of the whole line, beyond a budget.

    Raises
    ------
    SettingsError
        If it does not fit; says what it takes.
    """
    extent = line_extent(job)
    arrays = extent.channel_bytes(extent.slots) * min(CHANNELS, extent.channels)
    needed = PROGRAM_BYTES // 2 + arrays  # there is no report yet
    if job.settings.refine_times and needed > memory_bytes:
        raise SettingsError(
            f"refining the fire times takes {needed / 1e9:.3g} GB, because all shots are looked at "
            f"together, and the memory budget is {memory_bytes / 1e9:.3g} GB",
            remedy=f"Give at least {math.ceil(needed / 1e7) / 100:.2f} GB, or leave refine_times "
            "out.",
        )


def why_not_delivered(job: Job) -> NDArray[np.str_]:
    """Why each shot is not in the output, in a few words, shape (shot,); empty where it is."""
    shots = job.shots
    wholly, partly = job.recording.not_held(shots.fire_time_ns, job.length)
    return np.select(
        [job.delivered, ~shots.deliver, ~shots.live, wholly, partly],
        ["", "not wanted", "misfire", "outside the record", "partly outside the record"],
        "not separated",
    )


def count_reasons(job: Job) -> dict[str, int]:
    """Number of shots that are not delivered, by reason."""
    reasons = why_not_delivered(job).tolist()
    return dict(sorted(Counter(reason for reason in reasons if reason).items()))
