"""Readers of P1/11, P1/90 and SPS, column by column.

The example lines are made up after the published layouts (IOGP 483-1 version 1.1, UKOOA P1/90, SEG
SPS revision 2.1); the expected numbers are read off the lines by hand.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from navigation_text import P111, P190, SPS

from deblend.errors import InputError, MissingPackageError, NavigationError
from deblend.model.timebase import parse_instant
from deblend.records.navigation.coordinates import transform_positions
from deblend.records.navigation.open import read_positions
from deblend.records.navigation.p111 import read_p111_shots
from deblend.records.navigation.positions import Positions


@pytest.fixture
def write(tmp_path: Path):
    def write(text: str, name: str = "line.nav") -> Path:
        path = tmp_path / name
        path.write_text(text, encoding="latin-1")
        return path

    return write


def test_p111_positions(write) -> None:
    read = read_positions(write(P111))
    assert read.format_name == "P1/11"
    assert read.coordinate_system == "EPSG:32631 WGS 84 / UTM zone 31N"
    assert read.line.tolist() == ["1001"] * 3
    assert read.source.tolist() == ["G2", "G3", "G1"]
    assert read.shot_point.tolist() == [5060, 5061, 5062]
    assert read.x_m.tolist() == [456288.31, 456325.81, 456250.81]
    assert read.y_m.tolist() == [6484622.84, 6484635.34, 6484647.84]
    assert read.depth_m.tolist() == [6.0] * 3
    assert read.receivers.row.tolist() == [0, 0]
    assert read.receivers.streamer.tolist() == ["S4", "S4"]
    assert read.receivers.receiver.tolist() == [1, 2]
    assert read.receivers.x_m.tolist() == [456338.31] * 2
    assert read.receivers.y_m.tolist() == [6484472.84, 6484460.34]
    assert read.receivers.depth_m.tolist() == [8.0] * 2
    assert read.findings == ()


def test_p111_fire_times(write) -> None:
    path = write(P111)
    utc = read_p111_shots(path, time_scale="utc")
    # From GPS seconds 1401278421.512345 and 18 s of leap seconds in 2024 (IERS).
    assert utc.fire_time_ns.tolist() == [
        parse_instant(f"2024-06-01T12:00:{seconds}", "utc")
        for seconds in ("03.512345", "08.918745", "14.297105")
    ]
    assert np.diff(utc.fire_time_ns).tolist() == [5_406_400_000, 5_378_360_000]
    gps = read_p111_shots(path, time_scale="gps")
    assert (gps.fire_time_ns - utc.fire_time_ns).tolist() == [18 * 10**9] * 3
    assert gps.time_scale == "gps"
    assert utc.source.tolist() == ["G2", "G3", "G1"]


@pytest.mark.parametrize(
    "text",
    ["2024:06:01:12:00:03.512345", "2024:153:12:00:03.512345", "2024:06:01:12:00:03.5123450"],
)
def test_p111_calendar_times_of_utc(write, text: str) -> None:
    lines = P111.replace(",1,2,18.0,GPS,1,1980:01:06,5", ",1,1,0.0,UTC,0,,")
    lines = "".join(
        line for line in lines.splitlines(True) if not line.startswith(("HC,1,2,1", "R1"))
    )
    lines = lines.replace("1401278421.512345", text)
    lines = lines.replace("1401278426.918745", "2024:06:01:12:00:08.9")
    lines = lines.replace("1401278432.297105", "2024:06:01:12:00:14")
    shots = read_p111_shots(write(lines), time_scale="utc")
    assert shots.fire_time_ns[0] == parse_instant("2024-06-01T12:00:03.512345", "utc")
    assert shots.fire_time_ns[2] == parse_instant("2024-06-01T12:00:14", "utc")


def test_p111_axes(write) -> None:
    axes = (
        "HC,1,6,1,Axis,1,1,1,Northing,north\nHC,1,6,1,Axis,1,2,2,Easting,east\n"
        "HC,1,6,1,Axis,1,3,3,Height,up\n"
    )
    read = read_positions(write(P111.replace("HC,2,3,0", axes + "HC,2,3,0")))
    assert (read.x_m[0], read.y_m[0], read.depth_m[0]) == (6484622.84, 456288.31, -6.0)


def test_p111_whole_seconds_are_no_fire_times(write) -> None:
    text = P111
    for decimals in (".512345", ".918745", ".297105"):
        text = text.replace(decimals, "")
    path = write(text)
    assert "whole_second_times" in [f.metric for f in read_positions(path).findings]
    with pytest.raises(NavigationError, match="all shot times are whole seconds"):
        read_p111_shots(path, time_scale="utc")


@pytest.mark.parametrize(
    ("old", "new", "metric"),
    [
        ("1401278418.0", "1401278436.0", "navigation_clock_example"),
        (",18.0,GPS", ",17.0,GPS", "navigation_clock_offset"),
    ],
)
def test_p111_clock_that_contradicts_itself(write, old: str, new: str, metric: str) -> None:
    findings = read_positions(write(P111.replace(old, new))).findings
    assert [(f.metric, f.verdict) for f in findings] == [(metric, "fail")]


@pytest.mark.parametrize("dithered", [True, False])
def test_p111_dither_beside_the_times(write, dithered: bool) -> None:
    head = P111[: P111.index("S1,")]
    random = np.random.default_rng(3)
    rows = []
    for shot in range(12):
        dither = random.uniform(0, 0.3)
        time = 1401278421.0 + 5.4 * shot + (dither if dithered else 0.0)
        rows.append(
            f"S1,0,1001,1001,{shot},1,1,{time:.6f},12,G2,1,,456288.31,{6484622 + shot}.0,6.0,"
            f",,,,,,,,,,,{dither:.6f}\n"
        )
    (finding,) = read_positions(write(head + "".join(rows))).findings
    assert finding.metric == "dither_in_times"
    assert finding.verdict == ("note" if dithered else "fail")


def test_p190(write) -> None:
    read = read_positions(write(P190))
    assert read.format_name == "P1/90"
    assert read.coordinate_system == "PROJECTION UTM NORTHERN HEMISPHERE"
    assert (read.line[0], read.source[0], read.shot_point[0]) == ("1001", "2", 5060)
    assert (read.x_m[0], read.y_m[0]) == (456288.3, 6484622.8)
    assert read.utc_second_of_day[0] == 12 * 3600 + 3
    assert np.isnan(read.depth_m[0])
    assert read.receivers.receiver.tolist() == [1, 2, 3, 4, 5, 6]
    assert set(read.receivers.streamer) == {"4"}
    assert read.receivers.x_m.tolist() == [456338.3] * 6
    assert np.allclose(read.receivers.y_m, 6484472.8 - 12.5 * np.arange(6))
    assert set(read.receivers.depth_m) == {8.0}


def test_p190_clock_ahead_of_gmt(write) -> None:
    read = read_positions(write(P190.replace("GMT +0.0", "GMT +2.0")))
    assert read.utc_second_of_day[0] == 10 * 3600 + 3


def test_sps(write) -> None:
    read = read_positions(write(SPS))
    assert read.format_name == "SPS 2.1"
    assert (read.line[0], read.source[0], read.shot_point[0]) == ("1001", "", 5060)
    assert (read.x_m[0], read.y_m[0], read.depth_m[0]) == (456288.3, 6484622.8, 6.0)
    assert read.receivers.channel.tolist() == [1, 2, 3]
    assert read.receivers.receiver.tolist() == [1, 2, 3]
    assert read.receivers.streamer.tolist() == ["4"] * 3
    assert read.receivers.y_m.tolist() == [6484472.8, 6484460.3, 6484447.8]
    assert read.receivers.depth_m.tolist() == [8.0] * 3


def test_sps_in_three_files(write) -> None:
    lines = SPS.splitlines(True)
    paths = [
        write("".join(line for line in lines if line[0] in kinds), f"{kinds[-1]}.sps")
        for kinds in ("HS", "HR", "HX")
    ]
    assert read_positions(*paths).receivers.channel.tolist() == [1, 2, 3]


def test_no_format_holds_an_instant() -> None:
    # Whole-second times can only become fire times if something hands them on as instants.
    names = Positions.__dataclass_fields__
    assert not [name for name in names if name.endswith("_ns") or "fire" in name or "time" in name]


@pytest.mark.parametrize("text", [P190, SPS])
def test_whole_second_formats_give_no_shots(write, text: str) -> None:
    with pytest.raises(NavigationError, match="not OGP or IOGP"):
        read_p111_shots(write(text), time_scale="utc")


@pytest.mark.parametrize(
    ("text", "old", "new", "message"),
    [
        (P111, ",0.112345", "", r"line 8: the record has 26 fields and 27 are declared"),
        (P111, "456325.81", "45632x", r"line 9, field 13 \(position\): '45632x' is not a number"),
        (P111, ",5061,5061,1,1401278426.918745", ",,5061,1,x", r"line 9, field 8 \(time\)"),
        (P111, "OGP,OGP P1,1", "OGP,OGP P2,2", r"the file is P2/11, and P1/11"),
        (P111, ",1,2,18.0,GPS", ",1,3,18.0,GPS", r"time reference code '3' is not known"),
        (P111, "G1,1,,", "G1,7,,", r"kind of position record '7' is not declared"),
        (P111, "R1,0,1001,1001,5060", "R1,0,1001,1001,5099", r"before any source record"),
        (P111, "S1,", "Q1,", r"record 'Q1' is not known"),
        (P190, "456288.36484622.8", "45628x.36484622.", r"columns 47-55 \(easting\)"),
        (P190, "   5060583000", "   50x0583000", r"columns 20-25 \(point number\): '50x0'"),
        (P190, "153120003 \nR", "153126103 \nR", r"columns 74-79 .* no time HHMMSS"),
        (P190, "R   1 ", "R     ", r"columns 2-5 \(receiver group\): '' is not a whole"),
        (P190, "583000.00N", "583000.00X", r"columns 26-35 \(latitude\)"),
        (P190, " 8.04\n", " 8.04      9\n", r"line 5: the line has 87 columns"),
        (P190, "S1001", "B1001", r"record 'B' is not known"),
        (SPS, "SPS 2.1", "SPS001,01.01.1998", r"only SPS revision 2.1 is read"),
        (SPS, "1    31      4.00", "1    41      4.00", r"line 6, columns 50-80: receiver line 4"),
        (SPS, "5060.001    1", "5070.001    1", r"line 6, columns 18-38: .* has no S record"),
        (SPS, "      2.00  1H1", "      1.00  1H1", r"line 4, columns 2-24: .* occurs twice"),
        (SPS, "   5060.00  1A1", "   5060.50  1A1", r"source point 5060.5 is no whole number"),
    ],
)
def test_bad_lines(write, text: str, old: str, new: str, message: str) -> None:
    assert old in text
    if old == "SPS 2.1" or text is not SPS:
        changed = text.replace(old, new) if old == "S1," else text.replace(old, new, 1)
    else:
        changed = text.replace(old, new, 1)
    if "5060.50" in new:
        changed = changed.replace("5060.001", "5060.501")
    with pytest.raises(InputError, match=message):
        read_positions(write(changed))


def test_receivers_before_their_shot(write) -> None:
    lines = P190.splitlines(True)
    moved = "".join([*lines[:2], lines[4], *lines[2:4]])
    with pytest.raises(NavigationError, match="line 3: a receiver record comes before any source"):
        read_positions(write(moved))


@pytest.mark.parametrize(
    ("text", "message"),
    [("", "is empty"), (" \n\x1a", "format is not known|is empty"), ("a,b\n", "format is not")],
)
def test_no_navigation(write, text: str, message: str) -> None:
    with pytest.raises(NavigationError, match=message):
        read_positions(write(text))


@pytest.mark.parametrize("text", [P111, P190, SPS])
def test_a_byte_order_mark_and_ends_of_lines_change_nothing(tmp_path: Path, text: str) -> None:
    read = []
    for name, ends, codec in (("a", "\n", "utf-8"), ("b", "\r\n", "utf-8-sig")):
        path = tmp_path / name
        path.write_bytes(text.replace("\n", ends).encode(codec))
        read.append(read_positions(path))
    assert read[0].format_name == read[1].format_name
    np.testing.assert_array_equal(read[0].x_m, read[1].x_m)


def test_only_headers(write) -> None:
    with pytest.raises(NavigationError, match="holds no source position"):
        read_positions(write(P111[: P111.index("S1,")]))


def test_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(NavigationError, match="cannot be read"):
        read_positions(tmp_path / "none.p111")


def test_degrees_where_metres_belong(write) -> None:
    text = P111[: P111.index("R1,")]
    for east, north in (
        ("456288.31", "6484622.84"),
        ("456325.81", "6484635.34"),
        ("456250.81", "6484647.84"),
    ):
        text = text.replace(f"{east},{north}", "2.25,58.5")
    with pytest.raises(NavigationError, match=r"reach 2.25 east and 58.5 north, which are degrees"):
        read_positions(write(text))


def test_transformation_against_the_file_itself(write) -> None:
    # The lines hold the same points as UTM and as degrees; the registry's library joins them.
    pyproj = pytest.importorskip("pyproj", reason="pyproj is not installed")
    read = read_positions(write(P111))
    moved = transform_positions(read, from_system="EPSG:32631", to_system="EPSG:32632")
    to_degrees = pyproj.Transformer.from_crs("EPSG:32632", "EPSG:4326", always_xy=True)
    longitude, latitude = to_degrees.transform(moved.x_m, moved.y_m)
    assert np.allclose(longitude, [2.25, 2.250640966, 2.249351852], atol=1e-7)
    assert np.allclose(latitude, [58.5, 58.500116015, 58.500220754], atol=1e-7)
    assert moved.coordinate_system == "EPSG:32632 (transformed from EPSG:32631)"
    longitude, latitude = to_degrees.transform(moved.receivers.x_m, moved.receivers.y_m)
    assert np.allclose(latitude, [58.498657922, 58.498545665], atol=1e-7)


def test_transformations_that_cannot_be(write, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("pyproj", reason="pyproj is not installed")
    read = read_positions(write(P111))
    with pytest.raises(NavigationError, match="'EPSG:4326' is not projected"):
        transform_positions(read, from_system="EPSG:4326", to_system="EPSG:32631")
    with pytest.raises(NavigationError, match="is not known"):
        transform_positions(read, from_system="EPSG:32631", to_system="nowhere")
    monkeypatch.setitem(__import__("sys").modules, "pyproj", None)
    with pytest.raises(MissingPackageError, match="pyproj, which is not installed"):
        transform_positions(read, from_system="EPSG:32631", to_system="EPSG:32632")


@settings(derandomize=True, max_examples=150, deadline=None)
@given(
    text=st.sampled_from([P111, P190, SPS]),
    at=st.floats(0, 1),
    width=st.integers(0, 12),
    new=st.text(alphabet=st.characters(codec="latin-1"), max_size=8),
)
def test_damaged_files(tmp_path_factory, text: str, at: float, width: int, new: str) -> None:
    begin = int(at * len(text))
    path = tmp_path_factory.getbasetemp() / "damaged.nav"
    path.write_text(text[:begin] + new + text[begin + width :], encoding="latin-1", newline="")
    try:
        read = read_positions(path)
    except InputError as error:
        said = str(error)
    else:
        said = str(read.path)
        assert len(read) == len(read.x_m) >= 1
    assert str(path) in said


@settings(derandomize=True, max_examples=100, deadline=None)
@given(data=st.binary(max_size=300))
def test_arbitrary_bytes(tmp_path_factory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "bytes.nav"
    path.write_bytes(data)
    with pytest.raises(NavigationError, match=r"bytes\.nav"):
        read_positions(path)
