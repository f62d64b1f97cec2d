"""Delivered files read again by segyio, which has no line of code in common with the writer.

It has to find what the line says: source, counts, sample interval, shot points, and of three traces
numbers, time break, source, positions, midpoint and samples. It knows no trace header extensions,
so that files of revision 2 are left out.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.deliver.trace_headers import SourceGathers
from deblend.errors import OutputError
from deblend.model.timebase import NS_PER_S, NS_PER_US

Words = Mapping[str, float]
"""Values of a trace header by their names in messages."""
REVISION_2: Final = "not read again: revision 2 is beyond segyio"


def traces_to_read(trace_count: int) -> list[int]:
    """The first, the middle and the last trace, from 0."""
    return sorted({0, trace_count // 2, trace_count - 1})


def some_traces(
    block: NDArray[np.float32], first: int, wanted: list[int]
) -> dict[int, NDArray[np.float32]]:
    """The wanted traces that are in a block (shot, channel, time); its first has a number."""
    traces = block.reshape(-1, block.shape[-1])
    inside = [trace for trace in wanted if 0 <= trace - first < len(traces)]
    return {trace: traces[trace - first].copy() for trace in inside}


def read_again(
    path: Path, gathers: SourceGathers, samples: Mapping[int, NDArray[np.float32]]
) -> str:
    """Refuse a file in which segyio finds something else; who read it, for the manifest.

    `samples` has what was written of `traces_to_read`, by number.

    Raises
    ------
    OutputError
        If segyio cannot read the file, or a value differs; says which, and in which trace.
    """
    if gathers.revision == 2:
        return REVISION_2
    import segyio

    try:
        with segyio.open(str(path), ignore_geometry=True) as file:
            difference = next(_differences(file, gathers, samples), None)
    except (OSError, RuntimeError, ValueError, IndexError) as error:
        difference = f"segyio cannot read the delivered file ({error})"
    if difference is not None:
        raise OutputError(
            difference,
            where=str(path),
            remedy="Nothing was delivered. Check the disk and run the same command again; if this "
            "comes back, report it: writer and reader contradict each other.",
        )
    return f"segyio {version('segyio')}"


def _differences(
    file: Any, gathers: SourceGathers, samples: Mapping[int, NDArray[np.float32]]
) -> Iterator[str]:
    """What segyio finds otherwise, from the file as a whole to single samples."""
    import segyio

    shots, channels = len(gathers.shots), len(gathers.channel_numbers)
    whole = {
        "traces": (file.tracecount, shots * channels),
        "samples a trace": (len(file.samples), gathers.length),
        "microseconds of sample interval": (
            file.bin[segyio.BinField.Interval],
            gathers.interval_us,
        ),
    }
    for what, (found, wanted) in whole.items():
        if found != wanted:
            yield f"segyio finds {found:g} {what}, not {wanted:g}"
    source = f"Source: {gathers.shots.source[0]}"
    if source.isascii() and _letters(source) not in _letters(
        file.text[0].decode("ascii", "ignore")
    ):
        yield f"segyio finds no {source!r} in the textual header"
    points = file.attributes(segyio.TraceField.ShotPoint)[::channels]
    for row in np.flatnonzero(points != gathers.shots.shot_point).tolist():
        yield _difference("shot point", row * channels, points[row], gathers.shots.shot_point[row])
    for trace, written in samples.items():
        yield from _trace_differences(file, gathers, trace, written)


def _letters(text: str) -> str:
    """Letters and digits: EBCDIC has several tables for the rest."""
    return re.sub("[^A-Za-z0-9]", "", text)


def _trace_differences(
    file: Any, gathers: SourceGathers, trace: int, written: NDArray[np.float32]
) -> Iterator[str]:
    header = file.header[trace]
    unit_m = _coordinate_unit_m(header)
    found, wanted = _found_words(header, unit_m), _wanted_words(gathers, trace)
    for name, value in wanted.items():
        rounding = 0.51 * unit_m if name.endswith("in m") else 0.0
        if abs(found[name] - value) > rounding:
            yield _difference(name, trace, found[name], value)
    read = file.trace.raw[trace]
    for sample in np.flatnonzero(read != written):
        yield _difference(f"sample {sample}", trace, read[sample], written[sample])


def _difference(what: str, trace: int, found: float, wanted: float) -> str:
    return f"segyio finds {what} {found:.12g} in trace {trace + 1}, not {wanted:.12g}"


def _coordinate_unit_m(header: Any) -> float:
    """Metres of one count of the coordinates: a negative scalar divides."""
    from segyio import TraceField

    scalar = header[TraceField.SourceGroupScalar]
    return float(1 / -scalar if scalar < 0 else max(scalar, 1))


def _found_words(header: Any, unit_m: float) -> Words:
    """What segyio finds in a trace header."""
    from segyio import TraceField

    second = datetime(header[TraceField.YearDataRecorded], 1, 1, tzinfo=UTC) + timedelta(
        days=header[TraceField.DayOfYear] - 1,
        hours=header[TraceField.HourOfDay],
        minutes=header[TraceField.MinuteOfHour],
        seconds=header[TraceField.SecondOfMinute],
    )
    microseconds = header[TraceField.UnassignedInt1]
    return {
        "record number": header[TraceField.FieldRecord],
        "channel": header[TraceField.TraceNumber],
        "sample interval in us": header[TraceField.TRACE_SAMPLE_INTERVAL],
        "source point": header[TraceField.EnergySourcePoint],
        "offset in whole metres": header[TraceField.offset],
        "second of the time break": int(second.timestamp()),
        "nanosecond of the time break": NS_PER_US * microseconds
        + header[TraceField.UnassignedInt2],
        "source number": header[TraceField.TraceIdentifier],
        "source x in m": unit_m * header[TraceField.SourceX],
        "source y in m": unit_m * header[TraceField.SourceY],
        "receiver x in m": unit_m * header[TraceField.GroupX],
        "receiver y in m": unit_m * header[TraceField.GroupY],
        "midpoint x in m": unit_m * header[TraceField.CDP_X],
        "midpoint y in m": unit_m * header[TraceField.CDP_Y],
    }


def _wanted_words(gathers: SourceGathers, trace: int) -> Words:
    """What the line says of a trace; unknown positions are zero."""
    shots, geometry = gathers.shots, gathers.geometry
    row, column = divmod(trace, len(gathers.channel_numbers))
    second, nanosecond = divmod(int(shots.fire_time_ns[row]), NS_PER_S)
    positions = {
        "source x in m": shots.x_m[row],
        "source y in m": shots.y_m[row],
        "receiver x in m": geometry.receiver_x_m[row, column],
        "receiver y in m": geometry.receiver_y_m[row, column],
    }
    for axis in "xy":  # halfway; unknown where either end is
        positions[f"midpoint {axis} in m"] = 0.5 * (
            positions[f"source {axis} in m"] + positions[f"receiver {axis} in m"]
        )
    return {
        "record number": row + 1,
        "channel": int(gathers.channel_numbers[column]),
        "sample interval in us": gathers.interval_us,
        "source point": int(shots.shot_point[row]),
        "offset in whole metres": round(float(np.nan_to_num(geometry.offset_m[row, column]))),
        "second of the time break": second,
        "nanosecond of the time break": nanosecond,
        "source number": gathers.source_number,
        **{name: float(np.nan_to_num(value)) for name, value in positions.items()},
    }
