from pathlib import Path

import numpy as np
import pytest
import segyio
from click.testing import CliRunner
from scipy import sparse

from deblend.cli.blend import blend
from deblend.errors import RecordError, SettingsError, ShotTableError
from deblend.records.open import open_recording
from deblend.records.segy.gathers import open_trace_file
from deblend.records.shot_table import read_shots
from deblend.synth.blend_file import read_blend_plan
from deblend.synth.blend_line import blend_gathers
from deblend.synth.write import read_noise_rms, read_truth

ROOT = Path(__file__).parents[2]
REAL_SHOTS = ROOT / "tests" / "data" / "north-sea-two-shots.sgy"

PLAN = """
name = "test"
time_scale = "utc"
[[sources]]
source = 1
files = ["one.sgy"]
[[sources]]
source = 2
files = ["two.sgy"]
[firing]
interval_s = 1.0
dither_s = 0.2
[output]
folder = "out"
"""


def write_gathers(path: Path, shot_points, channels=(1, 2, 3), samples=100, us=4000, seed=0):
    """Gathers written with segyio, an independent writer; smooth in time, fading at both ends."""
    random = np.random.default_rng(seed)
    spec = segyio.spec()
    spec.format, spec.samples = 5, np.arange(samples) * us / 1000
    spec.tracecount = len(shot_points) * len(channels)
    kernel, fade = np.hanning(9), np.hanning(samples)
    written = np.zeros((len(shot_points), len(channels), samples), np.float32)
    with segyio.create(path, spec) as file:
        file.bin.update(hdt=us, hns=samples)
        for k in range(spec.tracecount):
            shot, channel = divmod(k, len(channels))
            trace = np.convolve(random.standard_normal(samples), kernel, "same") * fade
            written[shot, channel] = trace
            file.trace[k] = written[shot, channel]
            file.header[k] = {
                segyio.TraceField.EnergySourcePoint: shot_points[shot],
                segyio.TraceField.TraceNumber: channels[channel],
                segyio.TraceField.FieldRecord: 7 + shot % 2,
            }
    return written


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_gathers(tmp_path / "one.sgy", range(101, 109), seed=1)
    write_gathers(tmp_path / "two.sgy", range(501, 507), seed=2)
    (tmp_path / "plan.toml").write_text(PLAN)
    return tmp_path


def changed(folder: Path, old: str, new: str) -> Path:
    assert old in PLAN
    path = folder / "changed.toml"
    path.write_text(PLAN.replace(old, new))
    return path


def line_of(path: Path):
    return blend_gathers(read_blend_plan(path), path.parent)


def test_traces_are_read_as_segyio_wrote_them(folder: Path) -> None:
    traces = open_trace_file(folder / "one.sgy", ["source_point"])
    with segyio.open(folder / "one.sgy", ignore_geometry=True) as file:
        assert np.array_equal(traces.read(np.arange(24)), file.trace.raw[:])
        assert traces.words["source_point"].tolist() == list(file.attributes(17)[:])
    assert traces.interval_ns == 4_000_000


def test_the_blend_agrees_with_an_explicit_sparse_matrix(folder: Path) -> None:
    """Fractional delays by a dense phase ramp per shot, added up by a scipy.sparse matrix."""
    line = line_of(folder / "plan.toml")
    truth = line.gathers.astype(np.float64)
    start, interval = line.recording.start_ns, line.recording.interval_ns
    whole, rest = np.divmod(line.shots.fire_time_ns - start, interval)
    pad, length = 256, 100 + 512
    frequency = np.fft.rfftfreq(length)
    padded = np.pad(truth, ((0, 0), (0, 0), (pad, pad)))
    ramp = np.exp(-2j * np.pi * frequency * (rest / interval)[:, None, None])
    delayed = np.fft.irfft(np.fft.rfft(padded) * ramp, length)
    row = np.concatenate([first - pad + np.arange(length) for first in whole])
    column = np.arange(len(row))
    inside = (row >= 0) & (row < line.recording.shape[1])
    matrix = sparse.csr_matrix(
        (np.ones(inside.sum()), (row[inside], column[inside])),
        shape=(line.recording.shape[1], len(row)),
    )
    expected = (matrix @ delayed.transpose(0, 2, 1).reshape(-1, 3)).T
    record = line.recording.read([0, 1, 2], 0, line.recording.shape[1])
    assert np.abs(record - expected).max() < 1e-4 * np.abs(expected).max()


