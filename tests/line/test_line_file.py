"""The line file: what it takes, and what it says when something is wrong."""

from __future__ import annotations

import contextlib
import glob
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deblend.errors import SettingsError
from deblend.line.line_file import LineFile, list_keys, read_line_file
from deblend.line.method_settings import line_method
from deblend.separation.chain import Chain, last_method
from deblend.separation.choose import method_name
from deblend.separation.methods.median import StructureMedian

GOOD = """\
name = "Example"

[records]
files = ["records/*.sgy"]
time_scale = "utc"

[shots]
file = "shots.csv"

[geometry]
nearest_offset_m = 110
group_interval_m = 12.5

[separation]
length_s = 4

[output]
folder = "separated"
"""


def line(tmp_path: Path, old: str = "", new: str = "") -> LineFile:
    path = tmp_path / "line.toml"
    path.write_text(GOOD.replace(old, new) if old else GOOD, encoding="utf-8")
    return read_line_file(path)


def test_defaults_and_places(tmp_path: Path) -> None:
    read = line(tmp_path)
    assert read.keys.separation.length_s == 4.0
    assert read.keys.separation.iterations == 60
    assert read.keys.geometry is not None
    assert read.keys.geometry.nearest_channel == "first"
    assert read.keys.truth is None
    assert read.shots_path == tmp_path / "shots.csv"
    assert read.record_patterns == [tmp_path / "records/*.sgy"]
    assert read.output_folder == tmp_path / "separated"
    assert read.name == "Example"
    assert line(tmp_path, 'name = "Example"', "").name == "line"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("length_s", "lenght_s", r"'lenght_s' in table \[separation\]. Did you mean 'length_s'"),
        ('folder = "s', 'time_scale = "s', r"Did you mean 'time_scale' in table \[records\]"),
        ("[separation]", "[separatoin]", r"unknown table \[separatoin\].*mean 'separation'"),
        ("length_s = 4", "length_s = 4\nqq = 1", r"Keys in table \[separation\]: length_s, method"),
        (
            "length_s = 4",
            "",
            r"'length_s' is missing in table \[separation\].*above 0 to 120, in s",
        ),
        ('[output]\nfolder = "separated"', "", r"table \[output\] is missing"),
        ("length_s = 4", "length_s = -4", r"length_s in table \[separation\] is -4 s"),
        ("length_s = 4", 'length_s = "4"', r"length_s .* is '4', .* a number above 0 to 120, in s"),
        ("length_s = 4", "length_s = 4000", r"length_s .* is 4000 s, .* above 0 to 120, in s"),
        ("interval_m = 12.5", "interval_m = 0.0125", r"is 0\.0125 m, .* from 0\.1 to 1000, in m"),
        ("[shots]", 'clip_level = "8e6"\n[shots]', r"Give a number above 0, in recorded unit"),
        ("length_s = 4", "length_s = inf", r"length_s in table \[separation\] is inf"),
        ("length_s = 4", "length_s = 4\niterations = 2.5", r"iterations .* is 2.5, .*whole number"),
        ("length_s = 4", "length_s = 4\nseed = true", r"seed .* is True, .*whole number from 0"),
        ('"utc"', '"UTC"', r'time_scale in table \[records\] is \'UTC\'.*"gps" or "utc"'),
        ("12.5", "0", r"group_interval_m in table \[geometry\] is 0 m"),
        ('["records/*.sgy"]', '"records"', r"files in table \[records\] is 'records'.*a list"),
        ('["records/*.sgy"]', "[3]", r"files in table \[records\] is \[3\]"),
        ("[records]", "[[records]]", r"records at the top of the file .* \[records\]"),
        ('"Example"', "", r"no TOML text: .*line 1"),
    ],
)
def test_mistakes_are_named(tmp_path: Path, old: str, new: str, message: str) -> None:
    with pytest.raises(SettingsError, match=message) as caught:
        line(tmp_path, old, new)
    assert str(tmp_path / "line.toml") in str(caught.value)


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"absent\.toml: the line file cannot be read"):
        read_line_file(tmp_path / "absent.toml")
    with pytest.raises(SettingsError, match="Is a directory"):
        read_line_file(tmp_path)


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    path = tmp_path / "line.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingsError, match=r"byte 1 \(value 0xff\) is not UTF-8 text"):
        read_line_file(path)


def test_every_key_is_documented() -> None:
    keys = list_keys()
    assert {key.table for key in keys} == {
        "", "records", "shots", "geometry", "navigation", "source_log", "external_header",
        "near_field", "auxiliary", "noise", "separation", "truth",
        "quality", "output", "run",
    }  # fmt: skip
    for key in keys:
        assert key.description.endswith("."), key
        assert key.kind, key
        assert (key.unit == "s") == key.name.endswith("_s"), key
        assert (key.unit == "m") == key.name.endswith("_m"), key


