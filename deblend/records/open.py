"""Open a continuous record: find the files, read their headers, join them, say what was found."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np

from deblend.errors import TimeError
from deblend.model import segy_layout as layout
from deblend.model.findings import Finding
from deblend.model.recording import Recording
from deblend.model.timebase import NS_PER_S, TimeScale, check_time_scale
from deblend.records.find_files import find_files
from deblend.records.joining import recording_of
from deblend.records.segd.open import are_segd, open_segd
from deblend.records.segy_slice import SegySlice, read_slice
from deblend.records.starts import check_start_options, exact_start_ns
from deblend.words import counted

UNKNOWN_UNIT: Final = "recorded unit"
_FINER: Final = "no trace header extension 1"


def open_recording(
    paths: str | Path | Sequence[str | Path],
    *,
    time_scale: str,
    start_is_exact: bool = False,
    start_offset_s: float | None = None,
) -> Recording:
    """Open the continuous SEG-Y or SEG-D files of a line; only headers are read.

    SEG-D files, known by their first bytes, go to `deblend.records.segd.open.open_segd`, which has
    further options; what follows is about SEG-Y.

    Each file holds one time slice of all channels, one trace a channel. Files are put in the order
    of their start instants on the sample grid of the first. What is missing between them reads as
    NaN; where they overlap, the file that starts earlier is read; traces marked dead read as NaN.
    A delay in bytes 109-110 counts from a source event and shifts nothing here. All of this is in
    the findings of the result.

    Read are revisions 0 to 2.1, all sample formats but the obsolete 4 (fixed point with gain), and
    every byte order that bytes 3297-3300 name. Samples become float32: integers as stored, without
    the weights of bytes 169-170, rounded to 24 significant bits.

    Parameters
    ----------
    paths : str, Path or sequence of them
        Files, or patterns such as ``"line/*.sgy"``. A file that is named twice is read once.
    time_scale : {"utc", "gps"}
        Scale of the start instants in the trace headers (bytes 157-166); a file whose time basis
        code says otherwise is refused. There is no default.
    start_is_exact : bool, optional
        Without trace header extension 1 of revision 2 the start is known to the whole second only;
        True says that recording really started at that second, to the microsecond.
    start_offset_s : float, optional
        Or: seconds to add to the whole second of every file, rounded to nanoseconds.

    Returns
    -------
    Recording
        Lazy: samples are read when asked for.

    Raises
    ------
    RecordError
        If there is no file, a file cannot be read, is truncated or is no continuous SEG-Y record,
        or the files do not fit together.
    TimeError
        If a start is known to the second only and nothing is said about it, or time scales differ.
    """
    scale = check_time_scale(time_scale)
    check_start_options(start_is_exact, start_offset_s)
    found = find_files(paths)
    if are_segd(found):
        return open_segd(
            found,
            time_scale=scale,
            start_is_exact=start_is_exact,
            start_offset_s=start_offset_s,
        )
    files = [read_slice(path) for path in found]
    for file in files:
        _check_scale(file, scale)
    files = [
        replace(file, start_ns=exact_start_ns(file, start_is_exact, start_offset_s, _FINER))
        for file in files
    ]
    return recording_of(
        files,
        time_scale=scale,
        amplitude_unit=_common_unit(files) or UNKNOWN_UNIT,
        findings=_line_findings(files, scale),
    )


def _check_scale(file: SegySlice, scale: TimeScale) -> None:
    stated = layout.TIME_BASIS_SCALES.get(file.time_basis, scale)
    if stated != scale:
        raise TimeError(
            f"the file gives its times in {layout.TIME_BASIS_NAMES[file.time_basis]} (code "
            f"{file.time_basis}, bytes 167-168 or 3511-3512) and the time scale stated is "
            f"{scale!r}",
            where=str(file.path),
            remedy="State the scale of the files; all files and the shots must share one.",
        )


def _common_unit(files: Sequence[SegySlice]) -> str:
    units = {file.unit for file in files}
    return units.pop() if len(units) == 1 else ""


def _line_findings(files: Sequence[SegySlice], scale: TimeScale) -> list[Finding]:
    """What only shows over all files."""
    findings = _cut_starts(files)
    formats = Counter(layout.SAMPLE_FORMATS[file.frame.sample_format].name for file in files)
    if len(formats) > 1:
        text = " and ".join(f"{name} ({counted(count, 'file')})" for name, count in formats.items())
        message = f"The files mix {text}; each is read in its own."
        findings.append(Finding("mixed_sample_formats", len(formats), "", "note", message))
    if len({file.unit for file in files}) > 1:
        message = "The files name different amplitude units; samples are joined as they are."
        findings.append(Finding("mixed_amplitude_units", np.nan, "", "look", message))
    if any(not np.array_equal(file.channels, files[0].channels) for file in files):
        message = "Channels lie in another order in some files; they are joined by their numbers."
        findings.append(Finding("channel_order", np.nan, "", "note", message))
    unclear = sorted({file.time_basis for file in files} - set(layout.TIME_BASIS_SCALES) - {0})
    if unclear:
        name = layout.TIME_BASIS_NAMES.get(unclear[0], "unknown")
        message = (
            f"Files give their time basis as {name} (code {unclear[0]}); their times were taken "
            f"as {scale.upper()}, as stated."
        )
        findings.append(Finding("time_basis", float(unclear[0]), "", "look", message))
    return findings


def _cut_starts(files: Sequence[SegySlice]) -> list[Finding]:
    """Say where starts cut to the second may pass for gaps or overlaps of less than a second."""
    ordered = sorted(files, key=lambda file: file.start_ns)
    suspects = 0
    for before, after in pairwise(ordered):
        end_ns = before.start_ns + before.sample_count * before.interval_ns
        suspects += not after.start_to_ns and 0 < abs(after.start_ns - end_ns) < NS_PER_S
    if not suspects:
        return []
    message = (
        f"{suspects} of {len(files)} files start less than a second before or after the end of the "
        "one before, and starts are known to the second only: likely the fraction of their starts "
        "is missing, and samples lie at wrong times."
    )
    return [Finding("starts_cut_to_the_second", float(suspects), "files", "fail", message)]
