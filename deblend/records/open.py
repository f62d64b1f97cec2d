"""Open a continuous record: find the files, choose their reader, read headers."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from deblend.errors import RecordError
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.model.timebase import check_time_scale
from deblend.records.find_files import find_files
from deblend.records.readers import choose_reader
from deblend.records.starts import check_start_options


def open_recording(
    paths: str | Path | Sequence[str | Path],
    *,
    time_scale: str,
    start_is_exact: bool = False,
    start_offset_s: float | None = None,
    channel_sets: Sequence[str] = (),
) -> Recording:
    """Open the continuous records of a line; only headers are read.

    Their format, SEG-Y, SEG-D or one that another package reads, shows in their first bytes; see
    `deblend.records.segy.open.open_segy` and `deblend.records.segd.open.open_segd`.

    Files are put in the order of their start instants on the sample grid of the first. What is
    missing between them reads as NaN; where they overlap, the file that starts earlier is read;
    traces marked dead read as NaN. All of this is in the findings of the result.

    Parameters
    ----------
    paths : str, Path or sequence of them
        Files, or patterns such as ``"line/*.sgy"``. A file that is named twice is read once.
    time_scale : {"utc", "gps"}
        Scale of the start instants in the headers (bytes 157-166 of SEG-Y); a file whose time basis
        code says otherwise is refused. There is no default.
    start_is_exact : bool, optional
        Without trace header extension 1 of SEG-Y revision 2, and before revision 3 of SEG-D, the
        start is known to the whole second only; True says that recording really started at that
        second, to the microsecond.
    start_offset_s : float, optional
        Or: seconds to add to the whole second of every file, rounded to nanoseconds.
    channel_sets : sequence of str, optional
        SEG-D: the channel sets to open, by number (``"2"``) or by type (``"seismic"``,
        ``"auxiliary"``, or the code of the standard as ``"type 0x70"``); seismic ones if not given.

    Returns
    -------
    Recording
        Lazy: samples are read when asked for.

    Raises
    ------
    RecordError
        If there is no file, a file cannot be read, is truncated or is no continuous record, or the
        files do not fit together.
    TimeError
        If a start is known to the second only and nothing is said about it, or time scales differ.
    """
    scale = check_time_scale(time_scale)
    check_start_options(start_is_exact, start_offset_s)
    found = find_files(paths)
    chosen = choose_reader(found)
    if channel_sets and chosen.name != "SEG-D":
        raise RecordError(
            f"channel sets {', '.join(channel_sets)} are asked for, and {chosen.name} has none",
            where=str(found[0]),
            remedy="Leave channel_sets out.",
        )
    sets = {"sets": tuple(channel_sets)} if channel_sets else {}
    with chosen.naming_broken_readers():
        return chosen.reader.open(
            found,
            time_scale=scale,
            start_is_exact=start_is_exact,
            start_offset_s=start_offset_s,
            **sets,
        )


def record_shots(
    paths: str | Path | Sequence[str | Path], *, time_scale: str
) -> tuple[str, Shots | None]:
    """Name of the format of the records of a line, and their source events as shots.

    Shots are None where the format carries no fire times.

    Raises
    ------
    RecordError
        If a file cannot be read.
    ShotTableError
        If these records carry no source events, although their format can.
    TimeError
        If the events are in another scale.
    """
    found = find_files(paths)
    chosen = choose_reader(found)
    return chosen.name, chosen.reader.shots(found, time_scale=check_time_scale(time_scale))
