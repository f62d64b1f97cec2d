"""Steps and drift of the recorder's clock between the timestamps of consecutive files."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import numpy as np

from deblend.model.findings import Finding
from deblend.model.recording import Recording, SourceFile

_FEWEST_FILES: Final = 4
_SMALLEST_TOTAL_NS: Final = 100_000.0
_SCATTERS: Final = 4.0
_TIMESTAMP_NS: Final = 1_000
"""Timestamps are given to a microsecond at best."""


def file_clock_findings(recording: Recording) -> list[Finding]:
    """What the reader found, with the many small steps of a drifting clock said once.

    A drift is a jump from the end of each file to the start of the next that has one sign and grows
    with the length of the files: timestamps and sample count run at different rates.

    Parameters
    ----------
    recording : Recording
        With its files.

    Returns
    -------
    list of Finding
        The findings of the recording, steps off the sample grid replaced by the drift that explains
        them.
    """
    drift = drift_of_files(recording.files, recording.interval_ns)
    if drift is None:
        return list(recording.findings)
    total_ms = drift * recording.duration_s * 1e3
    message = (
        f"Timestamps of the files drift by {drift * 1e6:+.2f} µs a second against their sample "
        f"count, {total_ms:+.3f} ms over the record: the sample clock is off by "
        f"{drift * 1e6:.2f} parts in a million. Nothing is corrected; each file is placed on the "
        "nearest sample."
    )
    others = [finding for finding in recording.findings if finding.metric != "start_off_grid"]
    return [*others, Finding("record_clock_drift", total_ms, "ms", "look", message)]


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
