import tomllib
from dataclasses import replace

import numpy as np
import pytest

from deblend.blending.operator import make_operator
from deblend.errors import InputError, OutputError
from deblend.records.segd.open import read_segd_shots
from deblend.records.shot_table import read_shots
from deblend.synth.acquisition import true_shots
from deblend.synth.build import build_line
from deblend.synth.demo_line import demo_design
from deblend.synth.line import MadeLine
from deblend.synth.write import line_file_text, read_noise_rms, read_truth, truth_path, write_line


@pytest.fixture(scope="module")
def line() -> MadeLine:
    return build_line(demo_design())


@pytest.fixture(scope="module")
def folder(line: MadeLine, tmp_path_factory: pytest.TempPathFactory):
    where = tmp_path_factory.mktemp("demo") / "line"
    write_line(line, where, record_format="segd")
    return where


def test_four_sources_overlap_in_time(line: MadeLine) -> None:
    assert len(line.shots.sources) == 4
    for source in line.shots.sources:
        assert len(line.truth[source]) == 64
    between = np.diff(np.sort(line.shots.fire_time_ns)) * 1e-9
    assert between.mean() < line.length_s / 2
    assert line.recording.interval_s == 0.004


def test_the_record_is_the_blend_of_the_truth_and_the_noise(line: MadeLine) -> None:
    operator = make_operator(
        line.shots,
        start_ns=line.recording.start_ns,
        interval_ns=line.recording.interval_ns,
        sample_count=line.recording.shape[1],
        length=line.gathers.shape[2],
        dtype=np.float64,
    )
    record = line.recording.read([5], 0, line.recording.shape[1])
    rest = record - operator.blend(line.gathers[:, 5:6].astype(np.float64))
    # Two independent noises: the rms of one channel lies near that of the line.
    assert np.sqrt(np.mean(rest**2)) == pytest.approx(line.total_noise_rms, rel=0.3)


def test_same_seed_same_line_other_seed_other_dither(line: MadeLine) -> None:
    again, other = build_line(demo_design()), true_shots(demo_design().acquisition, 1)
    assert np.array_equal(again.shots.fire_time_ns, line.shots.fire_time_ns)
    assert np.array_equal(again.recording.read([0], 0, 5000), line.recording.read([0], 0, 5000))
    assert not np.array_equal(other.shots.fire_time_ns, line.shots.fire_time_ns)


def test_truth_and_shots_come_back_from_disk(line: MadeLine, folder) -> None:
    shots = read_shots(folder / "shots.csv", time_scale="gps")
    assert np.array_equal(shots.fire_time_ns, line.shots.fire_time_ns)
    assert np.array_equal(shots.x_m, line.shots.x_m)
    assert np.array_equal(read_truth(folder / "truth", shots), line.gathers)
    assert read_noise_rms(folder / "truth") == pytest.approx(line.total_noise_rms)


def test_the_record_comes_back_from_disk(line: MadeLine, folder) -> None:
    records = pytest.importorskip("deblend.records.open", reason="the reader is not there yet")
    back = records.open_recording([folder / "records" / "*.segd"], time_scale="gps")
    assert back.start_ns == line.recording.start_ns
    assert back.shape == line.recording.shape
    stop = back.shape[1]
    assert np.array_equal(back.read([0, 27], 0, stop), line.recording.read([0, 27], 0, stop))


def test_source_events_say_what_the_table_says(line: MadeLine, folder) -> None:
    events = read_segd_shots(folder / "records" / "*.segd", time_scale="gps")
    table = read_shots(folder / "shots.csv", time_scale="gps")
    for name, column in table.columns():
        if name == "sequence":
            continue  # SEG-D has no word for it
        np.testing.assert_array_equal(getattr(events, name), column, err_msg=name)
    assert "shots" not in tomllib.loads((folder / "line.toml").read_text())


def test_a_misfire_keeps_the_table_in_the_line_file(line: MadeLine) -> None:
    missed = line.shots.with_flags(live=np.arange(len(line.shots)) != 7)
    assert 'file = "shots.csv"' in line_file_text(replace(line, shots=missed), "segd")
    assert 'file = "shots.csv"' in line_file_text(line, "segy")


def test_the_line_file_is_accepted(folder) -> None:
    reader = pytest.importorskip("deblend.line.line_file", reason="the reader is not there yet")
    keys = reader.read_line_file(folder / "line.toml").keys
    assert keys.separation.length_s == 3.1
    assert keys.geometry.nearest_offset_m == 165.0
    assert keys.truth.folder == "truth"


def test_a_full_folder_is_refused(line: MadeLine, folder) -> None:
    with pytest.raises(OutputError, match="is not empty"):
        write_line(line, folder)


def test_missing_truth_is_named(folder, tmp_path) -> None:
    shots = read_shots(folder / "shots.csv", time_scale="gps")
    with pytest.raises(InputError, match=r"source-1\.npy: the true gathers cannot be read"):
        read_truth(tmp_path, shots)


def test_truth_of_another_line_is_refused(folder, tmp_path) -> None:
    shots = read_shots(folder / "shots.csv", time_scale="gps")
    for source in shots.sources:
        np.save(truth_path(tmp_path, source), np.zeros((3, 2, 10), np.float32))
    with pytest.raises(InputError, match=r"shape \(3, 2, 10\)"):
        read_truth(tmp_path, shots)
