"""Header of an IOGP P1/11 file: clocks, coordinate systems, objects and kinds of position record.

References
----------
.. [1] IOGP report 483-1, P1/11 geophysical position data exchange format, versions 1.0 (2012) and
   1.1 (2015).
"""

from __future__ import annotations

import calendar
import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from deblend.errors import TimeError
from deblend.model.findings import Finding
from deblend.model.time_scales import Scale, convert_instants, gps_minus_utc_s
from deblend.model.timebase import NS_PER_S, TimeScale, format_instant, instant_from_day_of_year
from deblend.records.navigation.text_rows import TextRow

_FORMATS: Final = {"1": "P1/11", "2": "P2/11", "6": "P6/11", "7": "P7/17"}
_CLOCKS: Final[dict[str, TimeScale]] = {"1": "utc", "2": "gps"}
_ESCAPE = re.compile(r"\\u([0-9A-Fa-f]{4})")
_SECONDS = re.compile(r"(\d{1,12})(?:\.(\d{0,9})0*)?", re.ASCII)
_DATE = re.compile(r"(\d{4}):(\d{2}):(\d{2})(?::(\d{2}):(\d{2}):(\d{2})(?:\.(\d{0,9})0*)?)?")
_DAY_OF_YEAR = re.compile(r"(\d{4}):(\d{3}):(\d{2}):(\d{2}):(\d{2})(?:\.(\d{0,9})0*)?")


@dataclass(frozen=True)
class Clock:
    """A time reference: HC,1,2,0."""

    scale: TimeScale
    """What the clock shows."""
    offset_s: float
    """Declared difference from UTC; NaN where not declared."""
    epoch_ns: int | None
    """Where times are counts of seconds: the instant they count from. None for calendar text."""

    def instant_ns(self, text: str) -> int:
        """Nanoseconds since 1970 of the clock's scale, all decimals kept.

        Raises
        ------
        TimeError
            If the text is no time of this clock.
        """
        match = _SECONDS.fullmatch(text)
        if self.epoch_ns is None or match is None:
            return calendar_instant_ns(text)
        fraction = (match[2] or "").ljust(9, "0")
        return self.epoch_ns + int(match[1]) * NS_PER_S + int(fraction)


@dataclass(frozen=True)
class RecordKind:
    """A kind of position record: H1,1,0,0."""

    system: str
    """Reference of the projected system of the first position."""
    clock: str
    """Reference of its clock."""
    extensions: tuple[str, ...]
    """Description of each extension field."""


@dataclass
class Header:
    """What the header has said so far."""

    clocks: dict[str, Clock] = field(default_factory=dict)
    kinds: dict[str, RecordKind] = field(default_factory=dict)
    systems: dict[str, str] = field(default_factory=dict)
    axes: dict[tuple[str, int], str] = field(default_factory=dict)
    orders: dict[str, tuple[bool, float]] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)


def split_fields(text: str) -> list[str]:
    r"""Fields of a line, without blanks around them; ``\u002C`` and its like are put back."""
    fields = [part.strip() for part in text.split(",")]
    if "\\u" not in text:
        return fields
    return [_ESCAPE.sub(lambda match: chr(int(match[1], 16)), part).strip() for part in fields]


def calendar_instant_ns(text: str) -> int:
    """Nanoseconds since 1970 of ``YYYY:MM:DD:HH:MM:SS`` or ``YYYY:DDD:HH:MM:SS``, any decimals.

    Raises
    ------
    TimeError
        If the text is neither.
    """
    by_day = _DAY_OF_YEAR.fullmatch(text)
    if by_day is not None:
        fraction = int((by_day[6] or "").ljust(9, "0"))
        year, day, hour, minute, second = (int(by_day[part]) for part in range(1, 6))
        return instant_from_day_of_year(year, day, hour, minute, second, fraction)
    match = _DATE.fullmatch(text)
    if match is None:
        raise TimeError(
            f"{text!r} is no date and time",
            remedy="P1/11 writes YYYY:MM:DD:HH:MM:SS, YYYY:DDD:HH:MM:SS or seconds from an epoch.",
        )
    year, month, day = (int(match[part]) for part in range(1, 4))
    if not 1 <= month <= 12 or not 1 <= day <= calendar.monthrange(max(year, 1), month)[1]:
        raise TimeError(f"{text!r} is no calendar date", remedy="Correct the date.")
    day_of_year = sum(calendar.monthrange(year, m)[1] for m in range(1, month)) + day
    hour, minute, second = (int(match[part] or 0) for part in range(4, 7))
    fraction = int((match[7] or "").ljust(9, "0"))
    return instant_from_day_of_year(year, day_of_year, hour, minute, second, fraction)


def check_first(row: TextRow) -> None:
    """Refuse a file that is not P1/11.

    Raises
    ------
    NavigationError
        If the first record is none of the format family, or of another member of it.
    """
    fields = split_fields(row.text)
    if fields[0] not in ("OGP", "IOGP") or len(fields) < 3:
        raise row.error(
            f"the first record begins with {fields[0][:20]!r}, not OGP or IOGP",
            remedy="Give a P1/11 file, complete with its header.",
        )
    if fields[2] != "1":
        name = _FORMATS.get(fields[2], f"code {fields[2]!r}")
        raise row.error(
            f"the file is {name}, and P1/11 (code 1) is read",
            "field 3 (format code)",
            "Export the line as P1/11.",
        )


