"""Names and patterns of record files: either case of the extension, each file once, in order."""

from __future__ import annotations

from pathlib import Path

import pytest

from deblend.errors import RecordError
from deblend.records.find_files import find_files


def touch(folder: Path, *names: str) -> None:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).touch()


def found(folder: Path, *patterns: str) -> list[str]:
    files = find_files([folder / pattern for pattern in patterns])
    return [str(file.relative_to(folder)) for file in files]


@pytest.mark.parametrize("extension", ["sgy", "SGY", "Sgy"])
def test_patterns_find_an_extension_in_either_case(tmp_path: Path, extension: str) -> None:
    touch(tmp_path, "c.sgy", "A.SGY", "b.Sgy", "d.segy", "e")
    assert found(tmp_path, f"*.{extension}") == ["A.SGY", "b.Sgy", "c.sgy"]


def test_sets_and_folders_below_find_either_case_too(tmp_path: Path) -> None:
    touch(tmp_path, "1.SGY", "2.sgd", "3.sga", "below/4.SGD")
    assert found(tmp_path, "*.sg[x-y]", "*.sgd") == ["1.SGY", "2.sgd"]
    assert found(tmp_path, "**/*.sgd") == ["2.sgd", "below/4.SGD"]


def test_the_rest_of_a_name_keeps_its_case(tmp_path: Path) -> None:
    touch(tmp_path, "line1.SGY", "LINE2.SGY")
    assert found(tmp_path, "line*.sgy") == ["line1.SGY"]
    with pytest.raises(RecordError, match=r"no file matches: .*line1\.sgy"):
        find_files(tmp_path / "line1.sgy")


def test_an_extension_may_be_part_of_the_pattern_of_a_longer_name(tmp_path: Path) -> None:
    touch(tmp_path, "record.001.sgy", "record.002.sgy", "record.100.sgy")
    assert found(tmp_path, "record.0*") == ["record.001.sgy", "record.002.sgy"]


def test_a_file_that_several_names_reach_is_taken_once_where_it_is_named_first(
    tmp_path: Path,
) -> None:
    touch(tmp_path, "a.sgy", "B.SGY", "c.sgy")
    (tmp_path / "again.SGY").symlink_to(tmp_path / "c.sgy")
    assert found(tmp_path, "c.sgy", "*.sgy", "*.SGY") == ["c.sgy", "B.SGY", "a.sgy"]
