"""Faults of table and channels that nobody looked for before: `separate` and `check` name them."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from small_line import Call, SmallLine

from deblend.model.findings import Finding
from deblend.model.timebase import format_instant
from deblend.records.shot_table import read_shots, write_shots
from deblend.report.contents import read_contents
from deblend.results.judge import read_findings

ROW = 20
"""Source 1, shot point 1010."""


def without_truth(line: SmallLine) -> None:
    line.rewrite('[truth]\nfolder = "truth"\n', "")


def asked(line: SmallLine) -> list[Finding]:
    found = read_findings(line.out / "findings.csv")
    return [one for one in found if one.verdict in ("look", "fail")]


@pytest.mark.usefixtures("plain_page")
def test_a_late_shot_is_named_by_separate(line: SmallLine, call: Call) -> None:
    late_ns = np.where(np.arange(len(line.shots)) == ROW, 20_000_000, 0)
    shots = replace(line.shots, fire_time_ns=line.shots.fire_time_ns + late_ns)
    write_shots(line.folder / "shots.csv", shots)
    without_truth(line)
    done = call("separate", line.line_file)
    assert done.exit_code == 3, done.output
    assert "fail: Source 1 shot point 1010 fired -20.0 ms from its time" in done.output
    about = {one.metric for one in asked(line) if (one.source, one.shot_point) == ("1", 1010)}
    assert "fire_time_error" in about
    assert about & {"shot_delay", "shot_likeness", "shot_level"}
    sections = read_contents(line.out / "report-samples.npz").sections
    assert (1, "shot", 1010) in [(one.source, one.kind, one.number) for one in sections]
    # What was verified is there too.
    metrics = {one.metric for one in read_findings(line.out / "findings.csv")}
    assert {"shots_verified", "clock_offset", "shots_unlike"} <= metrics


def test_a_constant_delay_is_no_wrong_time(line: SmallLine, call: Call) -> None:
    line.rewrite("pulse_delay_ms = 40\n", "")
    done = call("check", line.line_file, "--with-samples")
    assert done.exit_code == 1, done.output
    words = " ".join(done.output.split())
    assert "time zero is not the fire time. Separation is not harmed" in words
    assert "would fail" not in words


def test_a_mended_table_says_why(line: SmallLine, call: Call) -> None:
    late_ns = np.where(np.arange(len(line.shots)) == ROW, 20_000_000, 0)
    without_truth(line)
    late = replace(line.shots, fire_time_ns=line.shots.fire_time_ns + late_ns)
    write_shots(line.folder / "shots.csv", late)
    mended = line.folder / "mended.csv"
    done = call("check", line.line_file, "--mended-shots", mended)
    assert done.exit_code == 1, done.output
    assert "1 row changed in" in done.output
    again = read_shots(mended, time_scale="utc")
    apart_ms = (again.fire_time_ns - line.shots.fire_time_ns) * 1e-6
    assert np.abs(apart_ms).max() < 1.0
    assert np.count_nonzero(apart_ms) == 1
    (row,) = [text for text in mended.read_text().splitlines() if "fire_time_error" in text]
    assert row.startswith("1,1010,")
    assert "fired -20.0 ms from its time in the table" in row
    refused = call("check", line.line_file, "--mended-shots", mended)
    assert refused.exit_code == 2
    assert "would replace a file" in " ".join(refused.output.split())
    line.rewrite('file = "shots.csv"', 'file = "mended.csv"')
    assert call("check", line.line_file, "--with-samples").exit_code == 0


def test_a_shot_that_is_in_no_row_gets_one(line: SmallLine, call: Call) -> None:
    without_truth(line)
    kept = np.flatnonzero(np.arange(len(line.shots)) != ROW)
    write_shots(line.folder / "shots.csv", line.shots.take(kept))
    mended = line.folder / "mended.csv"
    done = call("check", line.line_file, "--mended-shots", mended)
    assert done.exit_code == 1, done.output
    again = read_shots(mended, time_scale="utc")
    assert len(again) == len(line.shots)
    (row,) = np.flatnonzero(~again.deliver)
    assert again.live[row]
    # The two sources are alike there; which one it was is not asked.
    assert abs(again.fire_time_ns[row] - line.shots.fire_time_ns[ROW]) < 2_000_000
    assert "shot_not_in_table: Something fired at" in mended.read_text()


def test_check_answers_where_results_are(line: SmallLine, call: Call) -> None:
    line.out.mkdir()
    (line.out / "manifest.json").write_text('{"ended_utc": "2025-02-03T04:05:06Z"}')
    done = call("check", line.line_file)
    assert done.exit_code == 1, done.output
    words = " ".join(done.output.split())
    assert "holds manifest.json of a run that ended at 2025-02-03T04:05:06Z" in words
    assert call("check", line.line_file, "--overwrite").exit_code == 0


@pytest.mark.parametrize("late_s", [3600, 31 * 86_400, -31 * 86_400])
def test_a_wrong_date_is_said_once(line: SmallLine, call: Call, late_s: int) -> None:
    fired_ns = line.shots.fire_time_ns.copy()
    fired_ns[ROW] += late_s * 10**9
    write_shots(line.folder / "shots.csv", replace(line.shots, fire_time_ns=fired_ns))
    without_truth(line)
    done = call("check", line.line_file, "--json")
    assert done.exit_code == 1, done.output
    asking = [one for one in json.loads(done.output)["findings"] if one["verdict"] != "note"]
    (told,) = [one for one in asking if one["verdict"] != "pass"]
    assert told["metric"] == "shots_outside_record"
    written = format_instant(int(fired_ns[ROW]), "utc", 3)
    assert f"(the first by its time at {written}): source 1 shot point 1010." in told["message"]
