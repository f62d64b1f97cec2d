"""The manifest is plain JSON that states inputs, settings and outputs."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from deblend import __version__
from deblend.deliver.manifest import Manifest, file_record, write_manifest
from deblend.errors import OutputError
from deblend.model.findings import Finding


def manifest() -> Manifest:
    return Manifest(
        line="Example",
        started_utc="2025-01-01T00:00:00Z",
        ended_utc="2025-01-01T00:01:00Z",
        time_scale="gps",
        inputs=(),
        outputs=(),
        read_again={"delivered/source-1.sgy": "segyio 1.9.13"},
        settings={"method": "fk", "iterations": 60},
        shots_delivered={"1": 20},
        shots_not_delivered={"partly outside the record": 2},
        unexplained_residual={"choice": "leave_out"},
        findings=(Finding("removed", float("-inf"), "dB", "note", "x", window_s=(0.0, 1.0)),),
    )


def refuse_constant(word: str) -> None:
    raise ValueError(f"{word} is no JSON")


def test_content(tmp_path: Path) -> None:
    path = tmp_path / "manifest.json"
    write_manifest(manifest(), path)
    content = json.loads(path.read_text(), parse_constant=refuse_constant)  # RFC 8259: no NaN
    assert content["deblend"] == __version__
    assert content["versions"]["numpy"] == np.__version__
    assert content["settings"] == {"method": "fk", "iterations": 60}
    assert content["findings"][0]["value"] is None
    assert content["findings"][0]["window_s"] == [0.0, 1.0]
    assert [entry.name for entry in tmp_path.iterdir()] == ["manifest.json"]


def test_keys_keep_their_order(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_manifest(manifest(), tmp_path / name)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()
    reordered = replace(manifest(), settings={"iterations": 60, "method": "fk"})
    write_manifest(reordered, tmp_path / "c")
    assert list(json.loads((tmp_path / "c").read_text())) == list(
        json.loads((tmp_path / "a").read_text())
    )


def test_checksum(tmp_path: Path) -> None:
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    record = file_record(path, relative_to=tmp_path)
    # SHA-256 of "abc": NIST FIPS 180-2, appendix B.1
    assert record.sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert (record.path, record.size_bytes) == ("abc", 3)


def test_vanished_input(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="gone: the checksum cannot be taken"):
        file_record(tmp_path / "gone")
