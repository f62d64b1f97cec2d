"""Shots from columns and tables of any kind: what is meant is said, or refused."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from deblend.errors import ShotTableError, TimeError
from deblend.model.gathers import make_gathers
from deblend.model.shots import make_shots

SOURCE, POINT = np.array([1, 2, 1]), np.array([7, 8, 9])
FIRED_NS = 1_700_000_000_000_000_000 + np.array([1_250_000_000, 4_500_000_000, 9_123_456_789])


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
def test_dates_of_every_unit_are_converted(unit: str) -> None:
    dates = FIRED_NS.astype("datetime64[ns]").astype(f"datetime64[{unit}]")
    shots = make_shots(SOURCE, POINT, dates, "utc")
    assert np.array_equal(shots.fire_time_ns, dates.astype("datetime64[ns]").astype(np.int64))


def test_numbers_with_their_unit() -> None:
    seconds = make_shots(SOURCE, POINT, [1.25, 4.5, 9.0], "gps", unit="s")
    assert seconds.fire_time_ns.tolist() == [1_250_000_000, 4_500_000_000, 9_000_000_000]
    whole = make_shots(SOURCE, POINT, np.array([1250, 4500, 9000]), "gps", unit="ms")
    assert np.array_equal(whole.fire_time_ns, seconds.fire_time_ns)
    today = make_shots(SOURCE, POINT, FIRED_NS / 1e9, "utc", unit="s")
    assert np.abs(today.fire_time_ns - FIRED_NS).max() < 300
    text = ["2025-06-01T12:00:03.512345678", "2025-06-01T12:00:08", "2025-06-01T12:00:13"]
    assert make_shots(SOURCE, POINT, text, "gps").fire_time_ns[0] % 10**9 == 512_345_678


@pytest.mark.parametrize(
    ("fired", "scale", "unit", "message"),
    [
        ([1.25, 4.5, 9.0], "utc", None, r"type float64, the first .*1\.25.* do not say what"),
        ([1, 4, 9], "utc", None, "shots of one source follow each other after 8 ns"),
        ([1000, 4000, 9000], "utc", "us", "after 8000000 ns"),
        ([1.25, 4.5, 9.0], "tai", "s", "time scale 'tai' is not known"),
        ([1.25, 4.5, 9.0], None, "s", "time scale 'None' is not known"),
        ([1.25, 4.5, 9.0], "utc", "min", "unit 'min' is not known.*Give one of s, ms"),
        ([1.25, np.nan, 9.0], "utc", "s", "row 2: a fire time is nan"),
        ([1.7e18, 1.8e18, 1.9e18], "utc", "s", "beyond the year 2262"),
        (np.array(["2025-01-01", "NaT", "2025-01-03"], "datetime64[s]"), "utc", None, "row 2.*NaT"),
        (["yesterday", "now", "then"], "utc", None, "'yesterday' is not an ISO 8601 instant"),
        ([True, False, True], "utc", None, "of type bool"),
    ],
)
def test_what_says_nothing_is_refused(fired, scale, unit, message: str) -> None:
    with pytest.raises(TimeError, match=message):
        make_shots(SOURCE, POINT, fired, scale, unit=unit)


@pytest.mark.parametrize("fired", [FIRED_NS, FIRED_NS.astype("datetime64[ns]")])
def test_a_table_of_pandas(fired: np.ndarray) -> None:
    table = pd.DataFrame({"source": ["a", "b", "a"], "shot_point": POINT, "fire_time": fired})
    shots = make_shots(table.assign(live=[True, False, True]), time_scale="utc")
    assert shots.sources == ("a", "b")
    assert np.array_equal(shots.fire_time_ns, FIRED_NS)
    assert shots.live.tolist() == [True, False, True]
    with pytest.raises(ShotTableError, match=r"no column shot_point\. It has source, fire_time"):
        make_shots(table.drop(columns="shot_point"), time_scale="utc")
    with pytest.raises(TimeError, match="time scale 'None'"):
        make_shots(table)


def test_gathers_hold_their_shots() -> None:
    shots = make_shots(SOURCE, POINT, FIRED_NS, "gps")
    zeros = np.zeros((3, 2, 4), np.float32)
    gathers = make_gathers(zeros, shots, np.arange(2), 0.004, kind="estimate", live=shots.live)
    for table in (gathers, gathers.to_dataset()):
        again = make_shots(table)
        assert again.time_scale == "gps"
        assert all(np.array_equal(a, getattr(again, n), equal_nan=n in ("x_m", "y_m", "depth_m"))
                   for n, a in shots.columns())  # fmt: skip
    with pytest.raises(ShotTableError, match="of scale 'gps', and 'utc' was stated"):
        make_shots(gathers, time_scale="utc")
    with pytest.raises(ShotTableError, match="ndarray is no table of shots"):
        make_shots(FIRED_NS, time_scale="utc")


@pytest.mark.filterwarnings("ignore:Consolidated metadata", "ignore:The data type")
@pytest.mark.parametrize("names", [np.array([1, 2, 1]), np.array(["port", "starboard", "port"])])
def test_gathers_come_back_equal_from_files(names: np.ndarray, tmp_path) -> None:
    shots = make_shots(names, POINT, FIRED_NS, "utc")
    amplitude = np.random.default_rng(0).standard_normal((3, 2, 4)).astype(np.float32)
    gathers = make_gathers(amplitude, shots, np.arange(2), 0.004, kind="estimate", live=shots.live)
    gathers.to_netcdf(tmp_path / "gathers.nc")
    gathers.to_zarr(tmp_path / "gathers.zarr")
    for path in ("gathers.nc", "gathers.zarr"):
        with xr.open_dataarray(tmp_path / path) as again:
            xr.testing.assert_identical(again.load(), gathers)
            assert again.fire_time.dtype == np.int64
            assert again.dtype == np.float32
