"""Absolute time in int64 nanoseconds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deblend.errors import TimeError
from deblend.model.timebase import (
    check_time_scale,
    format_instant,
    instant_from_day_of_year,
    interval_to_ns,
    parse_instant,
)


def test_nine_decimals_are_kept():
    # Reference: numpy.datetime64 with nanosecond unit.
    for text in ("2024-06-01T12:00:03.512345678", "1970-01-01T00:00:00.000000001"):
        assert parse_instant(text, "gps") == int(np.datetime64(text, "ns").astype(np.int64))


@settings(max_examples=80, derandomize=True)
@given(st.integers(0, 7_000_000_000_000_000_000))
def test_text_and_number_are_one(instant):
    for scale in ("utc", "gps"):
        assert parse_instant(format_instant(instant, scale), scale) == instant
    expected = str(np.datetime64(instant, "ns"))
    assert format_instant(instant, "gps") == expected


def test_trailing_z_means_utc():
    assert parse_instant("2025-06-01T00:00:00Z", "utc") == parse_instant(
        "2025-06-01 00:00:00", "utc"
    )
    with pytest.raises(TimeError, match="ends in Z, which means UTC"):
        parse_instant("2025-06-01T00:00:00Z", "gps")


@pytest.mark.parametrize(
    "text",
    [
        "",
        "yesterday",
        "2025-06-01",
        "2025-06-01T00:00:00+01:00",
        "2025-06-01T00:00:00.0123456789",
        "2025-02-29T00:00:00",
        "2025-13-01T00:00:00",
        "2025-06-01T24:00:00",
        "1969-06-01T00:00:00",
        "2025-06-01T00:00:00.１",
    ],
)
def test_what_is_no_instant_is_refused(text):
    with pytest.raises(TimeError, match=r"is no"):
        parse_instant(text, "utc")


def test_leap_second_is_refused_with_a_way_out():
    with pytest.raises(TimeError, match=r"leap second.*GPS"):
        parse_instant("2016-12-31T23:59:60", "utc")


def test_day_of_year():
    # SEG-Y revision 1 stores year and day of year: day 153 of 2024 is 1 June.
    assert instant_from_day_of_year(2024, 153, 12, 0, 3, 5) == parse_instant(
        "2024-06-01T12:00:03.000000005", "utc"
    )
    with pytest.raises(TimeError, match="day 366"):
        instant_from_day_of_year(2023, 366, 0, 0, 0)


def test_interval():
    assert interval_to_ns(0.002) == 2_000_000
    assert interval_to_ns(62.5e-6) == 62_500
    with pytest.raises(TimeError, match=r"4\.0 s is longer than 0\.1 s"):
        interval_to_ns(4.0)
    for wrong in (0.0, -0.004, float("nan"), 1 / 3):
        with pytest.raises(TimeError, match="sample interval"):
            interval_to_ns(wrong)


def test_scale_has_no_default():
    with pytest.raises(TimeError, match="'TAI' is not known"):
        check_time_scale("TAI")