def test_every_shot_of_every_source_fires_within_its_dither(folder: Path) -> None:
    line = line_of(folder / "plan.toml")
    assert [len(line.truth[source]) for source in (1, 2)] == [8, 6]
    start = np.int64(946_684_800) * 10**9
    for source in (1, 2):
        rows = line.shots.rows_of(source)
        nominal = np.arange(len(rows)) * 10**9
        assert np.abs(line.shots.fire_time_ns[rows] - start - nominal).max() <= 200_000_000
    assert line.noise_rms is None
    assert line.total_noise_rms is None


def test_the_command_writes_a_line_that_reads_back(folder: Path) -> None:
    result = CliRunner().invoke(blend, [str(folder / "plan.toml")])
    assert result.exit_code == 0, result.output
    assert "2 sources blended numerically" in result.output
    line, out = line_of(folder / "plan.toml"), folder / "out"
    shots = read_shots(out / "shots.csv", time_scale="utc")
    assert np.array_equal(shots.fire_time_ns, line.shots.fire_time_ns)
    assert np.array_equal(read_truth(out / "truth", shots), line.gathers)
    assert read_noise_rms(out / "truth") is None
    back = open_recording([out / "records" / "*.sgy"], time_scale="utc")
    assert back.shape == line.recording.shape
    assert np.array_equal(back.read([2], 0, 500), line.recording.read([2], 0, 500))


def test_a_second_run_into_the_same_folder_is_refused(folder: Path) -> None:
    (folder / "out").mkdir()
    (folder / "out" / "something").write_text("mine")
    result = CliRunner().invoke(blend, [str(folder / "plan.toml")])
    assert result.exit_code == 2
    assert "is not empty" in result.output
    assert [p.name for p in (folder / "out").iterdir()] == ["something"]


def test_a_table_says_what_fires_when(folder: Path) -> None:
    (folder / "fire.csv").write_text(
        "source,shot_point,fire_time,live\n"
        "2,503,2000-01-01T00:00:01.000000001Z,true\n"
        "1,108,2000-01-01T00:00:01.25Z,true\n"
        "1,104,2000-01-01T00:00:03Z,false\n"
    )
    path = changed(folder, "interval_s = 1.0\ndither_s = 0.2", 'table = "fire.csv"')
    line = line_of(path)
    one = open_trace_file(folder / "one.sgy", ()).read(np.arange(24))
    two = open_trace_file(folder / "two.sgy", ()).read(np.arange(18))
    assert np.array_equal(line.gathers[0], two.reshape(6, 3, -1)[2])
    assert np.array_equal(line.gathers[1], one.reshape(8, 3, -1)[7])
    assert np.all(line.gathers[2] == 0)


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("1,109,2000-01-01T00:00:01Z", r"1 shot of source 1 .* not hold, the first .* 109"),
        ("3,101,2000-01-01T00:00:01Z", "names source 3, for which there are no gathers"),
    ],
)
def test_a_table_that_names_what_is_not_there(folder: Path, row: str, message: str) -> None:
    (folder / "fire.csv").write_text(f"source,shot_point,fire_time\n{row}\n")
    path = changed(folder, "interval_s = 1.0\ndither_s = 0.2", 'table = "fire.csv"')
    with pytest.raises(ShotTableError, match=message):
        line_of(path)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"us": 2000}, "an? sample interval, in ns, of 4000000 and source 2 of 2000000"),
        ({"samples": 90}, "a length, in samples, of 100 and source 2 of 90"),
        ({"channels": (1, 2)}, r"channels of 1 to 3 \(3\) and source 2 of 1 to 2 \(2\)"),
    ],
)
def test_sources_that_do_not_fit_together(folder: Path, changes, message: str) -> None:
    write_gathers(folder / "two.sgy", range(501, 507), **changes)
    with pytest.raises(RecordError, match=message):
        line_of(folder / "plan.toml")


