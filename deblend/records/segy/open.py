"""Continuous SEG-Y files of a line joined to one recording, and what was found in them."""

from __future__ import annotations

import re
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
from deblend.model.recording import UNKNOWN_UNIT, Recording
from deblend.model.timebase import NS_PER_S, TimeScale
from deblend.records.joining import recording_of
from deblend.records.segy.slice import SegySlice, read_slice
from deblend.records.starts import exact_start_ns
from deblend.words import counted

_FIRST_LINE: Final = re.compile(r"C[ 0]?1(?!\d)")
_FINER: Final = "no trace header extension 1"


def looks_like_segy(first_bytes: bytes) -> bool:
    """Whether a file that starts with these bytes is SEG-Y for certain: line 1 begins with ``C 1``.

    Writers leave the text empty, too: other files may still be SEG-Y.
    """
    texts = (first_bytes[:4].decode(codec, errors="replace") for codec in ("ascii", "cp037"))
    return any(_FIRST_LINE.match(text) for text in texts)


def open_segy(
    paths: Sequence[Path],
    *,
    time_scale: TimeScale,
    start_is_exact: bool = False,
    start_offset_s: float | None = None,
) -> Recording:
    """Open the continuous SEG-Y files of a line; only headers are read.

    Each file holds one time slice of all channels, one trace a channel. A delay in bytes 109-110
    counts from a source event and shifts nothing here; it is in the findings.

    Read are revisions 0 to 2.1, all sample formats but the obsolete 4 (fixed point with gain), and
    every byte order that bytes 3297-3300 name. Samples become float32: integers as stored, without
    the weights of bytes 169-170, rounded to 24 significant bits.

    Parameters, result and errors as of `deblend.records.open.open_recording`.
    """
    files = [read_slice(path) for path in paths]
    for file in files:
        _check_scale(file, time_scale)
    files = [
        replace(file, start_ns=exact_start_ns(file, start_is_exact, start_offset_s, _FINER))
        for file in files
    ]
    return recording_of(
        files,
        time_scale=time_scale,
        amplitude_unit=_common_unit(files) or UNKNOWN_UNIT,
        findings=_line_findings(files, time_scale),
    )


def _check_scale(file: SegySlice, scale: TimeScale) -> None:
    declared = layout.TIME_BASIS_SCALES.get(file.time_basis, scale)
    if declared != scale:
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
