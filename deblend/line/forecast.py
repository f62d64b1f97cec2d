"""What a run will take: blocks, memory, disk and time, said before it starts."""

from __future__ import annotations

import shutil
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from deblend.errors import OutputError
from deblend.line.open_line import OpenLine, wants_expected_error
from deblend.line.prepare_line import cut_line, line_extent
from deblend.line.processes import processes_of
from deblend.qc.expected_error import SEPARATIONS, channels_to_try
from deblend.separation.block import MOST_PASSES
from deblend.separation.fire_times import CHANNELS, refinement_iterations
from deblend.separation.job import Job, loop_channels
from deblend.separation.learned_floor import channels_to_learn_from, learns_floor
from deblend.separation.loop import IterationRecord
from deblend.separation.plan_blocks import BlockCuts
from deblend.separation.spans import span_of
from deblend.words import counted

SMALL_WORK: Final = 2e9
"""Sample-iterations below which no time is measured: it would be a good part of the run."""
_TRIAL_ITERATIONS: Final = 4
_TRACE_HEADER_BYTES: Final = 240
_MEASURED_BYTES: Final = 300
"""What blocks keep of a trace besides its samples."""
_MAPPED_BYTES: Final = 800
"""Quality maps of a trace, which lie there twice while they are packed."""
_PAGE_BYTES: Final = 3_000_000
_MOST_SHOWN_BYTES: Final = 80_000_000
"""Report: the page, and the gathers shown in it and kept with it."""
_UNITS: Final = ((1e12, "TB"), (1e9, "GB"), (1e6, "MB"), (1e3, "kB"))


@dataclass(frozen=True)
class Forecast:
    """What a run will take."""

    blocks: int
    spans: int
    """Blocks in all, and spans along the line."""
    block_channels: int
    """Channels of a block."""
    block_bytes: int
    """What the arrays of a block take."""
    store_bytes: int
    result_bytes: int
    """Disk for the working store, gone after the run, and for the results."""
    sample_iterations: float
    """Samples of all gathers, neighbours of blocks included, times iterations; those that refine
    the fire times as well."""
    rate: float | None
    """Sample-iterations a second of this machine, by a trial; None for small work."""
    most_passes: float = 1.0
    """So many times longer it takes at most, where outliers make the robust fit restart."""

    @property
    def sentence(self) -> str:
        """All of it in one sentence."""
        spans = f" in {self.spans} spans of shots" if self.spans > 1 else ""
        return (
            f"{counted(self.blocks, 'block')} of "
            f"{counted(self.block_channels, 'channel')}{spans}, "
            f"{_size(self.block_bytes)} of arrays each; "
            f"disk: {_size(self.store_bytes)} while it runs and "
            f"{_size(self.result_bytes)} of results; {self.time}"
        )

    @property
    def time(self) -> str:
        """Expected time in words."""
        if self.rate is None:
            return "some minutes at most"
        seconds = self.sample_iterations / self.rate
        restart = (
            f", up to {_amount(self.most_passes * seconds)} where swell or spikes make the robust "
            "fit begin again"
            if self.most_passes > 1
            else ""
        )
        return (
            f"about {_amount(seconds)} on this machine alone{restart} "
            f"({self.rate / 1e6:.0f} million sample-iterations/s in a trial)"
        )


def _amount(seconds: float) -> str:
    return f"{seconds / 3600:.1f} h" if seconds > 5400 else f"{max(1, seconds / 60):.0f} min"


def _size(count: float) -> str:
    """Bytes in words: 3.2 MB, 12 GB."""
    unit, name = next((pair for pair in _UNITS if count >= 0.995 * pair[0]), _UNITS[-1])
    return f"{count / unit:.2g} {name}" if count < 99.5 * unit else f"{count / unit:.0f} {name}"


def forecast_line(opened: OpenLine, job: Job) -> Forecast:
    """What a run of this line will take on this machine, as it is now.

    Raises
    ------
    SettingsError
        If the memory budget is too small.
    """
    keys = opened.line.keys.run
    processes = processes_of(opened.line) if keys.scheduler is None else 1
    _, blocks = cut_line(opened, job, None, at_once=processes, on_one_host=processes)
    return forecast(job, blocks, with_error=wants_expected_error(opened))


