"""`separate(..., quality=True)` measures what the command measures."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest
from small_line import FAIL, LOOK, Call, SmallLine

import deblend
from deblend.check.verify_samples import verify_line, verify_record
from deblend.line.line_file import read_line_file
from deblend.line.open_line import open_line
from deblend.line.prepare_line import prepare_line
from deblend.model.findings import Finding
from deblend.model.geometry import unknown_geometry
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.results.judge import read_findings
from deblend.separation.plan_blocks import BlockCuts
from deblend.separation.separate import Separation
from deblend.synth.build import build_line
from deblend.synth.scenes import Extent, scene_design

MEASURED = {
    *("unusable_samples", "energy_removed", "reblend_residual", "crosstalk"),
    *("signal_removed", "kept_removed_correlation", "alike_windows", "octave_kept"),
}


def in_python(line: SmallLine) -> Separation:
    job = prepare_line(open_line(read_line_file(line.line_file)))
    recording = deblend.open_recording([line.folder / "records" / "*.sgy"], time_scale="utc")
    shots = deblend.read_shots(line.folder / "shots.csv", time_scale="utc")
    return deblend.separate(
        recording,
        shots,
        length_s=0.64,
        method=job.method,
        iterations=job.settings.iterations,
        robust=job.settings.robust,
        quality=True,
    )


def by_place(findings: Iterable[Finding]) -> dict[tuple[str, ...], Finding]:
    """Findings by metric and place, as the table has them; ."""
    rows: dict[tuple[str, ...], Finding] = {}
    for row in findings:
        where = (row.source, row.shot_point, row.channel, row.other_source)
        ranges = (row.window_s, row.band_hz)
        shown = [":".join(f"{end:.6g}" for end in span) if span else "" for span in ranges]
        rows[row.metric, *("" if part is None else str(part) for part in where), *shown] = row
    return rows


def assert_same_rows(line: SmallLine, separation: Separation) -> set[str]:
    opened = open_line(read_line_file(line.line_file))
    unknown = unknown_geometry(len(opened.shots), opened.recording.shape[0])
    of_input = (
        *opened.findings,
        *verify_line(opened, opened.recording),
        *verify_record(opened.recording, opened.shots, unknown),
    )
    input_metrics = {finding.metric for finding in of_input} - {"dead_channel"}
    command = read_findings(line.out / "findings.csv")
    expected = by_place(row for row in command if row.metric not in input_metrics)
    found = by_place(row for row in separation.findings if row.metric not in input_metrics)
    assert found.keys() == expected.keys()
    for place, row in found.items():
        other = expected[place]
        assert row.value == pytest.approx(other.value, rel=1e-4, abs=1e-4, nan_ok=True), place
        assert (row.unit, row.verdict) == (other.unit, other.verdict), place
    return {row.metric for row in separation.findings}


@pytest.mark.usefixtures("plain_page")
@pytest.mark.parametrize("fault", ["dead_channel", "fitted_less"])
def test_the_findings_are_those_of_the_command(line: SmallLine, call: Call, fault: str) -> None:
    samples = line.samples.copy()
    samples[1, 300:330] = np.nan
    if fault == "dead_channel":
        samples[2] = 0
    line.write_records(samples)
    line.rewrite('[truth]\nfolder = "truth"\n', "")
    assert call("separate", line.line_file).exit_code == LOOK
    assert assert_same_rows(line, in_python(line)) >= {*MEASURED, fault}


@pytest.mark.usefixtures("plain_page")
def test_seams_are_those_of_the_command(
    line: SmallLine, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    blocks = range(2), range(2, 4)
    line.rewrite('[truth]\nfolder = "truth"\n', "")
    line.rewrite("patch = [20, 1, 32]", "patch = [20, 2, 32]")
    line.rewrite("iterations = 25", "iterations = 3\nrobust = false")
    monkeypatch.setattr("deblend.separation.job.halo", lambda method, axis: 1)
    monkeypatch.setattr("deblend.separation.job._plan_blocks", lambda job, memory_bytes: blocks)
    monkeypatch.setattr(
        "deblend.line.prepare_line.plan_line",
        lambda job, block_bytes, *_, **__: BlockCuts(
            (range(job.layout.slot_count),), blocks, block_bytes
        ),
    )
    assert call("separate", line.line_file).exit_code == FAIL
    assert assert_same_rows(line, in_python(line)) >= {"seam_overall", "seam_worst"}


def verified(recording: Recording, shots: Shots) -> dict[str, list[Finding]]:
    """Findings of a run of one iteration by their metric."""
    done = deblend.separate(
        recording, shots, length_s=1.6, method="fk", iterations=1, robust=False, quality=True
    )
    found: dict[str, list[Finding]] = {}
    for row in done.findings:
        found.setdefault(row.metric, []).append(row)
    return found


def test_shots_are_held_against_the_samples() -> None:
    line = build_line(scene_design("two-sources", Extent(32, 8, 1.6)), 3)
    clean = verified(line.recording, line.shots)
    assert clean["shots_verified"][0].verdict == "pass"
    assert "Offsets are not known: what of it is travel time" in clean["clock_offset"][0].message
    row = int(line.shots.rows_of(1)[14])
    fired_ns = line.shots.fire_time_ns.copy()
    fired_ns[row] += 20_000_000
    found = verified(line.recording, replace(line.shots, fire_time_ns=fired_ns))
    (late,) = found["fire_time_error"]
    assert (late.source, late.shot_point) == (1, int(line.shots.shot_point[row]))
    assert late.value == pytest.approx(-20.0, abs=1.0)
    assert late.verdict == "look"
    assert late.message.endswith("deblend check --with-samples knows them.")


def test_without_it_nothing_is_measured(line: SmallLine) -> None:
    recording = deblend.open_recording([line.folder / "records" / "*.sgy"], time_scale="utc")
    shots = deblend.read_shots(line.folder / "shots.csv", time_scale="utc")
    plain = deblend.separate(recording, shots, length_s=0.64, method="fk", iterations=2)
    assert "energy_removed" not in {row.metric for row in plain.findings}
