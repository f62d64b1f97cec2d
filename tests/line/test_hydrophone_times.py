"""Absolute times of sources by the hydrophones beside them, and hydrophones that are exchanged."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from deblend.check.verify_samples import held_against_hydrophones
from deblend.line.hydrophone_times import (
    exchanged_hydrophones,
    heard_after_s,
    hydrophone_time_findings,
)
from deblend.line.line_file import read_line_file
from deblend.line.open_line import open_line
from deblend.model.findings import Finding
from deblend.model.shots import Shots, make_shots
from deblend.records.shot_table import write_shots
from deblend.synth.segy_write import write_continuous_segy

INTERVAL_NS = 2_000_000
START_NS = 1_700_000_000_000_000_000
COUNT = 20
LINE = """
[records]
files = ["r.sgy"]
time_scale = "utc"
[shots]
file = "shots.csv"
[separation]
length_s = 1.0
[near_field.channels]
{channels}
[output]
folder = "separated"
"""


def shots_and_hydrophones() -> tuple[Shots, np.ndarray]:
    """Three sources fired within 0.6 s, and a hydrophone each, which hears the others as well."""
    random = np.random.default_rng(5)
    fire_s = 3.0 + 4.0 * np.arange(COUNT)[:, None] + random.uniform(-0.3, 0.3, (COUNT, 3))
    time_s = np.arange(44_000) * 0.002
    record = 0.01 * random.standard_normal((3, time_s.size))
    for source in range(3):
        for at in fire_s[:, source]:
            first = int(at / 0.002)
            late = np.maximum(time_s[first : first + 200] - at - 0.002, 0.0)
            pulse = (late / 0.004) ** 2 * np.exp(-late / 0.004)
            record[:, first : first + 200] += pulse / 30.0
            record[source, first : first + 200] += pulse
    shots = make_shots(
        np.tile([1, 2, 3], COUNT),
        np.repeat(np.arange(COUNT) + 100, 3),
        START_NS + np.rint(fire_s.ravel() * 1e9).astype(np.int64),
        "utc",
    )
    return shots, record.astype(np.float32)


def late(shots: Shots, source: int, late_s: float) -> Shots:
    moved = np.where(shots.source == source, round(late_s * 1e9), 0)
    return replace(shots, fire_time_ns=shots.fire_time_ns - moved)


def looks(folder: Path, shots: Shots, record: np.ndarray, channels: tuple[int, int, int]):
    samples = np.concatenate([0.1 * record[::-1], record])
    write_continuous_segy(
        folder / "r.sgy",
        samples,
        interval_ns=INTERVAL_NS,
        start_ns=START_NS,
        time_scale="utc",
        channel_numbers=range(1, 7),
    )
    write_shots(folder / "shots.csv", shots)
    named = "\n".join(f"{source} = [{number}]" for source, number in enumerate(channels, start=1))
    (folder / "line.toml").write_text(LINE.format(channels=named))
    findings = open_line(read_line_file(folder / "line.toml")).findings
    return [f for f in findings if f.metric.startswith("near_field") and f.verdict != "pass"]


@pytest.mark.parametrize("late_s", [0.0, 0.005, -0.008, 0.02, 0.1, -0.3, 1.0])
def test_a_source_that_is_late_throughout(tmp_path: Path, late_s: float) -> None:
    shots, record = shots_and_hydrophones()
    found = looks(tmp_path, late(shots, 2, late_s), record, (4, 5, 6))
    if late_s == 0.0:
        assert found == []
        return
    (only,) = found
    assert (only.metric, only.source) == ("near_field_time", 2)
    assert only.value == pytest.approx(late_s * 1e3, abs=0.5)
    assert f"ms {'late' if late_s > 0 else 'early'} throughout" in only.message


def test_exchanged_hydrophones_are_one_finding(tmp_path: Path) -> None:
    shots, record = shots_and_hydrophones()
    (only,) = looks(tmp_path, shots, record, (5, 4, 6))
    assert (only.metric, only.verdict) == ("near_field_exchanged", "fail")
    assert "those of source 1 hear source 2, those of source 2 hear source 1" in only.message
    assert "or the source numbers of the shot table" in only.message


def test_all_sources_late_alike() -> None:
    found = hydrophone_time_findings(np.array([0.051, 0.05, 0.052]), (1, 2, 3), 0.0)
    assert [f.verdict for f in found] == ["look"] * 3
    assert "pulse_delay_ms in [shots]" in found[0].message
    stated = hydrophone_time_findings(np.array([0.051, 0.05, 0.052]), (1, 2, 3), 0.05)
    assert [f.verdict for f in stated] == ["pass"] * 3


def test_two_sources_are_held_against_the_table() -> None:
    one, two = hydrophone_time_findings(np.array([0.302, 0.002]), (1, 2), 0.0)
    assert (one.verdict, two.verdict) == ("look", "pass")
    assert one.value == pytest.approx(300.0)


def test_nothing_heard() -> None:
    record = np.random.default_rng(1).standard_normal((1, 40_000)).astype(np.float32)
    fire = START_NS + np.arange(10) * 4_000_000_000 + 3_000_000_000
    after = heard_after_s(record, fire, start_ns=START_NS, interval_ns=INTERVAL_NS)
    assert np.isnan(after[0])
    assert hydrophone_time_findings(np.array([np.nan]), (1,), 0.0) == []
    assert exchanged_hydrophones(np.array([[0.0, 0.0], [0.0, 0.0]]), (1, 2)) is None


def test_what_hydrophones_say_of_a_source_that_arrives_late() -> None:
    arrivals = Finding("source_offset", 20.0, "ms", "look", "Source 2 is late.", source=2)
    for heard_ms, words in (
        (19.0, "the fire times are wrong"),
        (1.0, "positions are wrong"),
        (80.0, "it is +80.0 ms late"),
    ):
        heard = Finding("near_field_time", heard_ms, "ms", "look", "", source=2)
        (told,) = held_against_hydrophones([arrivals], [heard])
        assert words in told.message
    logged = Finding("log_source_offset", 19.0, "ms", "look", "", source=2)
    (told,) = held_against_hydrophones([arrivals], [logged])
    assert "The log has it +19.0 ms from the table: the table is wrong." in told.message
    assert held_against_hydrophones([arrivals], []) == [arrivals]
