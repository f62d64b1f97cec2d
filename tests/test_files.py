"""Folders that are filled: complete, or as they were."""

from __future__ import annotations

from pathlib import Path

import pytest

from deblend.errors import OutputError, SettingsError
from deblend.files import filling, read_toml


def stop_in_the_middle(folder: Path) -> None:
    with filling(folder):
        (folder / "records").mkdir()
        (folder / "records" / "half.sgy").touch()
        raise KeyboardInterrupt


@pytest.mark.parametrize("existed", [True, False])
def test_a_folder_that_could_not_be_filled_is_as_it_was(tmp_path: Path, existed: bool) -> None:
    folder = tmp_path / "line"
    if existed:
        folder.mkdir()
    with pytest.raises(KeyboardInterrupt):
        stop_in_the_middle(folder)
    assert folder.exists() == existed
    assert not existed or not list(folder.iterdir())


def test_a_filled_folder_stays(tmp_path: Path) -> None:
    with filling(tmp_path / "made" / "line") as folder:
        (folder / "line.toml").touch()
    assert (tmp_path / "made" / "line" / "line.toml").exists()


def test_what_others_put_there_is_never_touched(tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").touch()
    with pytest.raises(OutputError, match="the folder is not empty"), filling(tmp_path):
        pass
    assert (tmp_path / "thesis.txt").exists()
    with pytest.raises(OutputError, match="cannot be made"), filling(tmp_path / "thesis.txt"):
        pass
    assert (tmp_path / "thesis.txt").is_file()


def test_a_file_of_another_encoding_is_told_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "line.toml"
    path.write_bytes('name = "x"\nfolder = "Bucht für Bucht"\n'.encode("latin-1"))
    with pytest.raises(
        SettingsError, match=r"line 2, byte 29 \(value 0xfc\) is not UTF-8 text\). Save it as UTF-8"
    ):
        read_toml(path, "line file")


def test_toml_may_begin_with_a_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "line.toml"
    path.write_bytes(b'\xef\xbb\xbfname = "line 1"\r\n')
    assert read_toml(path, "line file") == {"name": "line 1"}
