"""Fire times of shot tables: instants as text, or microseconds counted from an epoch.

A count of microseconds names its own time scale: GPS microseconds count from 1980-01-06T00:00:00
with leap seconds, Unix microseconds from 1970-01-01T00:00:00 UTC without them. It is converted
exactly, by the table of leap seconds, to the scale that the recording is in; all arithmetic is of
whole numbers, because a float64 of such a count is good to a quarter of a microsecond at best.
"""

from __future__ import annotations

import re
from typing import Final, Literal, get_args

import numpy as np

from deblend.errors import SettingsError, TimeError
from deblend.model.time_scales import FIRST_UTC_S, convert_instants
from deblend.model.timebase import NS_PER_S, NS_PER_US, TimeScale, parse_instant

FireTimeUnit = Literal["iso8601", "gps_us", "unix_us"]
FIRE_TIME_UNITS: Final[tuple[FireTimeUnit, ...]] = get_args(FireTimeUnit)

_COUNT: Final = re.compile(r"(\d{1,17})(?:\.(\d{1,3}))?", re.ASCII)
_LAST_NS: Final = 7_258_118_400 * NS_PER_S
"""2200-01-01."""
_COUNTED: Final[dict[str, tuple[str, TimeScale, int]]] = {
    "gps_us": ("microseconds since 1980-01-06 of GPS time", "gps", FIRST_UTC_S * NS_PER_S),
    "unix_us": ("microseconds since 1970-01-01 UTC", "utc", 0),
}
"""Words, time scale and epoch, in nanoseconds since 1970 of that scale."""


def check_fire_time_unit(value: str) -> FireTimeUnit:
    """Return `value` as the unit of fire times."""
    if value not in FIRE_TIME_UNITS:
        raise SettingsError(
            f"the unit of fire times {value!r} is not known",
            remedy=f"Say one of {', '.join(FIRE_TIME_UNITS)}.",
        )
    return value


def parse_fire_time(text: str, time_scale: TimeScale, unit: FireTimeUnit) -> int:
    """Nanoseconds since 1970 of `time_scale` of a fire time.

    The text is an ISO 8601 instant of that scale, or a count with up to three decimals.
    """
    if unit != "iso8601":
        return _from_count(text, time_scale, unit)
    try:
        return parse_instant(text, time_scale)
    except TimeError as error:
        if _COUNT.fullmatch(text):
            raise TimeError(
                error.what,
                remedy="If the fire times count microseconds, say so by fire_time_unit.",
            ) from error
        raise


def _from_count(text: str, time_scale: TimeScale, unit: str) -> int:
    words, scale, epoch_ns = _COUNTED[unit]
    match = _COUNT.fullmatch(text)
    if match is None:
        raise TimeError(
            f"{text!r} is no count of {words}",
            remedy="Write it in digits, with at most three decimals and no exponent.",
        )
    counted_ns = int(match[1]) * NS_PER_US + int((match[2] or "").ljust(3, "0"))
    instant_ns = epoch_ns + counted_ns
    if not FIRST_UTC_S * NS_PER_S <= instant_ns < _LAST_NS:
        raise TimeError(
            f"{text} {words} lie outside 1980 to 2199",
            remedy="Check the unit: seconds, milliseconds and microseconds differ by factors of "
            "1000.",
        )
    return int(convert_instants(np.array([instant_ns], np.int64), scale, time_scale)[0])
