"""Fire times moved to the sample clock of the record: only when asked for, and reported.

Samples stay where they are. Where a clock drifts, the instant of a shot by true time and the place
of its energy on the sample grid differ; it is the fire time that is moved. Within one file the
sample clock is taken to run evenly between the timestamps of this file and the next.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError
from deblend.model.findings import Finding
from deblend.model.recording import Recording, SourceFile
from deblend.model.shots import Shots
from deblend.words import counted

EXPLAINED: Final = ("start_off_grid", "record_clock_drift")
"""Findings that the correction answers."""
_LARGEST_DRIFT: Final = 1e-3
_FEWEST_FILES: Final = 4
_SMALLEST_TOTAL_NS: Final = 100_000.0
_SCATTERS: Final = 4.0
_TIMESTAMP_NS: Final = 1_000
"""Timestamps are given to a microsecond at best."""


def correct_by_timestamps(recording: Recording, shots: Shots) -> tuple[Shots, Finding]:
    """Fire times by the sample clock, from what each file says of its start.

    Each is moved by the difference between timestamp and sample grid of its file; the finding has
    the largest movement.
    """
    files = recording.files
    starts = [file.start_ns for file in files if file.start_ns is not None]
    if not files or len(starts) < len(files):
        raise InputError(
            "the records give no timestamps of their own",
            remedy="Leave correct_drift out, or state the drift by drift_ppm.",
        )
    start_ns = np.array(starts, dtype=np.int64)
    grid_ns = recording.start_ns + recording.interval_ns * np.array(
        [file.start for file in files], dtype=np.int64
    )
    rate = _rates(recording, start_ns)
    of_file = np.clip(np.searchsorted(start_ns, shots.fire_time_ns, side="right") - 1, 0, None)
    within_ns = shots.fire_time_ns - start_ns[of_file]
    run_ns = np.rint(within_ns * (rate / (1.0 + rate))[of_file]).astype(np.int64)
    shift_ns = grid_ns[of_file] - start_ns[of_file] - run_ns
    how = (
        f"by the timestamps of {counted(len(files), 'file')}, sample clock off by "
        f"{1e6 * float(np.median(rate)):+.2f} parts in a million"
    )
    return _shifted(shots, shift_ns, how)


def correct_given_drift(
    recording: Recording, shots: Shots, drift_ppm: float
) -> tuple[Shots, Finding]:
    """Fire times by the clock of the record, which drifts evenly from its start on.

    Parameters
    ----------
    drift_ppm : float
        Growth of the lag of the record behind the fire times.

    Raises
    ------
    InputError
        If the drift is a millisecond a second or more: no clock is that bad.
    """
    if not abs(drift_ppm) * 1e-6 < _LARGEST_DRIFT:
        raise InputError(
            f"drift_ppm is {drift_ppm}",
            remedy="Give microseconds a second; clocks drift by a few.",
        )
    elapsed_ns = shots.fire_time_ns - recording.start_ns
    shift_ns = np.rint(elapsed_ns * (drift_ppm * 1e-6)).astype(np.int64)
    return _shifted(shots, shift_ns, f"by a stated drift of {drift_ppm:+g} µs a second")


def _rates(recording: Recording, start_ns: NDArray[np.int64]) -> NDArray[np.float64]:
    """How much longer than nominal a sample is in each file, as a part of one."""
    usual = drift_of_files(recording.files, recording.interval_ns) or 0.0
    rate = np.full(len(start_ns), usual)
    for row, (file, after) in enumerate(zip(recording.files, recording.files[1:], strict=False)):
        length_ns = (file.stop - file.start) * recording.interval_ns
        jump_ns = int(start_ns[row + 1] - start_ns[row]) - length_ns
        if after.start == file.stop and abs(jump_ns) < recording.interval_ns // 2:
            rate[row] = jump_ns / length_ns
    return rate


def _shifted(shots: Shots, shift_ns: NDArray[np.int64], how: str) -> tuple[Shots, Finding]:
    largest_ms = float(shift_ns[np.abs(shift_ns).argmax()]) * 1e-6
    message = (
        f"Fire times were moved to the clock of the record {how}: by {shift_ns.min() * 1e-6:+.3f} "
        f"to {shift_ns.max() * 1e-6:+.3f} ms. Delivered times are these."
    )
    finding = Finding("drift_corrected", largest_ms, "ms", "note", message)
    return replace(shots, fire_time_ns=shots.fire_time_ns + shift_ns), finding


def drift_of_files(files: Sequence[SourceFile], interval_ns: int) -> float | None:
    """Drift of timestamps in seconds a second; None where there is none, or too few files."""
    jumps = []
    for before, after in pairwise(files):
        if before.start_ns is None or after.start_ns is None:
            continue
        samples = before.stop - before.start
        jump = after.start_ns - before.start_ns - samples * interval_ns
        if abs(jump) < interval_ns // 2:
            jumps.append((jump, samples * interval_ns))
    if len(jumps) < _FEWEST_FILES - 1:
        return None
    size, length = np.array(jumps, dtype=np.float64).T
    rate = float(np.median(size / length))
    scatter = 1.4826 * float(np.median(np.abs(size - rate * length)))
    certain = abs(rate) * float(np.median(length)) > _SCATTERS * max(
        scatter / np.sqrt(len(size)), _TIMESTAMP_NS / len(size)
    )
    total_ns = abs(rate) * float(length.sum())
    return rate if certain and total_ns > _SMALLEST_TOTAL_NS else None
