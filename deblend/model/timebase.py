"""Absolute time: int64 nanoseconds since 1970-01-01T00:00:00 of a stated time scale.

The count is the calendar count of the stated scale (UTC or GPS), without leap seconds, so that an
instant and its ISO 8601 text are the same number. Instants of two scales are never compared: at
present a GPS clock reads 18 s more than a UTC clock.

float64 seconds since 1970 are good to 1.2e-7 s only, and the standard library's ISO parser drops
digits beyond the microsecond; both are avoided here.
"""

from __future__ import annotations

import calendar
import re
import time
from typing import Final, Literal

from deblend.errors import TimeError

TimeScale = Literal["utc", "gps"]
TIME_SCALES: Final[tuple[TimeScale, ...]] = ("utc", "gps")
NS_PER_US: Final = 1_000
NS_PER_S: Final = 1_000_000_000
LONGEST_INTERVAL_S: Final = 0.1
"""No seismic record is sampled more slowly; a larger number is one of milliseconds."""

_ISO_8601 = re.compile(
    r"(\d{4})-(\d{2})-(\d{2})[T ](\d{2}):(\d{2}):(\d{2})(?:[.,](\d{1,9}))?(Z?)",
    re.ASCII,
)
_YEARS = range(1970, 2200)


def check_time_scale(value: str) -> TimeScale:
    """Return `value` as a time scale."""
    if value not in TIME_SCALES:
        raise TimeError(
            f"time scale {value!r} is not known",
            remedy='Say "utc" or "gps"; there is no default, because the two differ by whole '
            "seconds.",
        )
    return value


def parse_instant(text: str, time_scale: TimeScale) -> int:
    """Nanoseconds since 1970 of an ISO 8601 instant of a scale, all nine decimals kept.

    ``YYYY-MM-DDThh:mm:ss`` with up to nine decimals. A trailing ``Z``, which means UTC, is accepted
    for ``"utc"`` and refused for ``"gps"``.

    Raises
    ------
    TimeError
        If the text is not such an instant, is no calendar date, or contradicts the scale.
    """
    match = _ISO_8601.fullmatch(text.strip())
    if match is None:
        raise TimeError(
            f"{text!r} is not an ISO 8601 instant",
            remedy="Write it as 2025-06-01T12:00:03.512345 with up to nine decimals and no zone "
            "other than Z.",
        )
    year, month, day, hour, minute, second = (int(match[i]) for i in range(1, 7))
    if match[8] and time_scale != "utc":
        raise TimeError(
            f"{text!r} ends in Z, which means UTC, but the time scale stated is {time_scale!r}",
            remedy="Remove the Z if the times are GPS, or state UTC.",
        )
    if second == 60:
        raise TimeError(
            f"{text!r} lies in a leap second",
            remedy="Give the instants of such a line in GPS time, which has none.",
        )
    if (
        year not in _YEARS
        or not 1 <= month <= 12
        or not 1 <= day <= calendar.monthrange(year, month)[1]
        or hour > 23
        or minute > 59
        or second > 59
    ):
        raise TimeError(
            f"{text!r} is no date and time between 1970 and 2199", remedy="Correct the instant."
        )
    seconds = calendar.timegm((year, month, day, hour, minute, second))
    fraction = (match[7] or "").ljust(9, "0")
    return seconds * NS_PER_S + int(fraction)


def format_instant(instant_ns: int, time_scale: TimeScale, decimals: int = 9) -> str:
    """ISO 8601 text of an instant, cut (not rounded) to `decimals`; ``Z`` is added for UTC."""
    seconds, nanoseconds = divmod(int(instant_ns), NS_PER_S)
    year, month, day, hour, minute, second = calendar_fields(seconds)[:6]
    fraction = f".{nanoseconds:09d}"[: decimals + 1] if decimals else ""
    zone = "Z" if time_scale == "utc" else ""
    return f"{year:04d}-{month:02d}-{day:02d}T{hour:02d}:{minute:02d}:{second:02d}{fraction}{zone}"


def calendar_fields(seconds: int) -> tuple[int, int, int, int, int, int, int]:
    """Year, month, day, hour, minute, second and day of year of whole seconds since 1970."""
    parts = time.gmtime(seconds)
    return (
        parts.tm_year,
        parts.tm_mon,
        parts.tm_mday,
        parts.tm_hour,
        parts.tm_min,
        parts.tm_sec,
        parts.tm_yday,
    )


def instant_from_day_of_year(
    year: int, day_of_year: int, hour: int, minute: int, second: int, nanosecond: int = 0
) -> int:
    """Nanoseconds since 1970 of the date words of a trace header."""
    days = 366 if calendar.isleap(year) else 365
    if (
        year not in _YEARS
        or not 1 <= day_of_year <= days
        or not 0 <= hour <= 23
        or not 0 <= minute <= 59
        or not 0 <= second <= 59
        or not 0 <= nanosecond < NS_PER_S
    ):
        raise TimeError(
            f"year {year}, day {day_of_year}, {hour:02d}:{minute:02d}:{second:02d} plus "
            f"{nanosecond} ns is no instant",
            remedy="The date words of the header are wrong; state the start in another way.",
        )
    midnight = calendar.timegm((year, 1, 1, 0, 0, 0)) + (day_of_year - 1) * 86_400
    return (midnight + hour * 3600 + minute * 60 + second) * NS_PER_S + nanosecond


def interval_to_ns(interval_s: float) -> int:
    """Sample interval in whole nanoseconds.

    Raises
    ------
    TimeError
        If it is not positive, no whole number of nanoseconds, or so long that it must be in
        another unit.
    """
    if interval_s > LONGEST_INTERVAL_S:
        raise TimeError(
            f"sample interval {interval_s} s is longer than {LONGEST_INTERVAL_S} s",
            remedy="Recorders sample every 0.25 to 16 ms: give it in seconds, for instance 0.002.",
        )
    interval_ns = round(interval_s * NS_PER_S) if interval_s > 0 else 0
    if interval_ns < 1 or abs(interval_s * NS_PER_S - interval_ns) > 1e-3:
        raise TimeError(
            f"sample interval {interval_s} s is not a positive whole number of nanoseconds",
            remedy="Give the interval of the recorder in seconds, for instance 0.002.",
        )
    return interval_ns
