"""GPS timestamps against UTC: IS-GPS-200 for the epoch, IERS Bulletin C for the leap seconds."""

from __future__ import annotations

import calendar

import pytest

from deblend.errors import TimeError
from deblend.model.timebase import parse_instant
from deblend.records.segd.gps_time import (
    NEW_OFFSET_GPS_S,
    gps_minus_utc_s,
    gps_us_to_ns,
    gps_us_to_utc_s,
    ns_to_gps_us,
)

LEAP_YEARS_JULY = (1981, 1982, 1983, 1985, 1992, 1993, 1994, 1997, 2012, 2015)
LEAP_YEARS_JANUARY = (1988, 1990, 1991, 1996, 1999, 2006, 2009, 2017)
LEAP_DATES = sorted(
    [(year, 7) for year in LEAP_YEARS_JULY] + [(year, 1) for year in LEAP_YEARS_JANUARY]
)


@pytest.mark.parametrize(
    ("timestamp", "utc"),
    [
        ("0000000000000000", (1980, 1, 6, 0, 0, 0)),
        ("00023DA2F253DD40", (2000, 1, 1, 0, 0, 0)),
        ("0003FA66B85F6640", (2015, 7, 1, 0, 0, 0)),
        ("0004259ED5086400", (2016, 12, 31, 23, 59, 59)),
        ("0004259ED526E880", (2017, 1, 1, 0, 0, 0)),
        ("0004D1CA3B758880", (2023, 1, 1, 0, 0, 0)),
        ("0004FA748E561880", (2024, 6, 1, 12, 0, 0)),
    ],
)
def test_timestamps(timestamp: str, utc: tuple[int, ...]) -> None:
    microseconds = int(timestamp, 16)
    assert gps_us_to_utc_s(microseconds) == calendar.timegm((*utc, 0, 0, 0))
    assert gps_us_to_utc_s(microseconds + 999_999) == calendar.timegm((*utc, 0, 0, 0))


def test_every_leap_second() -> None:
    for count, (year, month) in enumerate(LEAP_DATES, start=1):
        gps_s = calendar.timegm((year, month, 1, 0, 0, 0)) - 315_964_800 + count
        assert NEW_OFFSET_GPS_S[count - 1] == gps_s
        assert (gps_minus_utc_s(gps_s - 1), gps_minus_utc_s(gps_s)) == (count - 1, count)
    assert len(NEW_OFFSET_GPS_S) == len(LEAP_DATES) == 18


def test_scale_of_the_time_base() -> None:
    # 2024-06-01T12:00:00 UTC is 12:00:18 on a GPS clock.
    instant_ns = gps_us_to_ns(1_401_278_418_000_001)
    assert instant_ns == parse_instant("2024-06-01T12:00:18.000001", "gps")
    assert ns_to_gps_us(instant_ns) == 1_401_278_418_000_001


@pytest.mark.parametrize("microseconds", [-1, 2**63 - 1])
def test_instants_outside_the_calendar(microseconds: int) -> None:
    with pytest.raises(TimeError, match="outside 1980 to 2199"):
        gps_us_to_ns(microseconds)
