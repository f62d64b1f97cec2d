"""Plan files: what is read, what is merged, what is refused."""

from __future__ import annotations

import contextlib
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_files import PLAN, written

from deblend.errors import InputError, SettingsError
from deblend.plan.alternative import source_positions_m
from deblend.plan.delay_table import DelayTable, read_delay_table, table_text
from deblend.plan.plan_file import REFERENCE_NAME, read_plan
from deblend.plan.read_signatures import read_signature_text

STRINGS = """
[strings.a]
guns_cubic_inch = [180, 120]
recycle_s = 5.0
[strings.b]
guns_cubic_inch = [240]
recycle_s = 5.0
[strings.d]
guns_cubic_inch = [90, 60]
recycle_s = 4.0
"""


def test_the_reference_is_a_two_source_line_behind_the_same_streamers(tmp_path: Path) -> None:
    plan = read_plan(written(tmp_path))
    assert plan.reference.name == REFERENCE_NAME
    assert plan.reference.sources.count == 2
    assert plan.reference.streamers == plan.alternatives[0].streamers
    assert plan.reference.firing.shot_interval_m == 18.75
    assert plan.reference.dither.law == "none"
    assert [one.name for one in plan.alternatives] == ["trial"]


def test_alternatives_change_what_they_name_and_keep_the_rest(tmp_path: Path) -> None:
    text = PLAN + (
        '[[alternatives]]\nname = "narrow"\nsources.separation_m = 18.0\n'
        '[[alternatives]]\nname = "placed"\nsources.positions_m = [-120, -40, 40, 120]\n'
        '[[alternatives]]\nname = "two"\nsources.count = 2\n'
        '[[alternatives]]\nname = "bare"\ndither.law = "none"\n'
        'firing = { scheme = "natural timing", natural_variation_s = 0.05 }\n'
    )
    narrow, placed, two, bare = read_plan(written(tmp_path, text)).alternatives
    np.testing.assert_allclose(source_positions_m(narrow), [-27, -9, 9, 27])
    np.testing.assert_allclose(source_positions_m(placed), [-120, -40, 40, 120])
    np.testing.assert_allclose(source_positions_m(two), [-22.5, 22.5])
    assert narrow.dither.range_s == two.dither.range_s == 0.25
    assert bare.dither.range_s == 0.0
    assert bare.firing.shot_interval_m == 10.0


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("count = 8", "count = 0", r"count in table \[streamers\] is 0, .* from 1 to 40"),
        ("separation_m = 90.0", "separation_m = -90.0", r"is -90\.0 m, .*above 0 to 2000, in m"),
        ("length_m = 4800.0", "length_m = 0.0", r"length_m .* is 0\.0 m"),
        ("length_m = 4800.0", "length_m = inf", r"length_m in table \[streamers\] is inf"),
        ("length_m = 4800.0", "length_m = 4801.0", "no whole number of groups"),
        (
            'scheme = "in sequence"',
            'scheme = "in sequence"\nshot_point_step = 0',
            "would have one shot point",
        ),
        ("count = 4", "count = 9", r"count in table \[sources\] is 9, .* 1 to 8"),
        ("count = 4", "count = 4\nseperation_m = 30.0", "Did you mean 'separation_m'"),
        ("count = 4", "count = 4\nseparation_m = 700.0", "Keep the sources inside the spread"),
        ("count = 4", "count = 4\npositions_m = [0.0]", "4 sources and 1 position"),
        (
            "count = 4",
            "count = 4\nseparation_m = 9.0\npositions_m = [0.0, 1.0, 2.0, 3.0]",
            "positions and a separation",
        ),
        ("[dither]", "[vessel]\nspeed_kn = [4.0, 4.5, 50.0]\n[dither]", "knots are impossible"),
        ("[dither]", "[vessel]\nspeed_kn = [5.0, 4.5, 4.0]\n[dither]", "knots are impossible"),
        ("[dither]", "[vessel]\nspeed_kn = [-4.0, 4.5, 5.0]\n[dither]", "knots are impossible"),
        ("range_s = 0.25", "range_s = 2.1", "can swap shots"),
        ("range_s = 0.25", "range_s = -0.25", r"range_s in table \[dither\] is -0\.25 s"),
        ("range_s = 0.25", "", "the law is 'uniform' and the range 0 s"),
        ("record_length_s = 7.0", "record_length_s = 3.5", "ends before the target window"),
        ("window_s = [1.6, 4.4]", "window_s = [4.4, 1.6]", "a target window"),
        ("[target]", "[targets]\n[target]", "Did you mean 'target'"),
        ('scheme = "in sequence"', 'scheme = "at will"', "is 'at will', .*\"natural timing\""),
        ('scheme = "in sequence"', 'scheme = "natural timing"', "no designed delays"),
        ('law = "uniform"', 'law = "table"', 'law = "table" together with table'),
        ("record_length_s = 7.0", "record_length_s = 7000.0", r"7000\.0 s, .* above 0 to 60, in s"),
        (
            "length_m = 4800.0",
            "length_m = 6.0",
            r"length_m .* is 6\.0 m, .* from 50 to 20000",
        ),
        ("count = 4", "count = 4\npressure_psi = 138.0", r"is 138\.0 psi, .* from 300 to 10000"),
        ("line_length_km = 5.0", "line_length_km = 5000.0", r"is 5000\.0 km, .* to 1000, in km"),
        (
            "separation_m = 90.0",
            "separation_m = 9000.0",
            r"is 9000\.0 m, .* above 0 to 2000, in m",
        ),
        ("count = 8\nseparation_m = 90.0", "count = 8", "8 streamers have no separation"),
        ("count = 8\nseparation_m = 90.0", "count = 1", "one streamer sets no standard"),
    ],
)
def test_bad_plans_are_refused(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert old in PLAN
    with pytest.raises(SettingsError, match=message):
        read_plan(written(tmp_path, PLAN.replace(old, new, 1)))


def test_shots_may_swap_when_the_plan_says_so(tmp_path: Path) -> None:
    text = PLAN.replace("range_s = 0.25", "range_s = 2.1\nmay_swap_order = true")
    assert read_plan(written(tmp_path, text)).alternatives[0].dither.range_s == 2.1


@pytest.mark.parametrize(
    ("strings", "message"),
    [
        ('[["a"], ["b"], ["a"], ["d"]]', "sources 1 and 3 share string 'a'"),
        ('[["a"], ["b"], ["c"], ["d"]]', "fires string 'c', which is not described"),
        ('[["a"], ["b"]]', "4 sources and 2 lists of strings"),
        ('[["a"], ["b"], [], ["d"]]', "fires no string"),
    ],
)
def test_strings_that_cannot_be_are_refused(tmp_path: Path, strings: str, message: str) -> None:
    text = PLAN.replace("count = 4", f"count = 4\nstrings = {strings}") + STRINGS
    text = text.replace("in sequence", "near-simultaneous")
    with pytest.raises(SettingsError, match=message):
        read_plan(written(tmp_path, text))


def test_sources_may_share_a_string_in_sequence(tmp_path: Path) -> None:
    text = PLAN.replace("count = 4", 'count = 4\nstrings = [["a"], ["b"], ["a"], ["d"]]') + STRINGS
    assert read_plan(written(tmp_path, text)).alternatives[0].sources.strings is not None


def test_two_alternatives_of_one_name_are_refused(tmp_path: Path) -> None:
    text = PLAN + '[[alternatives]]\nname = "x"\n[[alternatives]]\nname = "x"\n'
    with pytest.raises(SettingsError, match="two alternatives are called 'x'"):
        read_plan(written(tmp_path, text))


def test_a_table_of_delays_is_read_in(tmp_path: Path) -> None:
    rows = [f"{k},{k % 4 + 1},{(41 * k) % 440}" for k in range(60)]
    (tmp_path / "delays.csv").write_text(
        "# offset_ms: 220\nshot_point,source,delay_ms\n" + "\n".join(rows), encoding="utf-8-sig"
    )
    text = PLAN.replace('law = "uniform"\nrange_s = 0.25', 'law = "table"\ntable = "delays.csv"')
    plan = read_plan(written(tmp_path, text))
    table = plan.tables["trial"]
    assert table.delay_s[1] == pytest.approx(0.041 - 0.22)
    assert plan.alternatives[0].dither.range_s == pytest.approx(0.5 * np.ptp(table.delay_s))


def test_a_firing_table_reads_back_and_is_headed_with_care(tmp_path: Path) -> None:
    (tmp_path / "in.csv").write_text("shot_point,source,delay_ms\n1,1,0\n2,2,600\n3,1,300\n")
    table = read_delay_table(tmp_path / "in.csv")
    text = table_text(table, resolution_s=0.001, facts={"seed": "3"})
    assert text.startswith(
        "# NOT FOR LOADING until source mechanics and navigators have checked it against recycle "
        "and safety limits\n"
    )
    for words in ("offset_ms", "sign", "resolution_ms: 1", "seed: 3"):
        assert f"# {words}" in text
    (tmp_path / "out.csv").write_text(text)
    again = read_delay_table(tmp_path / "out.csv")
    np.testing.assert_allclose(again.written_s, table.written_s)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "holds no row"),
        ("shot_point,source,delay_ms\n", "holds no shot"),
        ("shot_point,source\n1,1\n", "column 'delay_ms' is missing"),
        ("shot_point,source,delay_ms\n1,1,-5\n", "the delay is -5 ms"),
        ("shot_point,source,delay_ms\n1,1,nan\n", "'nan' is no number"),
        ("shot_point,source,delay_ms\n1,1\n", "2 cells under 3 headings"),
        ("shot_point,source,delay_ms\n1.5,1,3\n", "no whole number"),
        ("shot_point,source,delay_ms\n1,1,3\n1,1,4\n", "point 1 of source 1 occurs 2 times"),
        ("# offset_ms: many\nshot_point,source,delay_ms\n1,1,3\n", "'many' is no number"),
    ],
)
def test_bad_tables_of_delays_are_refused(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "delays.csv"
    path.write_text(text)
    with pytest.raises(SettingsError, match=message):
        read_delay_table(path)


@settings(max_examples=40, derandomize=True, deadline=None)
@given(
    st.lists(st.integers(0, 2000), min_size=1, max_size=30),
    st.integers(0, 1000),
)
def test_any_table_of_delays_reads_back(delays_ms: list[int], offset_ms: int) -> None:
    count = len(delays_ms)
    table = DelayTable(
        np.arange(count) + 1,
        np.ones(count, dtype=np.int64),
        np.array(delays_ms) * 1e-3,
        offset_ms * 1e-3,
    )
    with TemporaryDirectory() as folder:
        path = Path(folder) / "delays.csv"
        path.write_text(table_text(table, resolution_s=0.001))
        again = read_delay_table(path)
    np.testing.assert_allclose(again.delay_s, table.delay_s, atol=1e-9)


@settings(max_examples=40, derandomize=True, deadline=None)
@given(st.text(max_size=200))
def test_no_text_breaks_the_readers(text: str) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "file"
        path.write_text(text, encoding="utf-8", newline="")
        for read in (read_plan, read_delay_table, read_signature_text):
            with contextlib.suppress(InputError):
                read(path)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="plan file cannot be read"):
        read_plan(tmp_path / "none.toml")
    with pytest.raises(SettingsError, match="table of delays cannot be read"):
        read_delay_table(tmp_path / "none.csv")
