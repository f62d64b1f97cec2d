"""A contract suite for readers of continuous records, for those who write one."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deblend.errors import DeblendError, InputError, RecordError, ShotTableError
from deblend.model.recording import Recording
from deblend.model.timebase import TimeScale
from deblend.records.readers import FIRST_BYTES, Reader

_PROBES = 25
_OPENING_SHARE = 0.5


def check_reader(
    open_function: Callable[[], Recording],
    truth: NDArray[np.float32],
    *,
    interval_ns: int,
    start_ns: int,
    channel_numbers: NDArray[np.int64],
    rewrite: Callable[[], NDArray[np.float32]] | None = None,
    seed: int = 0,
) -> None:
    """Check that a reader opens lazily and reads what was recorded.

    Parameters
    ----------
    open_function : callable
        Opens the record under test, without arguments.
    truth : ndarray of float32, shape (channel, time)
        What it must read; NaN where nothing was recorded. Make it a megabyte or more, so that a
        reader which loads samples on opening is seen to do so.
    interval_ns, start_ns : int
        What the record must say of its time axis.
    channel_numbers : ndarray of int64, shape (channel,)
        What it must say of its channels.
    rewrite : callable, optional
        Changes the stored samples in place, lengths and headers untouched, and returns the new
        truth. A recording opened before must then read the new samples: proof that it had read none
        on opening and keeps none.

    Raises
    ------
    RecordError
        If the reader breaks the contract; the text says how.
    """
    recording = _open_lazily(open_function, truth)
    _check_facts(recording, truth, interval_ns, start_ns, channel_numbers)
    _check_gaps(recording, truth)
    if rewrite is not None:
        truth = rewrite()
    _check_slices(recording, truth, np.random.default_rng(seed))
    _check_limits(recording)


def check_reader_entry(
    reader: Reader,
    paths: Sequence[Path],
    truth: NDArray[np.float32],
    *,
    time_scale: TimeScale,
    interval_ns: int,
    start_ns: int,
    channel_numbers: NDArray[np.int64],
    rewrite: Callable[[], NDArray[np.float32]] | None = None,
    seed: int = 0,
) -> None:
    """Check a reader as it stands in the table of readers: knows its files, opens them, has shots.

    Parameters
    ----------
    reader : Reader
        The entry of the table, or what an entry point publishes.
    time_scale : {"utc", "gps"}
        Their time scale.
    truth, interval_ns, start_ns, channel_numbers, rewrite, seed
        As of `check_reader`.

    Raises
    ------
    RecordError
        If the reader breaks the contract; the text says how.
    """
    for path in paths:
        if not reader.is_mine(path, path.read_bytes()[:FIRST_BYTES]):
            raise _broken(f"is_mine does not know {path.name}", "Know every file of the format.")
    foreign = np.random.default_rng(seed).bytes(FIRST_BYTES)
    for begin in (b"", foreign[:1], bytes(FIRST_BYTES), foreign):
        if reader.is_mine(Path("record.other"), begin):
            raise _broken(
                f"is_mine knows a file of {len(begin)} bytes that is none of its own",
                "Say yes only where the first bytes leave no doubt.",
            )
    _check_shots(reader, paths, time_scale)
    check_reader(
        lambda: reader.open(
            paths, time_scale=time_scale, start_is_exact=False, start_offset_s=None
        ),
        truth,
        interval_ns=interval_ns,
        start_ns=start_ns,
        channel_numbers=channel_numbers,
        rewrite=rewrite,
        seed=seed,
    )


def _check_shots(reader: Reader, paths: Sequence[Path], time_scale: TimeScale) -> None:
    try:
        shots = reader.shots(paths, time_scale=time_scale)
    except ShotTableError:  # a format with source events, files without
        return
    if shots is not None and getattr(shots, "time_scale", None) != time_scale:
        raise _broken(
            f"shots came as {type(shots).__name__} of time scale "
            f"{getattr(shots, 'time_scale', None)!r}, not {time_scale!r}",
            "Return Shots in the scale asked for, or None.",
        )


def _broken(what: str, remedy: str) -> RecordError:
    return RecordError(what, where="contract of readers", remedy=remedy)


def _open_lazily(open_function: Callable[[], Recording], truth: NDArray[np.float32]) -> Recording:
    """Open twice, the second time with the memory watched (the first may load modules)."""
    open_function()
    started = not tracemalloc.is_tracing()
    if started:
        tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        tracemalloc.reset_peak()
        recording = open_function()
        used = tracemalloc.get_traced_memory()[1] - before
    finally:
        if started:
            tracemalloc.stop()
    if used > _OPENING_SHARE * truth.nbytes:
        raise _broken(
            f"opening took {used} bytes of memory for a record of {truth.nbytes}",
            "Read headers only when opening; read samples when asked for.",
        )
    return recording


def _check_facts(
    recording: Recording,
    truth: NDArray[np.float32],
    interval_ns: int,
    start_ns: int,
    channel_numbers: NDArray[np.int64],
) -> None:
    for what, found, expected in (
        ("shape", recording.shape, truth.shape),
        ("interval_ns", recording.interval_ns, interval_ns),
        ("start_ns", recording.start_ns, start_ns),
        ("channel_numbers", recording.channel_numbers.tolist(), channel_numbers.tolist()),
    ):
        if found != expected:
            raise _broken(f"{what} is {found}, not {expected}", "Take it from the headers.")


def _check_gaps(recording: Recording, truth: NDArray[np.float32]) -> None:
    """Gaps must be declared before a sample is read, one after the other, where all is NaN."""
    last = 0
    for gap in recording.gaps:
        if not last <= gap.start < gap.stop <= truth.shape[1]:
            raise _broken(
                f"gap {gap.start} to {gap.stop} is empty, out of order or outside the record",
                "Sort gaps and keep them apart and within the record.",
            )
        if not np.isnan(truth[:, gap.start : gap.stop]).all():
            raise _broken(
                f"samples were recorded within the declared gap {gap.start} to {gap.stop}",
                "Declare only what no file holds.",
            )
        last = gap.stop


def _check_slices(
    recording: Recording, truth: NDArray[np.float32], random: np.random.Generator
) -> None:
    channel_count, sample_count = truth.shape
    everything = list(range(channel_count))
    _check_slice(recording, truth, everything, 0, sample_count)
    _check_slice(recording, truth, everything[::-1], 0, sample_count)
    _check_slice(recording, truth, [], 0, sample_count)
    _check_slice(recording, truth, everything, sample_count // 2, sample_count // 2)
    edges = [0, sample_count, *(edge for gap in recording.gaps for edge in (gap.start, gap.stop))]
    for edge in edges:
        _check_slice(
            recording, truth, everything[:1], max(0, edge - 3), min(sample_count, edge + 3)
        )
    for _ in range(_PROBES):
        rows = random.integers(0, channel_count, size=random.integers(1, 2 * channel_count))
        start, stop = np.sort(random.integers(0, sample_count + 1, size=2))
        _check_slice(recording, truth, rows.tolist(), int(start), int(stop))


def _check_slice(
    recording: Recording, truth: NDArray[np.float32], rows: list[int], start: int, stop: int
) -> None:
    found = recording.read(rows, start, stop)
    expected = truth[rows, start:stop] if rows else np.empty((0, stop - start), np.float32)
    if found.dtype != np.float32 or found.shape != expected.shape:
        raise _broken(
            f"rows {rows}, samples {start} to {stop} came as {found.dtype} of shape {found.shape}",
            f"Return float32 of shape {expected.shape}.",
        )
    if not np.array_equal(found, expected, equal_nan=True):
        wrong = np.argwhere(~((found == expected) | (np.isnan(found) & np.isnan(expected))))[0]
        raise _broken(
            f"row {rows[wrong[0]]}, sample {start + wrong[1]} reads {found[tuple(wrong)]}, not "
            f"{expected[tuple(wrong)]}",
            "Read samples as recorded, NaN where nothing was, in the order of the rows asked for, "
            "and keep no copy.",
        )
    if found.size:
        found[...] = 0.0
        if not np.array_equal(recording.read(rows, start, stop), expected, equal_nan=True):
            raise _broken(
                "writing into what was read changed the record", "Return a copy of the samples."
            )


def _check_limits(recording: Recording) -> None:
    channel_count, sample_count = recording.shape
    for rows, start, stop in (
        ([0], -1, 1),
        ([0], 0, sample_count + 1),
        ([0], 2, 1),
        ([channel_count], 0, 1),
        ([-1], 0, 1),
    ):
        try:
            recording.read(rows, start, stop)
        except InputError:
            continue
        except DeblendError as error:
            raise _broken(
                f"rows {rows}, samples {start} to {stop} raised {type(error).__name__}",
                "Raise InputError for what lies outside the record.",
            ) from error
        raise _broken(
            f"rows {rows}, samples {start} to {stop} were read from a record of {recording.shape}",
            "Raise InputError for what lies outside the record.",
        )
