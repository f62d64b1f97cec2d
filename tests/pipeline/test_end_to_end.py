"""A small line through the command line, from records to report."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import re
import signal
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import segyio
from numpy.typing import NDArray
from segyio import TraceField
from small_line import (
    CHANNEL_COUNT,
    FAIL,
    INTERVAL_NS,
    LENGTH,
    SHOT_COUNT,
    Call,
    SmallLine,
    make_small_line,
)

from deblend.line.line_file import read_line_file
from deblend.memory import PROGRAM_BYTES
from deblend.model.findings import Finding
from deblend.model.shots import make_shots
from deblend.progress import Step
from deblend.records.shot_table import write_shots
from deblend.report.contents import read_contents
from deblend.results.output_folder import RESULTS, UNFINISHED
from deblend.run.begin import RunOptions
from deblend.run.pipeline import run_line
from deblend.separation.job import Job
from deblend.separation.plan_blocks import BlockCuts


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def delivered(path: Path) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """Samples (trace, time) and shot points, read by segyio."""
    with segyio.open(path, ignore_geometry=True) as file:
        return file.trace.raw[:], file.attributes(TraceField.ShotPoint)[:].astype(np.int64)


def test_the_whole_path(line: SmallLine, call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("deblend.results.report_samples.CHANNELS_SHOWN", 1)
    monkeypatch.setattr("deblend.results.report_samples.SHOTS_SHOWN", 1)
    assert call("check", line.line_file).exit_code == 0
    assert not line.out.exists()
    result = call("separate", line.line_file)
    assert result.exit_code == 0, result.stderr
    assert sorted(path.name for path in line.out.iterdir()) == sorted(RESULTS)
    page = (line.out / "report.html").read_text()
    assert "Small line" in page
    for source in (1, 2):
        samples, points = delivered(line.out / "delivered" / f"source-{source}.sgy")
        np.testing.assert_array_equal(
            points, np.repeat(1000 + np.arange(SHOT_COUNT), CHANNEL_COUNT)
        )
        truth = line.gathers[line.shots.source == source].reshape(-1, LENGTH)
        snr_db = 10 * np.log10(np.sum(truth**2) / np.sum((samples - truth) ** 2))
        told = {
            row["metric"]: float(row["value"])
            for row in rows_of(line.out / "findings.csv")
            if row["source"] == str(source) and not row["window_s"] and not row["band_hz"]
        }
        assert told["snr"] == pytest.approx(snr_db, abs=0.01)
        assert abs(told["snr_start"]) < 3  # two sources of about equal strength
        assert told["snr"] > 15
    check_manifest(line)


@pytest.mark.usefixtures("plain_page")
def test_the_report_can_be_drawn_again(line: SmallLine, call: Call) -> None:
    line.rewrite("iterations = 25", "iterations = 1")
    first = call("separate", line.line_file)
    assert first.exit_code == FAIL, first.stderr
    (line.out / "report.html").unlink()
    assert call("report", line.out).exit_code == 0
    assert (line.out / "report.html").read_text() == "Small line"
    (line.out / "report.html").write_text("other")
    assert call("judge", line.out).exit_code == 2
    assert call("report", line.out).exit_code == 0
    check_manifest(line)
    assert call("judge", line.out).exit_code == FAIL


def check_manifest(line: SmallLine) -> None:
    manifest = json.loads((line.out / "manifest.json").read_text())
    assert manifest["time_scale"] == "utc"
    assert manifest["shots_delivered"] == {"1": SHOT_COUNT, "2": SHOT_COUNT}
    assert manifest["read_again"] == {
        f"delivered/source-{source}.sgy": f"segyio {version('segyio')}" for source in (1, 2)
    }
    assert manifest["unexplained_residual"]["choice"] == "leave_out"
    names = {Path(entry["path"]).name for entry in manifest["inputs"]}
    assert names == {"line.toml", "shots.csv", "0.sgy", "1.sgy"}
    assert len(manifest["outputs"]) == 6
    for entry in manifest["inputs"] + manifest["outputs"]:
        path = line.out / entry["path"]
        assert entry["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
        assert entry["size_bytes"] == path.stat().st_size


def trouble(line: SmallLine) -> None:
    """A dead channel, samples that are no numbers, a misfire, shots outside, a double instant."""
    samples = line.samples.copy()
    samples[2] = 0.0
    samples[3, 300:310] = np.nan
    samples[3, 310] = np.inf
    shots = line.shots
    last = shots.fire_time_ns.max()
    live = np.ones(2 * SHOT_COUNT + 2, bool)
    live[6] = False
    missing = line.gathers.copy()
    fire_time_ns = np.concatenate([shots.fire_time_ns, [last + 10**9, last + 10**11]])
    fire_time_ns[1] = fire_time_ns[0]
    line.write_records(samples)
    write_shots(
        line.folder / "shots.csv",
        make_shots(
            np.append(shots.source, [1, 2]),
            np.append(shots.shot_point, [1800, 1900]),
            fire_time_ns,
            "utc",
            live=live,
            deliver=np.arange(live.size) != 9,
        ),
    )
    for source in (1, 2):
        rows = shots.rows_of(source)
        padded = np.concatenate([missing[rows], np.zeros_like(missing[:1])])
        np.save(line.folder / "truth" / f"source-{source}.npy", padded)


@pytest.mark.usefixtures("plain_page")
def test_what_was_not_recorded_is_drawn_as_unknown(line: SmallLine, call: Call) -> None:
    samples = line.samples.copy()
    samples[3, 300:310] = np.nan
    line.write_records(samples)
    line.rewrite("iterations = 25", "iterations = 1")
    assert call("separate", line.line_file).exit_code == FAIL
    sections = read_contents(line.out / "report-samples.npz").sections
    for section in sections:
        if section.kind != "common channel":
            continue
        rows = line.shots.rows_of(section.source)
        first = np.rint((line.shots.fire_time_ns[rows] - line.start_ns) / INTERVAL_NS)
        sample = first[:, None] + np.arange(LENGTH)
        missing = (sample >= 300) & (sample < 310) & (section.number == 4)
        np.testing.assert_array_equal(np.isnan(section.before), missing)
        assert np.isfinite(section.after).all()
    numbers = {section.number for section in sections if section.kind == "common channel"}
    assert {1, 4} <= numbers


@pytest.mark.usefixtures("plain_page")
def test_troubles_are_findings(line: SmallLine, call: Call) -> None:
    trouble(line)
    line.rewrite("iterations = 25", "iterations = 3")
    assert call("check", line.line_file).exit_code == 1
    result = call("separate", line.line_file)
    assert result.exit_code == FAIL, result.stderr
    rows = rows_of(line.out / "findings.csv")
    found = {(row["metric"], row["channel"]) for row in rows if row["verdict"] == "look"}
    assert {("dead_channel", "3"), ("unusable_samples", "4")} <= found
    assert ("shots_at_one_instant", "") in found
    unusable = next(row for row in rows if row["metric"] == "unusable_samples")
    assert float(unusable["value"]) == 11
    manifest = json.loads((line.out / "manifest.json").read_text())
    assert manifest["shots_delivered"] == {"1": SHOT_COUNT - 1, "2": SHOT_COUNT - 1}
    assert manifest["shots_not_delivered"] == {
        "misfire": 1,
        "not wanted": 1,
        "outside the record": 2,
    }
    with segyio.open(line.out / "delivered" / "source-1.sgy", ignore_geometry=True) as file:
        identity = file.attributes(TraceField.TraceIdentificationCode)[:]
        np.testing.assert_array_equal(identity[:4], [1, 1, 2, 1])
        assert not file.trace.raw[:][identity == 2].any()
        assert np.isfinite(file.trace.raw[:]).all()
        assert 1003 not in file.attributes(TraceField.ShotPoint)[:]


@pytest.mark.usefixtures("plain_page")
def test_blocks_and_one_piece_deliver_the_same(tmp_path: Path) -> None:
    delivered_bytes = []
    for name, array_bytes in (("whole", 10**9), ("blocks", 400_000)):
        line = make_small_line(tmp_path / name)
        line.rewrite("iterations = 25", "iterations = 3\nrobust = false")
        told: list[Step] = []
        options = RunOptions(memory_bytes=PROGRAM_BYTES + array_bytes)
        outcome = run_line(read_line_file(line.line_file), told.append, options=options)
        said = next(step.note for step in told if step.stage == "plan")
        assert said.startswith("1 block of" if name == "whole" else "4 blocks of 1 channel,")
        delivered_bytes.append([file.path.read_bytes() for file in outcome.delivered])
    assert delivered_bytes[0] == delivered_bytes[1]


@pytest.mark.usefixtures("plain_page")
def test_seams_of_blocks_are_findings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    line = make_small_line(tmp_path)
    line.rewrite("iterations = 25", "iterations = 3\nrobust = false")

    def two_blocks(job: Job, block_bytes: int, *_: int, processes_on_host: int) -> BlockCuts:
        return BlockCuts((range(job.layout.slot_count),), (range(2), range(2, 4)), block_bytes)

    def seams() -> dict[str, Finding]:
        outcome = run_line(read_line_file(line.line_file), options=RunOptions(overwrite=True))
        return {row.metric: row for row in outcome.findings if "seam" in row.metric}

    assert not seams()  # one block
    with monkeypatch.context() as patch:
        patch.setattr("deblend.line.prepare_line.plan_line", two_blocks)
        assert not seams()  # the method does not look across channels
        line.rewrite("patch = [20, 1, 32]", "patch = [20, 2, 32]")
        patch.setattr("deblend.separation.job.halo", lambda method, axis: 1)
        found = seams()
    assert set(found) == {"seam_overall", "seam_worst"}
    assert -100 < found["seam_overall"].value < found["seam_worst"].value
    assert found["seam_worst"].verdict == "look"  # one channel of neighbours is far too few
    assert found["seam_worst"].channel in (2, 3)  # the first beyond either cut
    assert (line.out / "findings.csv").read_text().count("seam_") == 2


@pytest.mark.usefixtures("plain_page")
def test_results_are_replaced_only_on_request(line: SmallLine, call: Call) -> None:
    line.rewrite("iterations = 25", "iterations = 2")
    assert call("separate", line.line_file).exit_code == FAIL
    before = (line.out / "manifest.json").read_bytes()
    refused = call("separate", line.line_file)
    assert refused.exit_code == 2
    assert "not empty" in refused.stderr
    assert (line.out / "manifest.json").read_bytes() == before
    assert call("separate", line.line_file, "--overwrite").exit_code == FAIL
    assert (line.out / "manifest.json").read_bytes() != before
    assert sorted(path.name for path in line.out.iterdir()) == sorted(RESULTS)


def from_keyboard(*arguments: object) -> None:
    raise KeyboardInterrupt


def from_outside(*arguments: object) -> None:
    os.kill(os.getpid(), signal.SIGTERM)


@pytest.mark.usefixtures("plain_page")
@pytest.mark.parametrize("interrupt", [from_keyboard, from_outside])
def test_an_interruption_leaves_finished_blocks_alone(
    line: SmallLine,
    call: Call,
    monkeypatch: pytest.MonkeyPatch,
    interrupt: Callable[..., None],
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr("deblend.run.finish.write_line_manifest", interrupt)
        line.rewrite("iterations = 25", "iterations = 1")
        result = call("separate", line.line_file)
    assert result.exit_code == 130
    assert "stopped: 1 of 1 block finished and kept" in result.stderr
    assert [path.name for path in line.out.iterdir()] == [UNFINISHED]
    again = call("separate", line.line_file)
    assert again.exit_code == FAIL, again.stderr
    assert "going on: 1 of 1 block finished" in again.stderr
    assert sorted(path.name for path in line.out.iterdir()) == sorted(RESULTS)


def test_too_little_space_is_said_before_any_work(
    line: SmallLine, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = SimpleNamespace(free=1_000)
    monkeypatch.setattr("deblend.line.forecast.shutil.disk_usage", lambda path: usage)
    result = call("separate", line.line_file)
    assert result.exit_code == 2
    assert re.search(
        r" [kM]B are needed on the disk and 1 kB are free", " ".join(result.stderr.split())
    )
    assert not line.out.exists()


@pytest.mark.usefixtures("plain_page")
def test_the_demonstration(tmp_path: Path, call: Call) -> None:
    out = tmp_path / "demo"
    result = call("demo", "--out", out, "--small")
    assert result.exit_code == 0, result.stderr
    assert sorted(path.name for path in out.iterdir()) == sorted([*RESULTS, "line"])
    assert len(list((out / "delivered").glob("*.sgy"))) == 4
    inputs = json.loads((out / "manifest.json").read_text())["inputs"]
    assert {Path(entry["path"]).suffix for entry in inputs} == {".toml", ".segd"}
    assert "truth over error" in result.stdout
    scored = {row["source"] for row in rows_of(out / "findings.csv") if row["metric"] == "snr"}
    assert scored == {"1", "2", "3", "4"}
    assert call("check", out / "line" / "line.toml").exit_code in (
        0,
        1,
    )  # the same path as field data
    assert call("demo", "--out", out).exit_code == 2
