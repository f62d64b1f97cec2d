"""A SEG-D file that is missing, and the shots that its source events would have given."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from segd_bytes import START_NS, START_US
from segd_line import FILE_US, Fired, fired, one_set, pulses, write_line

from deblend.check.check import check_line
from deblend.line.line_file import read_line_file
from deblend.line.open_line import OpenLine, open_line
from deblend.model.findings import Finding
from deblend.model.timebase import format_instant

LENGTH_US = 2_500_000


def opened(path: Path) -> OpenLine:
    return open_line(read_line_file(path))


def of(metric: str, findings: tuple[Finding, ...]) -> list[Finding]:
    return [finding for finding in findings if finding.metric == metric]


def lost(shots: list[Fired], *files: int) -> list[Fired]:
    spans = [(START_US + n * FILE_US, START_US + (n + 1) * FILE_US) for n in files]
    return [one for one in shots if any(low <= one.time_us < high for low, high in spans)]


@pytest.mark.parametrize("seed", range(3))
def test_shot_points_of_a_missing_file_are_listed(tmp_path: Path, seed: int) -> None:
    shots = fired(seed)
    path = write_line(tmp_path, shots, one_set(pulses(shots)), without=(4,))
    line = opened(path)
    (listed,) = of("shots_of_missing_file", line.findings)
    gone = lost(shots, 4)
    assert listed.value == len(gone)
    assert listed.verdict == "look"
    assert "before f5.segd" in listed.message
    for source in (1, 2, 3):
        points = [one.shot_point for one in gone if one.source == source]
        named = ", ".join(map(str, points))
        if len(points) > 2:
            named = f"{points[0]} to {points[-1]} by 3"
        assert f"source {source} {named}" in listed.message
    added = line.shots.take(~line.shots.deliver)
    late = [one for one in gone if one.time_us + LENGTH_US > START_US + 5 * FILE_US]
    known = list(zip(added.source.tolist(), added.shot_point.tolist(), strict=True))
    # A shot predicted a little later than it fired may reach past the gap by the prediction only.
    assert {(one.source, one.shot_point) for one in late} <= set(known)
    assert len(known) <= len(late) + 1
    assert not added.live.any()
    by_point = {one.shot_point: one.time_us for one in gone}
    truth = START_NS + (np.array([by_point[p] for p in added.shot_point]) - START_US) * 1000
    assert np.abs(added.fire_time_ns - truth).max() < 300e6
    assert {(f.source, f.shot_point) for f in of("shot_reaches_past_gap", line.findings)} == set(
        known
    )
    assert "not wanted" in dict(check_line(line.line).rows)["not delivered"]


def test_nothing_is_listed_without_a_gap_or_for_shots_that_were_skipped(tmp_path: Path) -> None:
    shots = fired()
    kept = [shot for shot in shots if shot.shot_point not in (1020, 1021, 1022)]
    line = opened(write_line(tmp_path, kept, one_set(pulses(kept))))
    assert not of("shots_of_missing_file", line.findings)
    assert line.shots.deliver.all()
    line = opened(write_line(tmp_path, kept, one_set(pulses(kept)), without=(0,)))
    assert not of("shots_of_missing_file", line.findings)


def test_the_last_shot_of_a_source_may_be_in_the_missing_file(tmp_path: Path) -> None:
    shots = [shot for shot in fired() if shot.source != 2 or shot.time_us < START_US + 5 * FILE_US]
    line = opened(write_line(tmp_path, shots, one_set(pulses(shots)), without=(4,)))
    (listed,) = of("shots_of_missing_file", line.findings)
    assert listed.value == pytest.approx(len(lost(shots, 4)), abs=1)


def test_a_log_gives_the_time_of_a_shot_that_reaches_past_the_gap(tmp_path: Path) -> None:
    shots = fired()
    log = "[source_log]\nfiles = ['log.csv']\n[source_log.columns]\n"
    log += "source = 'source'\nshot_point = 'point'\nfire_time = 'time'"
    path = write_line(tmp_path, shots, one_set(pulses(shots)), without=(4,), tables=log)
    text = "source,point,time\n"
    for shot in shots:
        # The clock of the log is 2 s early.
        at_ns = START_NS + (shot.time_us - START_US) * 1000 - 2_000_000_000
        text += f"{shot.source},{shot.shot_point},{format_instant(at_ns, 'gps', 6)}\n"
    (tmp_path / "log.csv").write_text(text)
    line = opened(path)
    added = line.shots.take(~line.shots.deliver)
    assert len(added)
    assert added.live.all()
    by_point = {shot.shot_point: shot.time_us for shot in shots}
    truth = [START_NS + (by_point[p] - START_US) * 1000 for p in added.shot_point.tolist()]
    assert added.fire_time_ns.tolist() == truth
    told = of("shot_reaches_past_gap", line.findings)
    assert {finding.verdict for finding in told} == {"note"}
    assert "A log gives its fire time" in told[0].message
    assert not of("log_time_differs", line.findings)


def test_numbering_that_starts_anew_is_not_guessed(tmp_path: Path) -> None:
    gap_us = START_US + 4 * FILE_US
    shots = [
        shot if shot.time_us < gap_us else replace(shot, shot_point=shot.shot_point - 40)
        for shot in fired()
    ]
    line = opened(write_line(tmp_path, shots, one_set(pulses(shots)), without=(4,)))
    listed = of("shots_of_missing_file", line.findings)
    assert [finding.source for finding in listed] == [1, 2, 3]
    for finding in listed:
        assert finding.value == pytest.approx(
            len([one for one in lost(fired(), 4) if one.source == finding.source]), abs=1
        )
        assert "do not say which" in finding.message
    assert line.shots.deliver.all()
