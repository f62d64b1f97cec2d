"""GPS timestamps of SEG-D 3.x: microseconds since 1980-01-06 without leap seconds.

The zero of GPS time is 1980-01-06T00:00:00 UTC, and it runs evenly; UTC has fallen back by one
second at each leap second since [1]_ [2]_. The time base of this package counts calendar
nanoseconds of a stated scale, so a GPS timestamp becomes one by adding the calendar distance of
the two zeros. No leap second enters there; they enter only where a GPS time is held against UTC.

References
----------
.. [1] IS-GPS-200, Navstar GPS Space Segment/Navigation User Interfaces, section 3.3.4.
.. [2] International Earth Rotation and Reference Systems Service, Bulletin C.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import Final

from deblend.errors import TimeError
from deblend.model.time_scales import FIRST_UTC_S, STEPS_UTC_S

EPOCH_S: Final = FIRST_UTC_S
"""Calendar seconds from 1970-01-01 to 1980-01-06."""

NEW_OFFSET_GPS_S: Final = tuple(
    step - FIRST_UTC_S + ahead for ahead, step in enumerate(STEPS_UTC_S, start=1)
)
"""GPS seconds at which GPS minus UTC became 1, 2, 3, ... s; none since 2017 up to 2026."""

_LAST_US: Final = 220 * 366 * 86_400 * 1_000_000


def gps_us_to_ns(timestamp_us: int) -> int:
    """Nanoseconds since 1970 of the GPS scale of microseconds since 1980-01-06T00:00:00 UTC."""
    if not 0 <= timestamp_us < _LAST_US:
        raise TimeError(
            f"GPS timestamp {timestamp_us} µs lies outside 1980 to 2199",
            remedy="The header is damaged, or the recorder's clock was not set.",
        )
    return (timestamp_us + EPOCH_S * 1_000_000) * 1000


def ns_to_gps_us(instant_ns: int) -> int:
    """Microseconds since 1980-01-06 of nanoseconds since 1970 of the GPS scale."""
    microseconds, rest = divmod(int(instant_ns), 1000)
    if rest:
        raise TimeError(
            f"instant {instant_ns} ns is no whole number of microseconds",
            remedy="SEG-D timestamps count microseconds; round the instant on purpose first.",
        )
    timestamp_us = microseconds - EPOCH_S * 1_000_000
    gps_us_to_ns(timestamp_us)
    return timestamp_us


def gps_minus_utc_s(gps_s: int) -> int:
    """Whole seconds by which a GPS clock is ahead of UTC at a GPS time.

    Valid up to the end of 2026; a later leap second needs a new row in the table.
    """
    return bisect_right(NEW_OFFSET_GPS_S, gps_s)


def gps_us_to_utc_s(timestamp_us: int) -> int:
    """Seconds since 1970 of UTC, without leap seconds, cut to the whole second.

    Inside a leap second, 23:59:60, the next midnight is given: the count has no number of its own.
    """
    gps_s = timestamp_us // 1_000_000
    return gps_s + EPOCH_S - gps_minus_utc_s(gps_s)
