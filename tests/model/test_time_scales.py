"""Time scales against astropy (ERFA) and against the published list of leap seconds."""

from __future__ import annotations

import numpy as np
import pytest

from deblend.errors import TimeError
from deblend.model.time_scales import (
    KNOWN_UNTIL_UTC_S,
    STEPS_UTC_S,
    convert_instants,
    gps_minus_utc_s,
    leap_seconds_known,
)
from deblend.model.timebase import parse_instant

S = 1_000_000_000
GPS_ZERO_S = 315_964_800  # 1980-01-06, IS-GPS-200
# IERS leap-second list, issue of 2026-01-06: first UTC date of each TAI-UTC from 20 s on.
IERS = [
    "1981-07-01",
    "1982-07-01",
    "1983-07-01",
    "1985-07-01",
    "1988-01-01",
    "1990-01-01",
    "1991-01-01",
    "1992-07-01",
    "1993-07-01",
    "1994-07-01",
    "1996-01-01",
    "1997-07-01",
    "1999-01-01",
    "2006-01-01",
    "2009-01-01",
    "2012-07-01",
    "2015-07-01",
    "2017-01-01",
]


def ns(*instants: int) -> np.ndarray:
    return np.array(instants, dtype=np.int64)


def test_table_is_that_of_the_iers() -> None:
    assert len(STEPS_UTC_S) == len(IERS) == 18
    for count, (date, step) in enumerate(zip(IERS, STEPS_UTC_S, strict=True), start=1):
        assert step * S == parse_instant(f"{date}T00:00:00", "utc")
        assert gps_minus_utc_s(step * S - 1) == count - 1
        assert gps_minus_utc_s(step * S) == count


@pytest.mark.parametrize(
    ("utc", "gps_s"),
    [
        ("1980-01-06T00:00:00", 0),
        ("2016-12-31T23:59:59", 1_167_264_016),
        ("2017-01-01T00:00:00", 1_167_264_018),
        ("2024-06-01T12:00:00", 1_401_278_418),
        ("2025-05-01T13:00:00", 1_430_139_618),
    ],
)
def test_gps_seconds(utc: str, gps_s: int) -> None:
    # GPS seconds by the conversion rules of the GPS interface specification and the IERS list.
    instant = ns(parse_instant(utc, "utc") + 123_456_789)
    gps = convert_instants(instant, "utc", "gps")
    assert gps[0] == (gps_s + GPS_ZERO_S) * S + 123_456_789
    assert np.array_equal(convert_instants(gps, "gps", "utc"), instant)
    assert convert_instants(gps, "gps", "tai")[0] - gps[0] == 19 * S


def test_against_astropy() -> None:
    time = pytest.importorskip("astropy.time", reason="astropy is not installed")
    random = np.random.default_rng(4)
    utc_s = random.integers(GPS_ZERO_S, 1_780_000_000, 300)
    utc_s = np.concatenate([utc_s, np.array(STEPS_UTC_S), np.array(STEPS_UTC_S) - 1])
    theirs = time.Time(utc_s.astype("datetime64[s]").astype(str), format="isot", scale="utc")
    gps = convert_instants(utc_s.astype(np.int64) * S, "utc", "gps")
    assert np.array_equal(gps // S - GPS_ZERO_S, np.rint(theirs.gps).astype(np.int64))
    tai = convert_instants(utc_s.astype(np.int64) * S, "utc", "tai")
    text = (tai // S).astype("datetime64[s]").astype(str)
    assert [value[:19] for value in theirs.tai.isot] == text.tolist()


def test_round_trip_keeps_every_nanosecond() -> None:
    random = np.random.default_rng(7)
    utc = random.integers(GPS_ZERO_S * S, 2_000_000_000 * S, 2000)
    for scale in ("gps", "tai"):
        there = convert_instants(utc, "utc", scale)
        assert np.array_equal(convert_instants(there, scale, "utc"), utc)


def test_leap_second_has_no_utc_number() -> None:
    # 2016-12-31 23:59:60 UTC is GPS second 1167264017.
    inside = ns((1_167_264_017 + GPS_ZERO_S) * S)
    with pytest.raises(TimeError, match="within a leap second"):
        convert_instants(inside, "gps", "utc")
    after = convert_instants(inside + S, "gps", "utc")
    assert after[0] == parse_instant("2017-01-01T00:00:00", "utc")
    before = convert_instants(inside - 1, "gps", "utc")
    assert before[0] == parse_instant("2016-12-31T23:59:59.999999999", "utc")


def test_refusals() -> None:
    with pytest.raises(TimeError, match="before 1980-01-06"):
        convert_instants(ns(0), "utc", "gps")
    with pytest.raises(TimeError, match="'tt' is not known"):
        convert_instants(ns(0), "tt", "gps")  # type: ignore[arg-type]


def test_the_table_ends() -> None:
    assert leap_seconds_known((KNOWN_UNTIL_UTC_S - 1) * S)
    assert not leap_seconds_known(KNOWN_UNTIL_UTC_S * S)
    assert parse_instant("2026-12-28T00:00:00", "utc") == KNOWN_UNTIL_UTC_S * S
