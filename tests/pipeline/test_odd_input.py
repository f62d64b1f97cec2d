"""Odd files, names and places end in one clear line, and never in one that was not foreseen."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result
from small_line import Call, SmallLine

from deblend.errors import InputError, SettingsError
from deblend.files import read_toml
from deblend.model.findings import Finding, findings_csv
from deblend.plugins import PluginGroup
from deblend.records.segy.open import open_segy
from deblend.results.judge import read_findings


def refused(result: Result) -> str:
    """The one line on standard error."""
    assert result.exit_code == 2, result.output
    (line,) = result.stderr.splitlines()
    assert "not foreseen" not in line
    assert len(line) < 6000
    return line


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a = " + "[" * 5000 + "]" * 5000, "inside each other more than 40 times"),
        ("[" + ".".join("a" * 500) + "]\nb = 1", "inside each other more than 40 times"),
        ("x" * 1_000_000 + " = 1", "unknown key 'xxx"),
        ('"' + "x y " * 250_000 + '" = 1', "unknown key 'x y"),
        ("# " + "x" * (17 << 20), "larger than 16 MB"),
    ],
)
def test_odd_texts_of_keys(line: SmallLine, call: Call, text: str, said: str) -> None:
    line.line_file.write_text(text)
    assert said in refused(call("check", line.line_file))


@pytest.mark.parametrize("device", ["/dev/zero", "/dev/urandom"])
def test_a_device_is_no_file_of_keys(device: str) -> None:
    with pytest.raises(SettingsError, match="is no file but a device or a pipe"):
        read_toml(Path(device), "line file")


def test_a_pipe_is_not_waited_for(tmp_path: Path, call: Call) -> None:
    os.mkfifo(tmp_path / "line.toml")
    assert "a device or a pipe" in refused(call("check", tmp_path / "line.toml"))


def test_a_folder_whose_name_is_no_utf_8(line: SmallLine, call: Call) -> None:
    odd = Path(os.fsdecode(os.fsencode(line.folder.parent) + b"/caf\xe9"))
    line.folder.rename(odd)
    assert r"caf\udce9/line.toml: the name of this file" in refused(
        call("check", odd / "line.toml")
    )


def test_a_record_whose_name_is_no_utf_8(line: SmallLine, call: Call) -> None:
    folder = os.fsencode(line.folder / "records")
    Path(os.fsdecode(folder + b"/1.sgy")).rename(os.fsdecode(folder + b"/\xe9.sgy"))
    assert "is no UTF-8 text" in refused(call("check", line.line_file))


def test_standard_output_that_is_full(line: SmallLine) -> None:
    command = [sys.executable, "-c", "from deblend.cli.main import main; main()"]
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [*command, "check", str(line.line_file)],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 2
    assert done.stderr.startswith("error: standard output cannot be written")
    assert len(done.stderr.splitlines()) == 1


def test_a_plug_in_that_exits() -> None:
    def ends(*_: object) -> None:
        sys.exit(0)

    group = PluginGroup("deblend.separators", "separator method", "methods")
    with pytest.raises(SettingsError, match=r"cannot be loaded \(SystemExit: 0\)"):
        group.guarded(ends, "bad", "package bad")


def test_a_method_that_exits_is_no_success(
    line: SmallLine, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    def ends(*_: object, **__: object) -> None:
        sys.exit(0)

    monkeypatch.setattr("deblend.run.unfinished.separate_channels", ends)
    assert "ended the program (status 0)" in call("separate", line.line_file).stderr


def test_a_digit_that_is_no_number(line: SmallLine, call: Call) -> None:
    log = line.folder / "log.csv"
    log.write_text("source,shot_point,fire_time,event\n²,1,2025-02-03T04:05:07,autofire\n")
    line.rewrite("[geometry]", '[source_log]\nfiles = ["log.csv"]\n\n[geometry]')
    result = call("check", line.line_file)
    assert "not foreseen" not in result.stderr


@pytest.mark.parametrize("source", ["=1+1", "+a", "-a", "@a", "\ta", "'=a", "plain"])
def test_no_cell_of_findings_becomes_a_formula(tmp_path: Path, source: str) -> None:
    finding = Finding("shots", -1.5, "dB", "look", f"{source} is odd.", source=source)
    path = tmp_path / "findings.csv"
    path.write_text(findings_csv([finding]), encoding="utf-8", newline="")
    cells = path.read_text(encoding="utf-8").splitlines()[1].split(",")
    assert not [cell for cell in cells if cell.strip('"')[:1] in "=+@\t" and cell]
    assert "-1.5" in cells
    (again,) = read_findings(path)
    assert (again.source, again.message) == (source, finding.message)


def test_revision_0_with_texts_behind_its_headers(line: SmallLine) -> None:
    path = line.folder / "records" / "0.sgy"
    before = open_segy([path], time_scale="utc")
    expected = before.read([1], 0, 100)
    written = path.read_bytes()
    size = 480 + 4 * before.shape[1]  # of a trace with header extension 1
    traces = [written[begin : begin + size] for begin in range(3600, len(written), size)]
    content = bytearray(written[:3600])
    content[3500:3502] = bytes(2)
    content[3504:3506] = (2).to_bytes(2, "big")
    content += b"".join(trace[:240] + trace[480:] for trace in traces)
    path.write_bytes(content[:3600] + b" " * 6400 + content[3600:])
    after = open_segy([path], time_scale="utc", start_is_exact=True)
    assert after.shape == before.shape
    np.testing.assert_array_equal(after.read([1], 0, 100), expected)
    # Without texts the same word means nothing.
    path.write_bytes(content)
    again = open_segy([path], time_scale="utc", start_is_exact=True)
    assert again.shape == before.shape


def test_bins_of_no_size_are_refused() -> None:
    from deblend.model.geometry import towed_geometry
    from deblend.model.shots import make_shots
    from deblend.stack.bins import bin_grid

    along = np.arange(20)
    shots = make_shots(
        np.ones(20, np.int64), along, along * 10**10, "utc", x_m=25.0 * along, y_m=0.0 * along
    )
    geometry = towed_geometry(shots, 3, nearest_offset_m=100.0, group_interval_m=12.5)
    with pytest.raises(InputError, match="are more than 100000000"):
        bin_grid(shots, geometry, inline_m=1e-300)
