"""The input check of a line on disk: navigation, logs, tables, samples."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from deblend.check.check import Check, check_json, check_line
from deblend.cli.display import show_check
from deblend.errors import InputError
from deblend.line.line_file import read_line_file
from deblend.line.open_line import open_line
from deblend.model.shots import Shots
from deblend.records.shot_table import read_shots, write_shots
from deblend.run.pipeline import run_line
from deblend.synth.scenes import make_scene
from deblend.synth.write import write_line


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("check") / "line"
    write_line(make_scene("white-noise", "small", 1), folder, slice_s=40.0)
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "line"))


def check(folder: Path, **options: bool) -> Check:
    return check_line(read_line_file(folder / "line.toml"), **options)


def without_truth(folder: Path) -> None:
    """The line as it is where other shots than the made ones are in its table."""
    path = folder / "line.toml"
    text = path.read_text()
    assert text.count('[truth]\nfolder = "truth"\n') == 1
    path.write_text(text.replace('[truth]\nfolder = "truth"\n', ""))


def asked(result: Check) -> list[str]:
    return [f.metric for f in result.findings if f.verdict in ("look", "fail")]


def p190(shots: Shots) -> str:
    rows = ["H1000 CLOCK TIME                GMT +0.0\n"]
    for row in range(len(shots)):
        second = int(shots.fire_time_ns[row] // 10**9 % 86_400)
        clock = f"{second // 3600:02d}{second // 60 % 60:02d}{second % 60:02d}"
        rows.append(
            f"S{shots.line[row]:<12}   1{shots.source[row]} {shots.shot_point[row]:6d}{'':21}"
            f"{shots.x_m[row]:9.1f}{shots.y_m[row]:9.1f}{'':6}153{clock} \n"
        )
    return "".join(rows)


def test_clean_line(folder: Path) -> None:
    result = check(folder, with_samples=True)
    assert asked(result) == []
    assert result.clean
    assert [row.jump_ms for row in result.files] == [None, *[0.0] * (len(result.files) - 1)]
    assert [row.shots for row in result.sources] == [48] * 3
    # Fire times vary uniformly within 0.3 s either way; second differences over two vary more.
    assert all(0.15 < row.spread_s < 0.8 for row in result.sources)
    assert "clock_offset" in [finding.metric for finding in result.findings]
    rows = dict(result.rows)
    assert rows["clocks"].startswith("record behind fire times by -0.00")
    assert rows["verified"].startswith("144 of 144 shots were held against")
    content = json.loads(check_json(result))
    assert content["clean"] is True
    assert len(content["findings"]) == len(result.findings)


def test_samples_are_read_only_when_asked(folder: Path) -> None:
    assert "clock_offset" not in [finding.metric for finding in check(folder).findings]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('folder = "truth"', 'folder = "absent"', r"absent/source-1.npy: .*No such file"),
        (
            "[output]",
            '[quality]\nlimits = "absent.toml"\n[output]',
            "file of limits cannot be read",
        ),
        ("[output]", '[noise]\nfiles = ["absent*.sgy"]\n[output]', "no file matches: .*absent"),
    ],
)
def test_inputs_of_the_last_steps_are_looked_for_first(
    folder: Path, old: str, new: str, message: str
) -> None:
    text = (folder / "line.toml").read_text()
    assert text.count(old) == 1
    (folder / "line.toml").write_text(text.replace(old, new))
    with pytest.raises(InputError, match=message):
        check(folder)
    if "noise" not in new:  # a separation needs no record of noise
        with pytest.raises(InputError, match=message):
            run_line(read_line_file(folder / "line.toml"))
        assert not (folder / "separated").exists()


def test_clocks_18_s_apart(folder: Path) -> None:
    path = folder / "shots.csv"
    shots = read_shots(path, time_scale="utc")
    late = Shots(**{**vars_of(shots), "fire_time_ns": shots.fire_time_ns - 18 * 10**9})
    write_shots(path, late)
    result = check(folder, with_samples=True)
    assert "clock_offset" in asked(result)
    (found,) = [finding for finding in result.findings if finding.metric == "clock_offset"]
    assert found.value == pytest.approx(18.0, abs=0.006)
    # What the table calls quiet is not.
    assert result.noise is None
    (noise,) = [finding for finding in result.findings if finding.metric == "noise_rms"]
    assert "clocks that far apart" in noise.message


def vars_of(shots: Shots) -> dict[str, object]:
    return {name: getattr(shots, name) for name in Shots.__dataclass_fields__}


def test_navigation_of_a_line_file(folder: Path) -> None:
    shots = read_shots(folder / "shots.csv", time_scale="utc")
    (folder / "line.p190").write_text(p190(shots))
    with (folder / "line.toml").open("a") as file:
        file.write('\n[navigation]\nfiles = ["line.p190"]\n')
    result = check(folder)
    assert asked(result) == ["coordinate_system"]
    opened = open_line(read_line_file(folder / "line.toml"))
    assert np.array_equal(opened.shots.fire_time_ns, shots.fire_time_ns)
    assert folder / "line.p190" in opened.line.other_inputs


def test_source_log_of_a_line_file(folder: Path) -> None:
    without_truth(folder)
    shots = read_shots(folder / "shots.csv", time_scale="utc")
    points = shots.shot_point
    (folder / "log.csv").write_text(
        "Array,SP,Flag,Time\n"
        + "".join(f"{shots.source[k]},{points[k]},,\n" for k in range(len(shots)) if k != 7)
        + f"{shots.source[7]},{points[7]},misfired,\n"
        + "2,1,autofire,2023-11-14T22:13:45.5\n"
    )
    with (folder / "line.toml").open("a") as file:
        file.write(
            '\n[source_log]\nfiles = ["log.csv"]\n[source_log.columns]\nsource = "Array"\n'
            'shot_point = "SP"\nstate = "Flag"\nfire_time = "Time"\n'
        )
    opened = open_line(read_line_file(folder / "line.toml"))
    assert len(opened.shots) == len(shots) + 1
    assert len(opened.geometry.offset_m) == len(opened.shots)
    assert not opened.shots.live[7]
    assert not opened.shots.deliver[-1]
    assert opened.shots.live[-1]
    assert {"logged_misfired", "logged_autofire"} <= set(asked(check(folder)))


def test_low_cut_of_a_line_file(folder: Path) -> None:
    path = folder / "line.toml"
    path.write_text(path.read_text().replace("[records]\n", "[records]\nlow_cut_hz = 3.0\n"))
    result = check(folder)
    assert asked(result) == []
    assert "low_cut" in [finding.metric for finding in result.findings]


def test_a_single_shot_has_no_intervals_and_shows_none(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    without_truth(folder)
    path = folder / "shots.csv"
    write_shots(path, read_shots(path, time_scale="utc").take(np.arange(60, 61)))
    show_check(check(folder))
    shown = capsys.readouterr().out
    assert "– / – / –" in shown
    assert "nan" not in shown


def test_both_sides_of_a_swap_are_named_and_no_position_is_refused(folder: Path) -> None:
    without_truth(folder)
    shots = read_shots(folder / "shots.csv", time_scale="utc")
    source = shots.source.copy()
    one, other = shots.rows_of(1)[20], shots.rows_of(2)[20]
    source[[one, other]] = source[[other, one]]
    write_shots(folder / "shots.csv", replace(shots, source=source))
    found = [f for f in check(folder).findings if f.metric == "source_number_wrong"]
    assert sorted((f.source, f.shot_point) for f in found) == sorted(
        (source[row], shots.shot_point[row]) for row in (one, other)
    )


def test_missing_rows_are_named_without_samples(folder: Path) -> None:
    without_truth(folder)
    shots = read_shots(folder / "shots.csv", time_scale="utc")
    write_shots(folder / "shots.csv", shots.take(np.delete(np.arange(len(shots)), [40, 41, 70])))
    (found,) = (f for f in check(folder).findings if f.metric == "missing_shot_points")
    assert found.value == 3
    assert found.verdict == "look"
