"""Shot tables: nothing lost, nothing guessed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from deblend.errors import DeblendError, OutputError, ShotTableError, TimeError
from deblend.model.shots import make_shots
from deblend.records.shot_table import COLUMNS, read_shots, write_shots

HEADER = "source,shot_point,fire_time\n"
ROW = "1,1001,2025-06-01T12:00:03.512345678\n"


@pytest.fixture
def table(tmp_path):
    def write(text, encoding="utf-8"):
        path = tmp_path / "shots.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
        return path

    return write


def test_one_nanosecond_is_kept(table):
    rows = "1,1,2025-06-01T12:00:03.512345678\n2,1,2025-06-01T12:00:03.512345679\n"
    shots = read_shots(table(HEADER + rows), time_scale="gps")
    # 2025-06-01T12:00:03 is 1748779203 s after 1970 (python -c "calendar.timegm").
    assert shots.fire_time_ns.tolist() == [1748779203512345678, 1748779203512345679]
    assert shots.fire_time_ns.dtype == np.int64
    assert shots.time_scale == "gps"


def test_optional_columns_in_any_order(table):
    text = (
        "live,x_m,source,deliver,shot_point,depth_m,fire_time,line,sequence,y_m\n"
        "no,4.5e5,2,YES,7,6,2025-06-01T00:00:00Z,A 12,3,\n"
        ",,1,0,-8,,2025-06-01 00:00:01.5,,,1.25\n"
    )
    shots = read_shots(table(text), time_scale="utc")
    assert shots.source.tolist() == [2, 1]
    assert shots.source.dtype == np.int64
    assert shots.shot_point.tolist() == [7, -8]
    assert shots.line.tolist() == ["A 12", ""]
    assert shots.sequence.tolist() == [3, 0]
    np.testing.assert_array_equal(shots.x_m, [4.5e5, np.nan])
    np.testing.assert_array_equal(shots.y_m, [np.nan, 1.25])
    np.testing.assert_array_equal(shots.depth_m, [6.0, np.nan])
    assert shots.live.tolist() == [False, True]
    assert shots.deliver.tolist() == [True, False]


def test_sources_with_names(table):
    shots = read_shots(
        table(HEADER + "port,1,2025-06-01T00:00:00\n2,1,2025-06-01T00:00:00\n"), time_scale="utc"
    )
    assert shots.source.tolist() == ["port", "2"]


def test_byte_order_mark_carriage_returns_and_blank_lines(table):
    text = (HEADER + ROW + "\n,,\n\n").replace("\n", "\r\n")
    shots = read_shots(table(text, "utf-8-sig"), time_scale="utc")
    assert len(shots) == 1


REFUSED = {
    "empty": ("", "shot table is empty"),
    "header only": (HEADER, "a header and no shot"),
    "no fire time": ("source,shot_point\n1,2\n", r"line 1: without column fire_time"),
    "misspelt": ("source,shot_point,firetime\n", r"'firetime' is not known\. Did you mean 'fire_t"),
    "other case": ("Source,shot_point,fire_time\n", r"'Source' is not known\. Did you mean 'sour"),
    "doubled": ("source,source,shot_point,fire_time\n", "'source' occurs 2 times"),
    "semicolons": (HEADER.replace(",", ";"), "Separate the cells by commas"),
    "short row": (HEADER + ROW + "1,2\n", r"shots\.csv, line 3: the row has 2 cells"),
    "long row": (HEADER + ROW.replace("\n", ",9\n"), "row has 4 cells.* decimals take a point"),
    "fire time": (HEADER + ROW + "1,2,noon\n", r"line 3, column fire_time: 'noon' is not an ISO"),
    "ten decimals": (HEADER + "1,2,2025-06-01T00:00:00.0123456789\n", "column fire_time: '2025"),
    "zone": (HEADER + "1,2,2025-06-01T00:00:00+02:00\n", "not an ISO 8601 instant"),
    "no such day": (HEADER + "1,2,2025-02-30T00:00:00\n", "is no date and time"),
    "leap second": (HEADER + "1,2,2016-12-31T23:59:60\n", "lies in a leap second"),
    "fraction of shot point": (HEADER + ROW.replace("1001", "1001.5"), "'1001.5' is not a whole"),
    "no source": (HEADER + ROW.replace("1,1001", ",1001"), "column source: the cell is empty"),
    "bad x": ("x_m," + HEADER + "4_5," + ROW, "line 2, column x_m: '4_5' is not a finite number"),
    "infinite x": ("x_m," + HEADER + "inf," + ROW, "'inf' is not a finite number"),
    "bad live": ("live," + HEADER + "maybe," + ROW, "'maybe' is neither true nor false"),
    "open quote": (HEADER + '"1,1001,2025', "no valid CSV"),
    "same instant": (
        HEADER + ROW + ROW.replace("1001", "1002"),
        r"shots\.csv, shot points 1001 and 1002 \(rows 1 and 2\): source 1 fires twice",
    ),
}


@pytest.mark.parametrize(("text", "message"), REFUSED.values(), ids=REFUSED)
def test_refused_tables_name_the_place(table, text, message):
    with pytest.raises(ShotTableError, match=message):
        read_shots(table(text), time_scale="utc")


def test_trailing_z_is_refused_for_gps(table):
    path = table(HEADER + ROW.replace("678\n", "678Z\n"))
    assert len(read_shots(path, time_scale="utc")) == 1
    with pytest.raises(ShotTableError, match=r"line 2, column fire_time: .* ends in Z"):
        read_shots(path, time_scale="gps")


def test_time_scale_must_be_known(table):
    with pytest.raises(TimeError, match="'tai' is not known"):
        read_shots(table(HEADER + ROW), time_scale="tai")


def test_text_that_is_not_utf_8(table):
    with pytest.raises(ShotTableError, match=r"line 2: byte 34 \(value 0xe9\) is not UTF-8"):
        read_shots(table(HEADER.encode() + b"nord-\xe9,1,x\n"), time_scale="utc")


def test_file_that_is_not_there(tmp_path):
    with pytest.raises(ShotTableError, match=r"none\.csv: the shot table cannot be read"):
        read_shots(tmp_path / "none.csv", time_scale="utc")


def test_nothing_is_written_where_there_is_no_folder(tmp_path):
    shots = make_shots(np.array([1]), np.array([1]), np.array([0]), "utc")
    with pytest.raises(OutputError, match="cannot be written"):
        write_shots(tmp_path / "none" / "shots.csv", shots)
    assert list(tmp_path.iterdir()) == []


NAMES = st.text("abcXYZ-_ ,\"'éß\n", min_size=1, max_size=8).map(str.strip).filter(bool)
NUMBERS = st.floats(allow_nan=True, allow_infinity=False)


@given(
    rows=st.lists(
        st.tuples(
            NAMES,
            st.integers(-(10**9), 10**9),
            st.integers(0, 4_000_000_000 * 10**9),
            NUMBERS,
            st.booleans(),
        ),
        min_size=1,
        max_size=5,
        unique_by=lambda row: row[2],
    ),
    scale=st.sampled_from(["utc", "gps"]),
)
@settings(
    derandomize=True,
    max_examples=50,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_round_trip(tmp_path, rows, scale):
    source, point, fired, position, flag = map(np.array, zip(*rows, strict=True))
    shots = make_shots(
        source, point, fired, scale, line=source[::-1], x_m=position, live=flag, deliver=~flag
    )
    write_shots(tmp_path / "shots.csv", shots)
    back = read_shots(tmp_path / "shots.csv", time_scale=scale)
    for name, column in shots.columns():
        np.testing.assert_array_equal(column, getattr(back, name), err_msg=name)


def test_mutated_tables_only_raise_errors_of_the_package(table):
    """Deterministic fuzzing: whatever the damage, the error is one that says what is wrong."""
    text = (
        ",".join(COLUMNS) + "\n" + "1,1001,2025-06-01T12:00:03,A,1,2.5,3.5,6,1,no\n" * 3
    ).encode()
    random = np.random.default_rng(20)
    refused = 0
    for _ in range(300):
        damaged = bytearray(text)
        for _ in range(random.integers(1, 4)):
            place = int(random.integers(len(damaged)))
            if random.random() < 0.5:
                damaged[place] = int(random.choice(list(b'",;\n\r\x00\xff0Za-')))
            else:
                del damaged[place : place + int(random.integers(1, 40))]
        try:
            read_shots(table(bytes(damaged)), time_scale="utc")
        except DeblendError:
            refused += 1
    assert refused > 100