def forecast(job: Job, plan: BlockCuts, *, with_error: bool = True) -> Forecast:
    """What a run with this plan will take; tries the machine out where the work is large."""
    extent = line_extent(job)
    wide = extent.wide_slots(len(plan.spans[0])) * len(plan.spans)
    channels = extent.wide_channels(len(plan.channels[0])) * len(plan.channels)
    one_separation = float(extent.sources * wide * channels * job.length * job.settings.iterations)
    sample_iterations = one_separation
    if job.settings.refine_times:
        channels_refined = min(CHANNELS, extent.channels)
        traces_refined = extent.sources * job.layout.slot_count * channels_refined
        sample_iterations += float(
            traces_refined * job.length * refinement_iterations(job.settings.iterations)
        )
    if learns_floor(job):
        learned = len(channels_to_learn_from(plan.channels[0]))
        sample_iterations += _share_of_line(learned, channels, plan) * one_separation
    if with_error:
        sample_iterations += (
            SEPARATIONS
            * _share_of_line(len(channels_to_try(plan.channels[0])), channels, plan)
            * one_separation
        )
    traces = int(job.delivered.sum()) * extent.channels
    sample_bytes = 4 * traces * job.length
    page_bytes = _PAGE_BYTES + min(sample_bytes, _MOST_SHOWN_BYTES)
    return Forecast(
        blocks=plan.count,
        spans=len(plan.spans),
        block_channels=len(plan.channels[0]),
        block_bytes=plan.block_bytes,
        store_bytes=4 * extent.channels * extent.samples
        + sample_bytes
        + traces * (_MEASURED_BYTES + _MAPPED_BYTES),
        result_bytes=sample_bytes + traces * (_TRACE_HEADER_BYTES + _MAPPED_BYTES) + page_bytes,
        sample_iterations=sample_iterations,
        rate=trial_rate(job) if sample_iterations > SMALL_WORK else None,
        most_passes=MOST_PASSES if job.settings.robust else 1.0,
    )


def _share_of_line(tried: int, channels: int, plan: BlockCuts) -> float:
    """Part of the work of the line that a separation of some channels of one span takes."""
    return tried / channels / len(plan.spans)


def check_space(needed: Forecast, folder: Path) -> None:
    """Refuse to begin what does not fit on the disk.

    Raises
    ------
    OutputError
        If too little is free.
    """
    existing = next(part for part in (folder, *folder.parents) if part.exists())
    free = shutil.disk_usage(existing).free
    total = needed.store_bytes + needed.result_bytes
    if total > free:
        raise OutputError(
            f"{_size(total)} are needed on the disk and {_size(free)} are free",
            where=str(folder),
            remedy="Make space or name another output folder.",
        )


def trial_rate(job: Job) -> float:
    """Sample-iterations a second of a small piece of the line, filled with random samples.

    Random samples cost most: no patch is left out for want of energy.
    """
    slots = min(job.layout.slot_count, 2 * job.method.patch[0])
    middle = (job.layout.slot_count - slots) // 2
    part = span_of(job, range(middle, middle + slots)).job
    trial = replace(
        part,
        recording=replace(part.recording, samples=_RandomSamples(part.recording.shape)),
        settings=msgspec.structs.replace(job.settings, iterations=_TRIAL_ITERATIONS),
        measured_reference=1.0,
    )
    channels = range(min(job.recording.shape[0], max(2, job.method.patch[1])))
    stamps: list[float] = []

    def stamp(_: IterationRecord) -> None:
        stamps.append(time.perf_counter())

    loop_channels(trial, channels, stamp)
    wide = len(trial.with_halo(channels))
    values = trial.layout.row.size * wide * job.length
    return values / max(float(np.median(np.diff(stamps))), 1e-6)


@dataclass(frozen=True)
class _RandomSamples:
    shape: tuple[int, int]

    def read(self, channels: Sequence[int], start: int, stop: int) -> NDArray[np.float32]:
        random = np.random.default_rng(0)
        return random.standard_normal((len(channels), stop - start), dtype=np.float32)
