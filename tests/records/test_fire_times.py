"""Fire times that count microseconds: published instants, exact arithmetic, refusals."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deblend.errors import SettingsError, ShotTableError, TimeError
from deblend.model.timebase import parse_instant
from deblend.records.fire_times import parse_fire_time
from deblend.records.shot_table import read_shots

GPS_INSTANTS = {
    # UTC and seconds of GPS time, from the leap seconds of IERS Bulletin C: 13 s in 2000, 17 s from
    # 2015-07-01 on, 18 s from 2017-01-01 on. SEG-D timestamps (revision 3.0) are this count.
    "2000-01-01T00:00:00": 630_720_013,
    "2015-07-01T00:00:00": 1_119_744_017,
    "2016-12-31T23:59:59": 1_167_264_016,
    "2017-01-01T00:00:00": 1_167_264_018,
    "2024-06-01T12:00:00": 1_401_278_418,
}


@pytest.mark.parametrize(("utc", "gps_s"), GPS_INSTANTS.items())
def test_published_gps_seconds(utc, gps_s):
    text = f"{gps_s}512345"
    expected = parse_instant(f"{utc}.512345", "utc")
    assert parse_fire_time(text, "utc", "gps_us") == expected
    # The calendar of a GPS clock: 1980-01-06 is 315964800 s after 1970-01-01.
    assert parse_fire_time(text, "gps", "gps_us") == (gps_s + 315_964_800) * 10**9 + 512_345_000


@given(st.integers(315_964_800_000_000, 4_102_444_800_000_000))
@settings(derandomize=True, max_examples=60, deadline=None)
def test_unix_microseconds_are_those_of_the_standard_library(count):
    instant = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=count)
    text = instant.strftime("%Y-%m-%dT%H:%M:%S.%f")
    assert parse_fire_time(str(count), "utc", "unix_us") == parse_instant(text, "utc")


def test_unix_time_of_a_gps_line_counts_leap_seconds():
    expected = parse_instant("2024-06-01T12:00:21.512345", "gps")
    assert parse_fire_time("1717243203512345", "gps", "unix_us") == expected


def test_every_digit_counts():
    """A float64 would give ...345.5 or ...346 here."""
    base = parse_fire_time("1401278421512345", "gps", "gps_us")
    assert parse_fire_time("1401278421512345.678", "gps", "gps_us") == base + 678
    assert parse_fire_time("1401278421512345.6", "gps", "gps_us") == base + 600


def test_a_leap_second_has_no_utc():
    assert parse_fire_time("1167264017000000", "gps", "gps_us") % 10**9 == 0
    with pytest.raises(TimeError, match="within a leap second"):
        parse_fire_time("1167264017000000", "utc", "gps_us")


@pytest.mark.parametrize("text", ["", "1.4e15", "-5", "1401278421512345.6789", "12 34", "٣"])
def test_what_is_no_count(text):
    with pytest.raises(TimeError, match="is no count of microseconds since 1980-01-06"):
        parse_fire_time(text, "gps", "gps_us")


@pytest.mark.parametrize(("text", "unit"), [("1717243203512", "unix_us"), ("9" * 17, "gps_us")])
def test_counts_of_another_unit(text, unit):
    with pytest.raises(TimeError, match=r"outside 1980 to 2199.* factors of 1000"):
        parse_fire_time(text, "utc", unit)


def test_a_table_of_counts(tmp_path):
    path = tmp_path / "shots.csv"
    path.write_text("source,shot_point,fire_time\n1,1001,1401278421512345\n2,1002,1401278423000001")
    shots = read_shots(path, time_scale="gps", fire_time_unit="gps_us")
    assert shots.fire_time_ns.tolist() == [
        parse_instant("2024-06-01T12:00:21.512345", "gps"),
        parse_instant("2024-06-01T12:00:23.000001", "gps"),
    ]
    with pytest.raises(ShotTableError, match=r"line 2, column fire_time.* say so by fire_time_un"):
        read_shots(path, time_scale="gps")
    with pytest.raises(SettingsError, match=r"'ms' is not known.* iso8601, gps_us, unix_us"):
        read_shots(path, time_scale="gps", fire_time_unit="ms")