def test_files_of_one_source_that_do_not_fit_together(folder: Path) -> None:
    write_gathers(folder / "more.sgy", range(601, 603), samples=120)
    path = changed(folder, '["two.sgy"]', '["two.sgy", "more.sgy"]')
    with pytest.raises(RecordError, match=r"more\.sgy: the file has 120 samples"):
        line_of(path)


def test_two_traces_for_one_place_are_refused(folder: Path) -> None:
    path = changed(folder, '["two.sgy"]', '["two.sgy"]\nshot_word = "field_record"')
    with pytest.raises(RecordError, match="source 2 has 3 traces of shot 7, channel 1"):
        line_of(path)


def test_keep_selects_and_an_empty_selection_is_refused(folder: Path) -> None:
    path = changed(folder, '["two.sgy"]', '["two.sgy"]\nkeep = {field_record = 8}')
    assert line_of(path).shots.shot_point[line_of(path).shots.source == 2].tolist() == [
        502,
        504,
        506,
    ]
    path = changed(folder, '["two.sgy"]', '["two.sgy"]\nkeep = {field_record = 5}')
    with pytest.raises(RecordError, match="no trace is left for source 2 with field_record = 5"):
        line_of(path)


def test_missing_traces_are_zero_and_counted(folder: Path) -> None:
    write_gathers(folder / "more.sgy", (700,), channels=(1, 3))
    line = line_of(changed(folder, '["two.sgy"]', '["two.sgy", "more.sgy"]'))
    assert "1 traces missing" in line.description
    (row,) = np.flatnonzero(line.shots.shot_point == 700)
    assert np.abs(line.gathers[row]).max(axis=1).astype(bool).tolist() == [True, False, True]


def test_not_a_number_is_refused(folder: Path) -> None:
    with segyio.open(folder / "two.sgy", "r+", ignore_geometry=True) as file:
        file.trace[4] = np.full(100, np.nan, np.float32)
    with pytest.raises(RecordError, match="source 2 hold NaN or infinite"):
        line_of(folder / "plan.toml")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("interval_s", "intervall_s", "unknown key 'intervall_s'.*Did you mean 'interval_s'"),
        ("files = [", "flies = [", "unknown key 'flies'.*Did you mean 'files'"),
        ("[output]", "[outputs]", "unknown table \\[outputs\\].*Did you mean 'output'"),
        ("interval_s = 1.0", "interval_s = -1.0", r"interval_s in table \[firing\] is -1\.0 s"),
        ("interval_s = 1.0\n", "", "either an interval or a table"),
        ('name = "test"\n', "", "key 'name' is missing at the top"),
        ("source = 2", "source = 1", "a source is described twice"),
        ("source = 2", 'source = "b"', "some sources are numbers and some are names"),
        ("[firing]", "[firing", "this is no TOML text"),
        ('"test"', '"a/b"', "name .* is 'a/b', .*text that matches"),
    ],
)
def test_plans_that_cannot_be_used(folder: Path, old: str, new: str, message: str) -> None:
    with pytest.raises(SettingsError, match=message):
        read_blend_plan(changed(folder, old, new))


def test_an_unknown_header_word_is_refused(folder: Path) -> None:
    path = changed(folder, '["two.sgy"]', '["two.sgy"]\nshot_word = "chanel"')
    with pytest.raises(SettingsError, match=r"'chanel' of source 2.*Did you mean 'channel'"):
        line_of(path)


def test_a_plan_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="cannot be read"):
        read_blend_plan(tmp_path / "none.toml")


def test_two_recorded_shots_of_the_example() -> None:
    plan = read_blend_plan(ROOT / "examples" / "blend_two_shots.toml")
    line = blend_gathers(plan, REAL_SHOTS.parent)
    assert line.gathers.shape == (240, 1, 600)
    with segyio.open(REAL_SHOTS, ignore_geometry=True, strict=False) as file:
        recorded = file.trace.raw[:]
    assert np.array_equal(line.truth[1][:, 0], recorded[:120])
    assert np.array_equal(line.truth[2][:, 0], recorded[120:])
    delay = np.diff(line.shots.fire_time_ns.reshape(120, 2), axis=1) * 1e-9
    assert delay.max() <= 0.6
