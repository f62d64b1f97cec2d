"""Reading the records once, from begin to end, into the working store."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Final, TypeVar

from deblend.model.recording import Recording
from deblend.qc.record_samples import SampleRange, nothing_seen
from deblend.run.run_folder import RunFolder
from deblend.run.store import (
    CHUNK_SAMPLES,
    StoredSamples,
    create_records,
    is_whole,
    open_array,
    write_samples,
)
from deblend.run.stored_values import read_value, write_value

T = TypeVar("T")
MOST_SLAB_BYTES: Final = 400_000_000
"""Of a slab of a single chunk, for a record of many channels."""
ENOUGH_SLAB_BYTES: Final = 32_000_000
"""More chunks do not make it faster: one slab is read while the one before is written."""
_COPIES: Final = 6
"""Copies of a slab that live at the same time while it is read and the one before is written."""


@dataclass(frozen=True, eq=False)
class Staged:
    """How far the record is staged, and what its samples are like so far."""

    samples: int
    """Samples of every channel that are in the store, on disk."""
    seen: SampleRange
    """What they are like."""


def stage_records(
    recording: Recording,
    run_folder: RunFolder,
    channel_step: int,
    memory_bytes: int,
    on_samples: Callable[[int, int], None],
) -> Staged:
    """Copy a record into the store, or go on where an earlier run stopped.

    Every sample is read once, all channels side by side. `channel_step` is the channels of a block;
    `on_samples` gets samples done and samples in all.

    Raises
    ------
    OutputError
        If the disk is full or cannot be written.
    """
    channels, total = recording.shape
    slab, chunk = slab_samples(channels, memory_bytes)
    staged = Staged(0, nothing_seen(channels))
    if run_folder.staged.exists():
        staged = read_value(run_folder.staged)
    else:
        create_records(run_folder.records, recording.shape, channel_step, chunk)
    if staged.samples < total:
        array = open_array(run_folder.records, "r+")
        begins = range(staged.samples, total, slab)
        parts = (recording.read(range(channels), at, min(at + slab, total)) for at in begins)
        for start, part in zip(begins, prefetched(parts), strict=True):
            on_samples(start, total)
            write_samples(array, run_folder.records, start, part)
            staged = Staged(start + part.shape[1], staged.seen.seen(part))
            write_value(run_folder.staged, staged)
    on_samples(total, total)
    return staged


def forget_damaged_record(run_folder: RunFolder) -> bool:
    """Whether the staged record lost files or holds damage; it is then staged from its begin."""
    if not run_folder.staged.exists():
        return False
    staged: Staged = read_value(run_folder.staged)
    if is_whole(run_folder.records, None, range(staged.samples)):
        return False
    write_value(run_folder.staged, Staged(0, nothing_seen(len(staged.seen.high))))
    return True


def slab_samples(channels: int, memory_bytes: int) -> tuple[int, int]:
    """Samples read at a time, whole chunks of them, and samples of a chunk."""
    sample_bytes = 4 * channels
    allowed = memory_bytes // _COPIES
    chunk = max(256, min(CHUNK_SAMPLES, min(MOST_SLAB_BYTES, allowed) // sample_bytes))
    return chunk * max(1, min(ENOUGH_SLAB_BYTES, allowed) // (sample_bytes * chunk)), chunk


def staged_recording(recording: Recording, run_folder: RunFolder) -> Recording:
    """The record with its samples from the store."""
    return replace(recording, samples=StoredSamples(open_array(run_folder.records)))


def prefetched(items: Iterable[T]) -> Iterator[T]:
    """Items, each made in a thread while the one before it is used.

    What one raises is raised in its place. One item more than without this is in memory.
    """
    source = iter(items)
    end = object()
    with ThreadPoolExecutor(1) as thread:
        next_item = thread.submit(next, source, end)
        while (item := next_item.result()) is not end:
            next_item = thread.submit(next, source, end)
            yield item  # type: ignore[misc]  # only `end` is no item
