"""UTC, GPS and TAI: exact conversion of int64 nanoseconds with the table of leap seconds.

Every count is the calendar count of its scale since 1970-01-01T00:00:00, as in
`deblend.model.timebase`: a clock of that scale shows the instant as its ISO 8601 text. TAI and GPS
run evenly, TAI is 19 s ahead of GPS at all times; UTC falls back by a second at each leap second
[1]_ [2]_.

A leap second itself (23:59:60 UTC) has no number in the calendar count, and is refused rather than
given the number of its neighbour.

References
----------
.. [1] International Earth Rotation and Reference Systems Service, leap-second list, issue of
   2026-01-06, and Bulletin C.
.. [2] IS-GPS-200, Navstar GPS Space Segment/Navigation User Interfaces, section 3.3.4.
"""

from __future__ import annotations

from typing import Final, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from deblend.errors import TimeError
from deblend.model.timebase import NS_PER_S, format_instant

Scale = Literal["utc", "gps", "tai"]

TAI_MINUS_GPS_S: Final = 19

STEPS_UTC_S: Final = (
    362_793_600,
    394_329_600,
    425_865_600,
    489_024_000,
    567_993_600,
    631_152_000,
    662_688_000,
    709_948_800,
    741_484_800,
    773_020_800,
    820_454_400,
    867_715_200,
    915_148_800,
    1_136_073_600,
    1_230_768_000,
    1_341_100_800,
    1_435_708_800,
    1_483_228_800,
)
"""UTC calendar seconds since 1970 from which GPS minus UTC is 1, 2, 3, ... s."""

FIRST_UTC_S: Final = 315_964_800
"""1980-01-06, where GPS time begins and GPS minus UTC is 0."""

KNOWN_UNTIL_UTC_S: Final = 1_798_416_000
"""2026-12-28: no leap second is announced up to here; beyond it the last offset is assumed."""

_STEPS_UTC_NS = np.array(STEPS_UTC_S, dtype=np.int64) * NS_PER_S
_STEPS_GPS_NS = _STEPS_UTC_NS + np.arange(1, len(STEPS_UTC_S) + 1) * NS_PER_S


def gps_minus_utc_s(utc_ns: int) -> int:
    """Whole seconds by which a GPS clock is ahead of UTC, at nanoseconds since 1970 of UTC."""
    return int(np.searchsorted(_STEPS_UTC_NS, utc_ns, side="right"))


def convert_instants(
    instant_ns: NDArray[np.int64], from_scale: Scale, to_scale: Scale
) -> NDArray[np.int64]:
    """Instants as clocks of another scale show them: nanoseconds since 1970 of each.

    Raises
    ------
    TimeError
        If a scale is not known, an instant lies before 1980-01-06, or UTC is asked for an instant
        within a leap second.
    """
    for scale in (from_scale, to_scale):
        if scale not in get_args(Scale):
            raise TimeError(
                f"time scale {scale!r} is not known", remedy="Use one of utc, gps and tai."
            )
    instant = np.asarray(instant_ns, dtype=np.int64)
    if from_scale == to_scale:
        return instant.copy()
    gps = _to_gps(instant, from_scale)
    _refuse_before_gps(gps)
    if to_scale == "utc":
        return _gps_to_utc(gps)
    return gps + TAI_MINUS_GPS_S * NS_PER_S if to_scale == "tai" else gps


def leap_seconds_known(utc_ns: int) -> bool:
    """Whether the table of leap seconds covers an instant; it ends with 2026-12-28."""
    return FIRST_UTC_S <= utc_ns // NS_PER_S < KNOWN_UNTIL_UTC_S


def _to_gps(instant: NDArray[np.int64], scale: Scale) -> NDArray[np.int64]:
    if scale == "utc":
        ahead = np.searchsorted(_STEPS_UTC_NS, instant, side="right").astype(np.int64)
        return instant + ahead * NS_PER_S
    if scale == "tai":
        return instant - TAI_MINUS_GPS_S * NS_PER_S
    return instant


def _gps_to_utc(gps: NDArray[np.int64]) -> NDArray[np.int64]:
    ahead = np.searchsorted(_STEPS_GPS_NS, gps, side="right")
    # The second before a step on the GPS clock is 23:59:60 UTC.
    following = _STEPS_GPS_NS[np.minimum(ahead, len(_STEPS_GPS_NS) - 1)]
    inside = (following > gps) & (following - gps <= NS_PER_S)
    if inside.any():
        worst = int(gps[inside].flat[0]) if gps.ndim else int(gps)
        raise TimeError(
            f"GPS {format_instant(worst, 'gps')} lies within a leap second of UTC",
            remedy="Keep the instants of this line in GPS time, which has none.",
        )
    return gps - ahead.astype(np.int64) * NS_PER_S


def _refuse_before_gps(gps: NDArray[np.int64]) -> None:
    early = gps < FIRST_UTC_S * NS_PER_S
    if early.any():
        worst = int(gps[early].flat[0]) if gps.ndim else int(gps)
        raise TimeError(
            f"{format_instant(worst, 'gps', 0)} lies before 1980-01-06, where GPS time begins",
            remedy="Correct the year; time scales are converted from 1980 on.",
        )
