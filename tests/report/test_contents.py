"""The file between a run and its page: everything comes back, and damage is noticed."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import pickle
import zipfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from deblend.array_file import read_arrays, write_arrays
from deblend.errors import InputError, OutputError
from deblend.model.findings import Finding
from deblend.report.contents import (
    Contents,
    Convergence,
    GatherSection,
    read_contents,
    write_contents,
)

FEW = settings(
    derandomize=True,
    max_examples=30,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


def same(one: object, other: object) -> bool:
    """Deep equality in which NaN equals NaN and arrays must have the same type."""
    if isinstance(one, np.ndarray) and isinstance(other, np.ndarray):
        return one.dtype == other.dtype and np.array_equal(
            one, other, equal_nan=one.dtype.kind == "f"
        )
    if dataclasses.is_dataclass(one) and type(one) is type(other):
        return all(
            same(getattr(one, field.name), getattr(other, field.name))
            for field in dataclasses.fields(one)
        )
    if isinstance(one, tuple) and isinstance(other, tuple):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, float) and isinstance(other, float) and np.isnan(one):
        return bool(np.isnan(other))
    return bool(one == other)


def test_everything_comes_back(contents: Contents, tmp_path: Path) -> None:
    path = tmp_path / "contents.npz"
    write_contents(contents, path)
    back = read_contents(path)
    assert same(back, contents)
    assert [entry.name for entry in tmp_path.iterdir()] == ["contents.npz"]


def test_numpy_itself_can_read_the_file_without_pickle(contents: Contents, tmp_path: Path) -> None:
    # numpy.load is the reference reader of the format.
    path = tmp_path / "contents.npz"
    write_contents(contents, path)
    with np.load(path, allow_pickle=False) as archive:
        np.testing.assert_array_equal(archive["section0.before"], contents.sections[0].before)
        assert json.loads(archive["text"].tobytes())["title"] == contents.title


numbers = st.one_of(st.floats(width=64), st.integers(-(2**40), 2**40).map(np.float64))
windows = st.none() | st.tuples(st.floats(0, 9), st.floats(0, 9))
findings = st.builds(
    Finding,
    metric=st.text(max_size=9),
    value=numbers,
    unit=st.sampled_from(["dB", "%", ""]),
    verdict=st.sampled_from(["note", "pass", "look", "fail"]),
    message=st.text(max_size=20),
    source=st.none() | st.integers(-9, 9) | st.text(max_size=3),
    shot_point=st.none() | st.integers(0, 9) | st.integers(0, 9).map(np.int64),
    window_s=windows,
    band_hz=windows,
    limit=st.none() | st.floats(allow_nan=False),
)


@FEW
@given(rows=st.lists(findings, max_size=4).map(tuple), title=st.text(max_size=20))
def test_any_finding_and_title_come_back(
    contents: Contents, tmp_path: Path, rows: tuple[Finding, ...], title: str
) -> None:
    path = tmp_path / "any.npz"
    given_contents = dataclasses.replace(contents, sections=(), findings=rows, title=title)
    write_contents(given_contents, path)
    assert same(read_contents(path), given_contents)


@FEW
@given(data=st.data())
def test_a_damaged_file_is_refused_or_still_whole(
    contents: Contents, tmp_path: Path, data: st.DataObject
) -> None:
    good = tmp_path / "good.npz"
    if not good.exists():
        write_contents(contents, good)
    raw = bytearray(good.read_bytes())
    if data.draw(st.booleans()):
        raw = raw[: data.draw(st.integers(0, len(raw) - 1))]
    else:
        position = data.draw(st.integers(0, len(raw) - 1))
        raw[position] ^= data.draw(st.integers(1, 255))
    bad = tmp_path / "bad.npz"
    bad.write_bytes(raw)
    with contextlib.suppress(InputError):  # no other error may come out
        assert same(read_contents(bad), contents)  # a byte that the format does not use


@pytest.mark.parametrize("raw", [b"", b"PK\x05\x06" + bytes(18), b"SEG-Y" * 100])
def test_foreign_files_are_refused(tmp_path: Path, raw: bytes) -> None:
    path = tmp_path / "foreign.npz"
    path.write_bytes(raw)
    with pytest.raises(InputError, match=r"foreign\.npz: .*run the line again"):
        read_contents(path)


def test_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"none\.npz: does not exist"):
        read_contents(tmp_path / "none.npz")


def test_missing_array_is_named(contents: Contents, tmp_path: Path) -> None:
    path = tmp_path / "part.npz"
    write_contents(contents, path)
    arrays = read_arrays(path)
    del arrays["section1.before"]
    write_arrays(arrays, path)
    with pytest.raises(InputError, match="before"):
        read_contents(path)


def test_python_objects_are_never_unpickled(tmp_path: Path) -> None:
    path = tmp_path / "objects.npz"
    np.savez(path, text=np.array([{"a": 1}], dtype=object))
    with pytest.raises(InputError, match="Python objects"):
        read_contents(path)
    path.write_bytes(pickle.dumps({"a": 1}))
    with pytest.raises(InputError, match="not a zip file"):
        read_contents(path)


def test_a_size_that_the_file_does_not_hold_is_refused_before_allocation(tmp_path: Path) -> None:
    path = tmp_path / "large.npz"
    with zipfile.ZipFile(path, "w") as archive, archive.open("text.npy", "w") as member:
        np.lib.format.write_array_header_1_0(
            member, {"shape": (2**50,), "fortran_order": False, "descr": "<f8"}
        )
        member.write(bytes(8))
    with pytest.raises(InputError, match="needs 9007199254740992 bytes and holds 8"):
        read_contents(path)


def test_failed_writing_leaves_nothing_and_the_old_file(contents: Contents, tmp_path: Path) -> None:
    path = tmp_path / "contents.npz"
    path.write_bytes(b"old")
    broken = dataclasses.replace(contents, settings={"a": object()})  # type: ignore[dict-item]
    with pytest.raises(TypeError, match="object cannot be written"):
        write_contents(broken, path)
    assert path.read_bytes() == b"old"
    with pytest.raises(OutputError, match="cannot be written"):
        write_contents(contents, tmp_path / "absent" / "contents.npz")
    assert [entry.name for entry in tmp_path.iterdir()] == ["contents.npz"]


def test_shapes_that_do_not_fit_are_refused(contents: Contents) -> None:
    section = contents.sections[0]
    with pytest.raises(InputError, match=r"before is \(24, 101\), after is \(23, 101\)"):
        dataclasses.replace(section, after=section.after[1:])
    with pytest.raises(InputError, match=r"live has shape \(3,\) for 24 traces"):
        dataclasses.replace(section, live=np.ones(3, np.bool_))
    with pytest.raises(InputError, match="interval is 0"):
        dataclasses.replace(section, interval_s=0.0)
    with pytest.raises(InputError, match="kind 'offset' is not known"):
        dataclasses.replace(section, kind="offset")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="residual and strictness have shapes"):
        Convergence(np.arange(3), np.zeros(2), np.zeros(3))
    with pytest.raises(InputError, match=r"fire_time_ns is \(5,\), source is \(96,\)"):
        dataclasses.replace(contents.acquisition, fire_time_ns=np.arange(5))


def test_removed_is_before_less_after(contents: Contents) -> None:
    section: GatherSection = contents.sections[0]
    np.testing.assert_array_equal(section.removed, section.before - section.after)
