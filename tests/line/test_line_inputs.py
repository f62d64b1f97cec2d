"""What comes with the records of a line: hydrophones, noise, navigation times, drifting clocks."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from deblend.check.check import Check, check_line
from deblend.errors import NavigationError, RecordError, SettingsError
from deblend.line.line_file import read_line_file
from deblend.line.open_line import OpenLine, open_line
from deblend.model.timebase import parse_instant
from deblend.run.pipeline import run_line
from deblend.synth.segy_write import write_continuous_segy

START_NS = parse_instant("2024-06-01T12:00:18.000", "gps")
INTERVAL_NS = 4_000_000
SHOTS = 24
SLICE = 3000
FILES = 6
NAVIGATION = Path(__file__).parents[1] / "records" / "navigation"
LINE = """
[records]
files = ["records/*.sgy"]
time_scale = "gps"
{records}
[shots]
{shots}
[separation]
length_s = 1.0
iterations = 2
[separation.settings]
patch = [8, 1, 16]
[output]
folder = "separated"
"""


def write_records(folder: Path, samples: np.ndarray, parts: float = 0.0, name: str = "r") -> None:
    folder.mkdir(exist_ok=True)
    for number, first in enumerate(range(0, samples.shape[1], SLICE)):
        write_continuous_segy(
            folder / f"{name}{number}.sgy",
            samples[:, first : first + SLICE],
            interval_ns=INTERVAL_NS,
            start_ns=START_NS + round(first * INTERVAL_NS * (1.0 + parts)),
            time_scale="gps",
            channel_numbers=range(1, len(samples) + 1),
        )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Noise on four channels, and a hydrophone beside the one source on channel 5."""
    random = np.random.default_rng(8)
    samples = random.standard_normal((5, FILES * SLICE)).astype(np.float32)
    fire_s = 1.0 + 2.9 * np.arange(SHOTS) + random.uniform(-0.2, 0.2, SHOTS)
    time_s = np.arange(samples.shape[1]) * 0.004
    for number, at in enumerate((*fire_s, 40.2)):
        if number != 9:
            late = np.clip(time_s - at, 0.0, None)
            samples[4] += 900.0 * ((late / 0.01) ** 2 * np.exp(-late / 0.01)).astype(np.float32)
    write_records(tmp_path / "records", samples)
    begin = np.datetime64("2024-06-01T12:00:18", "ns")
    rows = [f"1,{100 + k},{begin + np.timedelta64(round(at * 1e9))}" for k, at in enumerate(fire_s)]
    table = "\n".join(["source,shot_point,fire_time", *map(str, rows)])
    (tmp_path / "shots.csv").write_text(table + "\n")
    return tmp_path


def write_line(
    folder: Path, more: str = "", *, records: str = "", shots: str = 'file = "shots.csv"'
) -> None:
    (folder / "line.toml").write_text(LINE.format(records=records, shots=shots) + more)


def opened(folder: Path) -> OpenLine:
    return open_line(read_line_file(folder / "line.toml"))


def checked(folder: Path) -> Check:
    return check_line(read_line_file(folder / "line.toml"), with_samples=True)


def metrics(result: OpenLine | Check) -> list[str]:
    return [finding.metric for finding in result.findings]


def test_near_field_channels_of_the_records(folder: Path) -> None:
    write_line(folder, '[near_field.channels]\n"1" = [5]\n')
    line = opened(folder)
    assert line.recording.channel_numbers.tolist() == [1, 2, 3, 4]
    assert line.recording.read([3], 0, 10).shape == (1, 10)
    assert np.flatnonzero(~line.shots.live).tolist() == [9]
    assert len(line.shots) == SHOTS + 1
    assert not line.shots.deliver[-1]
    seconds = (line.shots.fire_time_ns[-1] - START_NS) * 1e-9
    assert seconds == pytest.approx(40.2, abs=0.004)
    states = [name for name in metrics(line) if name.startswith("near_field")]
    assert states == ["near_field_time", "near_field_misfired", "near_field_autofire"]


def test_near_field_records_of_their_own(folder: Path) -> None:
    (folder / "beside").mkdir()
    for path in (folder / "records").iterdir():
        shutil.copy(path, folder / "beside")
    write_line(folder, '[near_field]\nfiles = ["beside/*.sgy"]\nchannels = { 1 = [5] }\n')
    line = opened(folder)
    assert line.recording.shape[0] == 5
    assert np.flatnonzero(~line.shots.live).tolist() == [9]


@pytest.mark.parametrize(
    ("channels", "message"),
    [
        ("{ 1 = [6] }", "no channel 6"),
        ("{ 2 = [5] }", "source '2', which is not in the shot table"),
        ("{ 1 = [] }", "source '1': none"),
        ("{ 1 = [1, 2, 3, 4, 5] }", "all channels of the record are near-field"),
    ],
)
def test_near_field_channels_that_are_refused(folder: Path, channels: str, message: str) -> None:
    write_line(folder, f"[near_field]\nchannels = {channels}\n")
    with pytest.raises(SettingsError, match=message):
        opened(folder)


def test_external_headers_of_segy_are_refused(folder: Path) -> None:
    write_line(folder, '[external_header.fields]\nsource = "1 text"\nshot_point = "2 text"\n')
    with pytest.raises(SettingsError, match="no SEG-D and have no external header"):
        opened(folder)