@settings(derandomize=True, max_examples=80, deadline=None)
@given(
    start=st.integers(0, len(GOOD)),
    removed=st.integers(0, 8),
    put=st.text(max_size=4) | st.sampled_from(["nan", "[[a]]", "1e999", '"', "{}", "-"]),
)
def test_damaged_text_is_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, start: int, removed: int, put: str
) -> None:
    path = tmp_path_factory.mktemp("line") / "line.toml"
    path.write_text(GOOD[:start] + put + GOOD[start + removed :], "utf-8", errors="replace")
    with contextlib.suppress(SettingsError):  # and nothing else
        assert read_line_file(path).keys.separation.length_s > 0


EXAMPLE = Path(__file__).parents[2] / "examples" / "line.toml"


def test_the_example_names_every_key_once() -> None:
    read_line_file(EXAMPLE)
    named = []
    table = ""
    for row in EXAMPLE.read_text(encoding="utf-8").splitlines():
        text = row.removeprefix("# ")
        if heading := re.match(r"\[(\w+(?:\.\w+)?)\]", text):
            table = heading[1]
        elif key := re.match(r"(\w+) = ", text):
            named.append((table, key[1]))
    known = {(key.table, key.name) for key in list_keys() if key.kind != "table"}
    plain = [place for place in named if "." not in place[0]]
    assert sorted(plain) == sorted(known)


def test_the_example_holds_when_every_key_is_used(tmp_path: Path) -> None:
    rows = EXAMPLE.read_text(encoding="utf-8").splitlines()
    bare = [re.sub(r"^# (?=\[|\w+ = )", "", row) for row in rows]
    path = tmp_path / "line.toml"
    path.write_text("\n".join(bare), encoding="utf-8")
    read = read_line_file(path)
    assert read.keys.truth is not None
    assert last_method(line_method(read, 2, 4)).patch == (32, 1, 64)


def test_folder_names_are_no_patterns(tmp_path: Path) -> None:
    home = tmp_path / "line[1]"
    home.mkdir()
    assert glob.glob(str(line(home).record_patterns[0])) == []  # noqa: PTH207
    (home / "records").mkdir()
    (home / "records" / "a.sgy").touch()
    assert len(glob.glob(str(line(home).record_patterns[0]))) == 1  # noqa: PTH207


@pytest.mark.parametrize(
    ("settings_table", "message"),
    [
        ("overlpa = 0.5", r"no setting 'overlpa'. Did you mean 'overlap'\?"),
        ('overlap = "half"', r"setting overlap is 'half'. Expected `float`"),
        ("patch = [3, 4]", r"setting patch is \[3, 4\]. Expected `array` of length 3"),
        ("overlap = 0.9", r"overlap is 0.9"),
    ],
)
def test_method_settings(tmp_path: Path, settings_table: str, message: str) -> None:
    text = f'length_s = 4\nmethod = "fk"\n[separation.settings]\n{settings_table}'
    with pytest.raises(SettingsError, match=message):
        line_method(line(tmp_path, "length_s = 4", text), 2, 4)


def test_method_settings_take_effect(tmp_path: Path) -> None:
    text = "length_s = 4\n[separation.settings]\npatch = [8, 1, 16]"
    assert line_method(line(tmp_path, "length_s = 4", text), 2, 4).patch == (8, 1, 16)


def test_the_shot_table_may_be_left_out(tmp_path: Path) -> None:
    path = tmp_path / "line.toml"
    text = EXAMPLE.read_text(encoding="utf-8")
    path.write_text(re.sub(r"\[shots\].*\nfile = .*\n", "", text), encoding="utf-8")
    assert read_line_file(path).shots_path is None


def test_a_method_to_begin_with(tmp_path: Path) -> None:
    text = (
        'length_s = 4\nmethod = "joint"\nfirst_method = "median"\nfirst_until = 0.2\n'
        "[separation.settings]\noverlap = 0.25\n[separation.first_settings]\nshots = 11"
    )
    method = line_method(line(tmp_path, "length_s = 4", text), 2, 8)
    assert isinstance(method, Chain)
    assert method.until == 0.2
    assert (method.first.overlap, method.then.overlap) == (0.25, 0.25)
    assert method.first == StructureMedian(shots=11)
    assert method_name(method) == "median, then joint"
    wrong = text.replace("shots = 11", "shoots = 11")
    with pytest.raises(SettingsError, match=r"first_settings\]: .*no setting 'shoots'"):
        line_method(line(tmp_path, "length_s = 4", wrong), 2, 8)
    wrong = text.replace("0.2\n", "1.5\n")
    with pytest.raises(SettingsError, match="first_until"):
        line(tmp_path, "length_s = 4", wrong)


def test_a_method_of_ones_own_is_found_beside_the_line_file(tmp_path: Path) -> None:
    (tmp_path / "own.py").write_text("def half(patch, threshold):\n    return patch / 2\n")
    read = line(tmp_path, "length_s = 4", 'length_s = 4\nmethod = "own.py:half"')
    assert method_name(line_method(read, 2, 4)) == "half"
    assert read.other_inputs == [tmp_path / "own.py"]  # what a run watches and writes down
    wrong = line(tmp_path, "length_s = 4", 'length_s = 4\nmethod = "own.py:halve"')
    with pytest.raises(SettingsError, match=r"own\.py has no 'halve'.*Did you mean 'half'"):
        line_method(wrong, 2, 4)