def take_header(header: Header, row: TextRow) -> None:
    """Add what one header record says; records that are not needed here are passed over.

    Raises
    ------
    NavigationError
        If a needed record is too short or a field cannot be used.
    """
    fields = split_fields(row.text)
    taker = _TAKERS.get(tuple(fields[:4]))
    if taker is None:
        return
    needed, take = taker
    if len(fields) < needed:
        raise row.error(
            f"{','.join(fields[:4])} has {len(fields)} fields and needs at least {needed}"
        )
    take(header, row, fields)


def _take_clock(header: Header, row: TextRow, fields: list[str]) -> None:
    scale = _CLOCKS.get(fields[6])
    if scale is None:
        raise row.error(
            f"time reference code {fields[6]!r} is not known",
            "field 7 (time reference)",
            "1 is UTC and 2 is GPS; others are not read.",
        )
    epoch = None
    if fields[9] == "1":
        try:
            epoch = calendar_instant_ns(fields[10])
        except (TimeError, IndexError) as error:
            raise row.error("the epoch of the clock is missing", "field 11 (epoch)") from error
    header.clocks[fields[5]] = Clock(scale, row.as_number(fields[7], "field 8 (offset)"), epoch)


def _take_example(header: Header, row: TextRow, fields: list[str]) -> None:
    """Hold our conversion against the example in the file."""
    clock = header.clocks.get(fields[5])
    if clock is None:
        return
    try:
        utc_ns = calendar_instant_ns(fields[6])
        ours = convert_instants(np.array([clock.instant_ns(fields[7])]), clock.scale, "utc")[0]
    except TimeError:
        return  # The order of these fields is not certain: an example that is not understood.
    if ours != utc_ns:
        difference_s = float(ours - utc_ns) / NS_PER_S
        message = (
            f"{row.path.name} converts {fields[7]} to UTC {fields[6]} (HC,1,2,1); by its own time "
            f"reference it is {format_instant(int(ours), 'utc', 6)}. Its times cannot be trusted."
        )
        header.findings.append(
            Finding("navigation_clock_example", difference_s, "s", "fail", message)
        )


def _take_system(header: Header, row: TextRow, fields: list[str]) -> None:
    code = f"EPSG:{fields[6]}" if fields[6].isdecimal() else ""
    header.systems[fields[5]] = " ".join(part for part in (code, fields[7]) if part)


def _take_axis(header: Header, row: TextRow, fields: list[str]) -> None:
    axis = row.as_integer(fields[6], "field 7 (axis number)")
    header.axes[fields[5], axis] = " ".join(fields[7:10]).lower()


def _take_kind(header: Header, row: TextRow, fields: list[str]) -> None:
    count = row.as_integer(fields[11] or "0", "field 12 (count of extension fields)")
    declared = fields[12 : 12 + count]
    if len(declared) != count or not 0 <= count < 1000:
        raise row.error(
            f"{count} extension fields are declared and {len(declared)} described", "field 12"
        )
    names = tuple(";".join(text.split(";")[2:3]) or text for text in declared)
    header.kinds[fields[5]] = RecordKind(system=fields[6], clock=fields[9], extensions=names)


_TAKERS: Final[dict[tuple[str, ...], tuple[int, Callable[[Header, TextRow, list[str]], None]]]] = {
    ("HC", "1", "2", "0"): (10, _take_clock),
    ("HC", "1", "2", "1"): (8, _take_example),
    ("HC", "1", "3", "0"): (8, _take_system),
    ("HC", "1", "6", "1"): (8, _take_axis),
    ("H1", "1", "0", "0"): (12, _take_kind),
}


def check_declared_offset(clock: Clock, instant_ns: int) -> list[Finding]:
    """Hold the declared difference from UTC against the table of leap seconds."""
    if math.isnan(clock.offset_s):
        return []
    scale: Scale = clock.scale
    utc_ns = int(convert_instants(np.array([instant_ns]), scale, "utc")[0])
    expected = gps_minus_utc_s(utc_ns) if scale == "gps" else 0
    if clock.offset_s == expected:
        return []
    message = (
        f"The file declares its {scale.upper()} clock {clock.offset_s:g} s from UTC; by the table "
        f"of leap seconds it is {expected} s on {format_instant(utc_ns, 'utc', 0)[:10]}. Its times "
        "were read by the table."
    )
    return [Finding("navigation_clock_offset", clock.offset_s, "s", "fail", message)]


def axis_order(header: Header, system: str) -> tuple[bool, float]:
    """Whether north comes before east, and the factor that makes the third axis a depth."""
    if system in header.orders:
        return header.orders[system]
    first, third = (header.axes.get((system, axis), "") for axis in (1, 3))
    north_first = first.startswith("n") or "north" in first
    up = "height" in third or "up" in third.split()
    header.orders[system] = north_first, -1.0 if up else 1.0
    return header.orders[system]