def test_noise_records(folder: Path) -> None:
    random = np.random.default_rng(3)
    quiet = 0.5 * random.standard_normal((5, SLICE)).astype(np.float32)
    write_records(folder / "noise", quiet)
    write_line(folder, '[noise]\nfiles = ["noise/*.sgy"]\n')
    rows = [f for f in checked(folder).findings if f.metric == "noise_rms"]
    assert "12.0 s" in rows[0].message
    assert np.sqrt(sum(row.value**2 for row in rows)) == pytest.approx(0.5, rel=0.1)

    write_records(folder / "noise", quiet[:3])
    with pytest.raises(RecordError, match="the noise records have no channel 4"):
        checked(folder)


def test_fire_times_of_navigation(folder: Path) -> None:
    shutil.copy(NAVIGATION / "example.p111", folder / "line.p111")
    shutil.copy(NAVIGATION / "example.p190", folder / "line.p190")
    write_line(folder, shots='navigation = "line.p111"')
    line = opened(folder)
    # Shot 5060 fired at 12:00:03.512345 UTC, 18 s later by GPS.
    first = np.argmin(line.shots.shot_point)
    assert line.shots.fire_time_ns[first] == parse_instant("2024-06-01T12:00:21.512345", "gps")
    assert line.shots.source.tolist()[first] == "G2"
    assert line.line.shots_path == folder / "line.p111"

    plain = (folder / "line.p111").read_text()
    # The same times for all shots but evenly spaced, with the dither beside them: planned times.
    rows = [row for row in plain.splitlines() if not row.startswith(("R1", "S1"))]
    (one,) = [row for row in plain.splitlines() if row.startswith("S1,0,1001,1001,5060")]
    fields = one.split(",")
    dither = np.random.default_rng(1).uniform(-0.3, 0.3, 9)
    for number in range(9):
        time = f"{1401278421.5 + 5.4 * number:.6f}"
        made = [*fields[:4], str(5060 + number), *fields[5:7], time, *fields[8:]]
        rows.append(",".join([*made[:-1], f"{dither[number]:.6f}"]))
    (folder / "planned.p111").write_text("\n".join(rows) + "\n")
    write_line(folder, shots='navigation = "planned.p111"')
    (planned,) = [f for f in opened(folder).findings if f.metric == "dither_in_times"]
    assert planned.verdict == "fail"

    named = '[navigation]\nfiles = ["line.p111"]\nsource_names = { G1 = "1", G2 = "2", G3 = "3" }\n'
    write_line(folder, named, shots='navigation = "line.p111"')
    assert sorted(opened(folder).shots.source.tolist()) == [1, 2, 3]

    write_line(folder, shots='navigation = "line.p190"')
    with pytest.raises(NavigationError, match="time of a shot to the whole second"):
        opened(folder)
    write_line(folder, shots='navigation = "line.p111"\nfile = "shots.csv"')
    with pytest.raises(SettingsError, match="both a file and a navigation file"):
        opened(folder)


def test_drift_is_corrected_only_when_asked(folder: Path) -> None:
    parts = 20e-6
    samples = np.random.default_rng(1).standard_normal((2, FILES * SLICE)).astype(np.float32)
    shutil.rmtree(folder / "records")
    write_records(folder / "records", samples, parts)
    write_line(folder)
    plain = opened(folder)
    assert "record_clock_drift" in metrics(plain)
    assert "drift_corrected" not in metrics(plain)
    write_line(folder, records="correct_drift = true\n")
    moved = opened(folder)
    assert "drift_corrected" in metrics(moved)
    assert "record_clock_drift" not in metrics(moved)
    elapsed = plain.shots.fire_time_ns - START_NS
    difference = moved.shots.fire_time_ns - plain.shots.fire_time_ns
    np.testing.assert_allclose(difference, -elapsed * parts / (1 + parts), atol=30)
    write_line(folder, records="drift_ppm = -20.0\n")
    stated = opened(folder)
    difference = stated.shots.fire_time_ns - plain.shots.fire_time_ns
    np.testing.assert_allclose(difference, -elapsed * parts, atol=30)


def test_a_duplicated_record_is_one_finding(folder: Path) -> None:
    shutil.copy(folder / "records" / "r2.sgy", folder / "records" / "again.sgy")
    write_line(folder)
    line = opened(folder)
    found = [f for f in line.findings if f.verdict == "look" and f.metric != "shots_in_gap"]
    named = [f.metric for f in found if f.metric in ("overlap", "duplicate_record", "gap")]
    assert named == ["duplicate_record"]
    (finding,) = [f for f in found if f.metric == "duplicate_record"]
    assert "r2.sgy" in finding.message
    assert "again.sgy" in finding.message
    assert line.recording.shape[1] == FILES * SLICE
    assert not line.recording.gaps


def test_a_run_says_what_was_done_before_separation(folder: Path) -> None:
    (folder / "beside").mkdir()
    for path in (folder / "records").iterdir():
        shutil.copy(path, folder / "beside")
    near = '[near_field]\nfiles = ["beside/*.sgy"]\nchannels = { 1 = [5] }\n'
    write_line(folder, near, records="low_cut_hz = 3.0\ndrift_ppm = 2.0\n")
    outcome = run_line(read_line_file(folder / "line.toml"))
    manifest = (outcome.folder / "manifest.json").read_text(encoding="utf-8")
    for said in ("drift_corrected", "low_cut", "near_field_misfired", "beside/r0.sgy"):
        assert said in manifest
    text = (outcome.folder / "delivered" / "source-1.sgy").read_bytes()[:3200]
    history = text.decode("cp037" if text[:1] == b"\xc3" else "ascii")
    assert "No gain, other filter" in " ".join(history.split())
