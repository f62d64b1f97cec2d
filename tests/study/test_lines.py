"""Lines of a study: gathers of arrays and files, fire times and delays of one's own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import deblend
from deblend.errors import InputError, SettingsError
from deblend.model.gathers import make_gathers
from deblend.study.array_scene import array_scene, read_array_scene
from deblend.study.content import content_of
from deblend.study.kept import keep_files, run_of
from deblend.study.keys import BlendTable, NoiseTable, SceneTable
from deblend.study.lines import make_line
from deblend.study.study import Study, StudyMethod, read_study

NO_NOISE = NoiseTable(label="none")
GATHERS = np.random.default_rng(1).standard_normal((2, 5, 3, 100)).astype(np.float32)
FIRED = BlendTable(label="b", interval_s=1.0, dither_s=0.2)


def test_arrays_are_blended_and_are_the_truth() -> None:
    line = make_line(array_scene("mine", GATHERS, 0.004), FIRED, NO_NOISE, 3, Path())
    assert line.shots.sources == (1, 2)
    assert np.array_equal(line.truth[2], GATHERS[1])
    operator = deblend.operator_of(line.recording, line.shots, line.length_s)
    record = line.recording.read(range(3), 0, line.recording.shape[1])
    assert np.allclose(operator @ line.gathers, record, atol=1e-5)
    other = make_line(array_scene("mine", GATHERS, 0.004), FIRED, NO_NOISE, 4, Path())
    assert not np.array_equal(other.shots.fire_time_ns, line.shots.fire_time_ns)


def test_labelled_gathers_and_files_give_the_same_line(tmp_path: Path) -> None:
    plain = array_scene("mine", GATHERS, 0.004)
    fired = np.arange(10) * 10**9
    shots = deblend.make_shots(np.tile([1, 2], 5), np.arange(10), fired, "utc")
    amplitude = np.zeros((10, 3, 100), np.float32)
    for number in (1, 2):
        amplitude[shots.rows_of(number)] = GATHERS[number - 1]
    labelled = make_gathers(amplitude, shots, np.arange(3), 0.004, kind="truth", live=shots.live)
    labelled.to_netcdf(tmp_path / "g.nc")
    np.save(tmp_path / "g.npy", GATHERS)
    tables = [
        SceneTable(name="mine", gathers_file="g.nc"),
        SceneTable(name="mine", gathers_file="g.npy", sample_interval_s=0.004),
    ]
    for scene in (array_scene("mine", labelled), *(read_array_scene(t, tmp_path) for t in tables)):
        assert (scene.digests, scene.interval_ns) == (plain.digests, plain.interval_ns)
    (tmp_path / "study.toml").write_text(
        'name = "s"\nseeds = [0]\n[[scenes]]\nname = "mine"\ngathers_file = "g.nc"\n'
        '[[methods]]\nmethod = "fk"\n[[blends]]\nlabel = "b"\ninterval_s = 1.0\n'
    )
    assert read_study(tmp_path / "study.toml").scenes[0].digests == plain.digests


@pytest.mark.parametrize(
    ("gathers", "interval_s", "message"),
    [
        (GATHERS[0, 0], 0.004, r"shape \(3, 100\).*\(source, shot, channel, time\)"),
        (GATHERS * np.nan, 0.004, "NaN or infinite"),
        (GATHERS, None, "the sample interval is not known"),
    ],
)
def test_what_is_no_scene_is_refused(gathers, interval_s, message: str) -> None:
    with pytest.raises(InputError, match=message):
        array_scene("mine", gathers, interval_s)


def test_fire_times_of_ones_own(tmp_path: Path) -> None:
    seconds = {1: [0.0, 4.25, 9.5], 2: [0.125, 5.0, 9.0]}
    rows = [
        f"{source},{k},2020-01-01T00:00:{second:06.3f}"
        for source, some in seconds.items()
        for k, second in enumerate(some, start=1)
    ]
    (tmp_path / "shots.csv").write_text("source,shot_point,fire_time\n" + "\n".join(rows) + "\n")
    blend = BlendTable(label="own", fire_times_file="shots.csv", sources=2)
    line = make_line(SceneTable(name="three-sources"), blend, NO_NOISE, 0, tmp_path)
    for source, some in seconds.items():
        fired = line.shots.fire_time_ns[line.shots.rows_of(source)]
        assert (fired - line.shots.fire_time_ns.min()).tolist() == [round(s * 1e9) for s in some]
    arrays = array_scene("mine", GATHERS, 0.004)
    table = BlendTable(label="own", fire_times_file="shots.csv")
    assert len(make_line(arrays, table, NO_NOISE, 0, tmp_path).shots) == 6
    with pytest.raises(SettingsError, match=r"the table has 2 sources of 3 shots each.*3 sources"):
        make_line(SceneTable(name="three-sources"), table, NO_NOISE, 0, tmp_path)
    both = BlendTable(label="own", fire_times_file="shots.csv", dither_s=0.1)
    with pytest.raises(SettingsError, match="a table of fire times and dither_s beside it"):
        make_line(arrays, both, NO_NOISE, 0, tmp_path)
    with pytest.raises(SettingsError, match="does not say when gathers of arrays fire"):
        make_line(arrays, BlendTable(label="none"), NO_NOISE, 0, tmp_path)


def test_delays_of_ones_own(tmp_path: Path) -> None:
    delay_ms = [[0, 250, 100, 30], [5, 0, 400, 200]]
    rows = [f"{k},{s + 1},{ms}" for s in range(2) for k, ms in enumerate(delay_ms[s])]
    (tmp_path / "delays.csv").write_text("shot_point,source,delay_ms\n" + "\n".join(rows) + "\n")
    blend = BlendTable(label="own", delays_file="delays.csv", interval_s=5.0)
    line = make_line(SceneTable(name="two-sources"), blend, NO_NOISE, 0, tmp_path)
    for source in (1, 2):
        fired = line.shots.fire_time_ns[line.shots.rows_of(source)]
        wanted = np.arange(4) * 5000 + np.array(delay_ms[source - 1])
        assert ((fired - line.shots.fire_time_ns.min()) // 10**6).tolist() == wanted.tolist()


def test_arrays_and_tables_are_kept_for_repeating(tmp_path: Path) -> None:
    rows = [f"{s},{k},2020-01-01T00:00:{5 * k:02d}.{s}" for k in (1, 2, 3, 4, 5) for s in (1, 2)]
    (tmp_path / "shots.csv").write_text("source,shot_point,fire_time\n" + "\n".join(rows) + "\n")
    study = Study(
        "s",
        [array_scene("mine", GATHERS, 0.004)],
        [StudyMethod("fk", "fk")],
        [0],
        [BlendTable(label="own", fire_times_file="shots.csv")],
        folder=tmp_path,
    )
    (run,) = study.runs()
    one = content_of(run, tmp_path)
    keep_files(study, [one], tmp_path / "out")
    kept = tmp_path / "out" / "kept"
    row = {"scene": "mine", "size": "small", "blend": "own", "noise": "n", "method": "fk"}
    again = run_of(row | {"key": one.key, "seed": 0, "iterations": 60}, one.entries, kept, kept)
    assert content_of(again, kept).entries == one.entries
    before = make_line(run.scene, run.blend, run.noise, 0, tmp_path)
    (tmp_path / "shots.csv").unlink()
    after = make_line(again.scene, again.blend, again.noise, 0, kept)
    assert np.array_equal(before.recording.read([0], 0, 900), after.recording.read([0], 0, 900))
