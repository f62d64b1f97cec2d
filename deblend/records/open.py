"""Open a continuous record: find the files, read their headers, join them, say what was found."""

from __future__ import annotations

import glob
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from deblend.errors import RecordError, TimeError
from deblend.model import segy_layout as layout
from deblend.model.findings import Finding
from deblend.model.recording import Recording, SourceFile
from deblend.model.timebase import NS_PER_S, TimeScale, check_time_scale, format_instant
from deblend.records.joining import JoinedSlices, join
from deblend.records.segy_slice import SegySlice, read_slice

UNKNOWN_UNIT: Final = "recorded unit"


def open_recording(
    paths: str | Path | Sequence[str | Path],
    *,
    time_scale: str,
    start_is_exact: bool = False,
    start_offset_s: float | None = None,
) -> Recording:
    """Open the continuous SEG-Y files of a line; only headers are read.

    Each file holds one time slice of all channels, one trace a channel. Files are put in the order
    of their start instants on the sample grid of the first. What is missing between them reads as
    NaN; where they overlap, the file that starts earlier is read; traces marked dead read as NaN.
    All of this is in the findings of the result.

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
        If there is no file, a file cannot be read, is truncated or is no continuous SEG-Y record of
        IBM or IEEE floats, or the files do not fit together.
    TimeError
        If a start is known to the second only and nothing is said about it, or time scales differ.
    """
    scale = check_time_scale(time_scale)
    _check_start_options(start_is_exact, start_offset_s)
    files = [read_slice(path) for path in find_files(paths)]
    for file in files:
        _check_scale(file, scale)
    files = [_with_exact_start(file, start_is_exact, start_offset_s) for file in files]
    files.sort(key=lambda file: (file.start_ns, str(file.path)))
    pieces, gaps, findings = join(files)
    return Recording(
        JoinedSlices(pieces),
        interval_s=files[0].interval_ns / NS_PER_S,
        start=files[0].start_ns,
        time_scale=scale,
        channels=tuple(files[0].channels.tolist()),
        gaps=tuple(gaps),
        amplitude_unit=_common_unit(files) or UNKNOWN_UNIT,
        files=tuple(SourceFile(piece.file.path, piece.start, piece.stop) for piece in pieces),
        findings=(
            *findings,
            *(finding for file in files for finding in file.findings),
            *_line_findings(files, scale),
        ),
    )


def find_files(paths: str | Path | Sequence[str | Path]) -> list[Path]:
    """Files that `paths` name, each once, in the order given; patterns are expanded.

    Raises
    ------
    RecordError
        If a name or pattern matches no file.
    """
    names = [paths] if isinstance(paths, str | Path) else list(paths)
    if not names:
        raise RecordError("no record file was given", remedy="Name at least one SEG-Y file.")
    found: dict[Path, Path] = {}
    for name in names:
        matches = [Path(name)] if Path(name).exists() else _expand(str(name))
        files = [path for path in matches if path.is_file()]
        if not files:
            reason = "is a folder" if Path(name).is_dir() else "no file matches"
            raise RecordError(
                f"{reason}: {name}",
                remedy="Name files, or a pattern such as line/*.sgy, relative to the folder "
                f"{Path.cwd()}.",
            )
        for path in files:
            found.setdefault(path.resolve(), path)
    return list(found.values())


def _expand(pattern: str) -> list[Path]:
    return [Path(name) for name in sorted(glob.glob(pattern, recursive=True))]  # noqa: PTH207


def _check_start_options(start_is_exact: bool, start_offset_s: float | None) -> None:
    if start_is_exact and start_offset_s is not None:
        raise TimeError(
            f"the starts are said to be exact and {start_offset_s} s is to be added to them",
            remedy="Give start_is_exact or start_offset_s, not both.",
        )
    if start_offset_s is not None and not math.isfinite(start_offset_s):
        raise TimeError(
            f"a start offset of {start_offset_s} s cannot be used", remedy="Give a finite number."
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


def _with_exact_start(
    file: SegySlice, start_is_exact: bool, start_offset_s: float | None
) -> SegySlice:
    if file.start_to_ns:
        if start_offset_s is not None:
            raise TimeError(
                f"{start_offset_s} s is to be added to a start that the file gives to the "
                "nanosecond",
                where=str(file.path),
                remedy="Leave start_offset_s out; it is for starts known to the second only.",
            )
        return file
    if start_offset_s is not None:
        return replace(file, start_ns=file.start_ns + round(start_offset_s * NS_PER_S))
    if start_is_exact:
        return file
    raise TimeError(
        "the start of the record is known to the whole second only "
        f"({format_instant(file.start_ns, 'gps', 0)}; no trace header extension 1)",
        where=str(file.path),
        remedy="Say start_is_exact=True if recording started exactly then, or give the seconds to "
        "add as start_offset_s.",
    )


def _common_unit(files: Sequence[SegySlice]) -> str:
    units = {file.unit for file in files}
    return units.pop() if len(units) == 1 else ""


def _line_findings(files: Sequence[SegySlice], scale: TimeScale) -> list[Finding]:
    """What only shows over all files."""
    findings = _dead_traces(files)
    formats = Counter(layout.SAMPLE_FORMATS[file.frame.sample_format].name for file in files)
    if len(formats) > 1:
        text = " and ".join(f"{name} ({count} files)" for name, count in formats.items())
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


def _dead_traces(files: Sequence[SegySlice]) -> list[Finding]:
    counts = Counter(int(number) for file in files for number in file.channels[file.dead])
    return [
        Finding(
            "dead_trace",
            float(count),
            "files",
            "look",
            f"Channel {number} is marked dead or dummy in {count} of {len(files)} file(s); its "
            "samples there are treated as unknown.",
            channel=number,
        )
        for number, count in sorted(counts.items())
    ]
