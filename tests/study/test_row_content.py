"""A row stands for its content: each ingredient is changed in turn, and the row is made again."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from deblend.errors import InputError, OutputError, SettingsError
from deblend.files import lock
from deblend.study import content
from deblend.study.child import Child
from deblend.study.compare import run_study
from deblend.study.content import content_of
from deblend.study.kept import keep_files, repeat_row, run_of
from deblend.study.known_rows import StaleRow
from deblend.study.one_run import LineCache, carry_out, first_columns
from deblend.study.results import VARIES, read_results, write_results
from deblend.study.study import Study, StudyMethod, StudyRun, read_study

ROOT = Path(__file__).parents[2]
DATA = ROOT / "tests" / "data"
OWN = """
import numpy as np
from own_helper import FACTOR

def strong(patch, threshold):
    return np.where(np.abs(patch) >= FACTOR * threshold, patch, 0)

def other(patch, threshold):
    return patch
"""
SCENE = """
name = "one event"
length_s = 1.0
[decay]
loss_db = 45.0
first_s = 0.1
last_s = 0.8
[acquisition]
sources = [{ crossline_m = -25.0 }, { crossline_m = 25.0 }]
streamer = { channel_count = 2 }
[acquisition.firing]
order = "near-simultaneous"
interval_s = 1.5
shots_per_source = 4
dither = { range_s = 0.2 }
[[geology]]
piece = "DirectArrival"
"""
STUDY = """
name = "ingredients"
seeds = [0]
iterations = 2
[[scenes]]
name = "{scene}"
{scene_keys}
[[methods]]
method = "{method}"
label = "m"
settings = {{ {settings} }}
{around}
[[blends]]
label = "b"
{blend}
[[noises]]
label = "n"
pieces = [{noise}]
"""


def write_study(folder: Path, **changes: str) -> Study:
    parts = {
        "scene": "one event",
        "scene_keys": 'scene_file = "scene.toml"',
        "method": "own.py:strong",
        "settings": "",
        "around": "",
        "blend": "",
        "noise": "",
    }
    (folder / "study.toml").write_text(STUDY.format(**parts | changes))
    return read_study(folder / "study.toml")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "own.py").write_text(OWN)
    (tmp_path / "own_helper.py").write_text("FACTOR = 1.0\n")
    (tmp_path / "scene.toml").write_text(SCENE)
    shutil.copy(DATA / "north-sea-two-shots.sgy", tmp_path)
    shutil.copy(ROOT / "examples" / "blend_two_shots.toml", tmp_path)
    return tmp_path


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> list[StudyRun]:
    """Runs that were asked for, answered at once."""
    asked: list[StudyRun] = []

    def row(child: Child, run: StudyRun, limit_s: float) -> dict:
        asked.append(run)
        return first_columns(run) | {"status": "done", "start_db": 0.0, "snr_db": float(len(asked))}

    monkeypatch.setattr(Child, "row", row)
    return asked


def edit(folder: Path, name: str, old: str, new: str) -> Study:
    text = (folder / name).read_text()
    assert old in text
    (folder / name).write_text(text.replace(old, new))
    return read_study(folder / "study.toml")


GATHERS = {
    "scene": "recorded",
    "scene_keys": 'gathers_file = "blend_two_shots.toml"',
    "method": "fk",
}
FILED = partial(write_study)
INGREDIENTS: dict[str, tuple[Callable[[Path], Study], Callable[[Path], Study], str]] = {
    "another method": (FILED, partial(FILED, method="own.py:other"), "method"),
    "settings of the method": (
        partial(FILED, method="fk"),
        partial(FILED, method="fk", settings="overlap = 0.25"),
        "settings of the method",
    ),
    "settings around it": (
        FILED,
        partial(FILED, around="robust = false"),
        "settings of the separation",
    ),
    "dither": (FILED, partial(FILED, blend="dither_s = 0.1"), "blend"),
    "order": (FILED, partial(FILED, blend='order = "sequential"'), "blend"),
    "noise": (FILED, partial(FILED, noise='{ piece = "White", level = 0.1 }'), "noise"),
    "scene file": (FILED, partial(edit, name="scene.toml", old="= 1.5", new="= 1.6"), "scene"),
    "own code": (FILED, partial(edit, name="own.py", old=">=", new=">"), "own code"),
    "what own code imports": (
        FILED,
        partial(edit, name="own_helper.py", old="1.0", new="2.0"),
        "own code",
    ),
    "plan of gathers": (
        partial(FILED, **GATHERS),
        partial(edit, name="blend_two_shots.toml", old="interval_s = 3.0", new="interval_s = 3.1"),
        "scene",
    ),
}


@pytest.mark.parametrize("name", INGREDIENTS)
def test_what_changed_under_a_label_is_named_and_run_again(
    name: str, folder: Path, made: list[StudyRun]
) -> None:
    before, after, words = INGREDIENTS[name]
    results = folder / "out" / "results.parquet"
    stale: list[StaleRow] = []
    study = before(folder)
    (first,) = run_study(study, results)
    assert run_study(study, results, on_stale=stale.extend) == [first]
    assert (len(made), stale) == (1, [])
    (second,) = run_study(after(folder), results, on_stale=stale.extend)
    assert len(made) == 2
    assert (second["snr_db"], second["key"] != first["key"]) == (2.0, True)
    assert [one.changed for one in stale] == [(words,)]
    assert read_results(results) == [second]


def test_samples_of_gathers_count(folder: Path, made: list[StudyRun]) -> None:
    results = folder / "out" / "results.parquet"
    study = write_study(folder, **GATHERS)
    run_study(study, results)
    path = folder / "north-sea-two-shots.sgy"
    content = bytearray(path.read_bytes())
    content[-1] ^= 1
    path.write_bytes(content)
    run_study(study, results)
    assert len(made) == 2


@pytest.mark.parametrize("part", list(content.SOURCES))
def test_code_of_this_package_counts(
    part: str, folder: Path, made: list[StudyRun], monkeypatch: pytest.MonkeyPatch
) -> None:
    study, stale = write_study(folder), []
    results = folder / "out" / "results.parquet"
    run_study(study, results)
    monkeypatch.setitem(content.SOURCES, part, (*content.SOURCES[part], "words.py"))
    run_study(study, results, on_stale=stale.extend)
    assert [one.changed for one in stale] == [(content.WORDS[part],)]
    assert len(made) == 2


def test_every_part_that_a_row_depends_on_is_there() -> None:
    parts = {part for some in content.SOURCES.values() for part in some}
    assert parts >= {"synth", "separation", "blending", "qc/scores.py", "study/scores.py"}


def test_version_of_a_package_counts(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    import scipy.ndimage

    run = next(iter(study_with(scipy.ndimage.gaussian_filter).runs()))
    before = content_of(run, tmp_path)
    assert before.entries["packages"]["scipy"]
    monkeypatch.setattr(content, "version", lambda name: "0.0.1")
    now = content_of(run, tmp_path)
    assert content.changed_entries(before.entries, now.entries) == [content.WORDS["packages"]]


def study_with(method: Callable) -> Study:
    from deblend.study.keys import SceneTable

    return Study("s", [SceneTable(name="two-sources")], [StudyMethod("m", method)], [0])


def test_functions_of_a_notebook_count_with_what_they_use(tmp_path: Path) -> None:
    def content_with(text: str) -> dict:
        space: dict = {"__name__": "__main__", "np": np}
        exec(text, space)
        return content_of(next(iter(study_with(space["rule"]).runs())), tmp_path).entries

    text = "FACTOR = {}\ndef rule(patch, threshold):\n    return patch * FACTOR\n"
    assert content_with(text.format(1.0)) == content_with(text.format(1.0))
    assert content_with(text.format(1.0)) != content_with(text.format(2.0))
    assert content_with(text.format(1.0)) != content_with(text.format(1.0).replace("*", "+"))


def test_another_label_is_no_reason_to_run_again(folder: Path, made: list[StudyRun]) -> None:
    results = folder / "out" / "results.parquet"
    (first,) = run_study(write_study(folder), results)
    edit(folder, "study.toml", 'label = "m"', 'label = "mine"')
    (second,) = run_study(read_study(folder / "study.toml"), results)
    assert len(made) == 1
    assert second == first | {"method": "mine"}


def test_only_leaves_stale_rows_out(folder: Path, made: list[StudyRun]) -> None:
    text = '[[methods]]\nmethod = "fk"\n[[blends]]'
    write_study(folder)
    results = folder / "out" / "results.parquet"
    run_study(edit(folder, "study.toml", "[[blends]]", text), results)
    study = edit(folder, "own.py", ">=", ">")
    rows = run_study(study, results, only=["fk"])
    assert [row["method"] for row in rows] == ["fk"]
    assert len(read_results(results)) == 2


def test_two_studies_in_one_folder_wait_for_each_other(folder: Path, made: list[StudyRun]) -> None:
    import os

    study, results = write_study(folder), folder / "out" / "results.parquet"
    results.parent.mkdir()
    handle = lock(results.with_name(".results.parquet.lock"), results.parent)
    with pytest.raises(OutputError, match=r"another run is at work in this folder \(process \d+"):
        run_study(study, results)
    os.close(handle)
    assert len(run_study(study, results)) == 1
    assert not results.with_name(".results.parquet.lock").exists()


def test_recorded_gathers_are_found_again_in_the_folder(folder: Path) -> None:
    (run,) = write_study(folder, **GATHERS).runs()
    one = content_of(run, folder)
    keep_files(study_with(run.method.choice), [one], folder / "out")
    record = LineCache(folder).line(run)[0].recording
    row = first_columns(run) | {"key": one.key}
    kept = folder / "out" / "kept"
    (folder / "north-sea-two-shots.sgy").unlink()
    again = LineCache(kept).line(run_of(row, one.entries, kept, kept))[0].recording
    whole = range(record.shape[0]), 0, record.shape[1]
    assert np.array_equal(record.read(*whole), again.read(*whole))


def test_a_row_is_made_again_from_its_folder_alone(folder: Path) -> None:
    study = write_study(folder)
    (run,) = study.runs()
    one = content_of(run, folder)
    out = folder / "out"
    keep_files(study, [one], out)
    assert (out / "study.toml").read_bytes() == (folder / "study.toml").read_bytes()
    row = carry_out(run, LineCache(folder), lambda phase: None, warm=False)
    row |= {"key": one.key, "content": one.text}
    for path in folder.iterdir():
        if path.is_file():
            path.unlink()
    kept = out / "kept"
    code = kept / content.code_folder(one.entries["own_code"])
    again_run = run_of(row, one.entries, kept, code)
    again = carry_out(again_run, LineCache(kept), lambda phase: None, warm=False)
    assert row["status"] == "done"
    same = {name for name in again if name not in VARIES}
    assert [repr(again[name]) for name in same] == [repr(row[name]) for name in same]


def test_the_command_repeats_a_row(folder: Path, made: list[StudyRun]) -> None:
    from click.testing import CliRunner

    from deblend.cli.main import main

    (row,) = run_study(write_study(folder), folder / "out" / "results.parquet")
    asked = ["compare", "--out", str(folder / "out"), "--repeat", row["key"][:8]]
    shown = CliRunner().invoke(main, asked)
    assert shown.exit_code == 1, shown.output
    assert shown.output == "snr_db: 1.0 in the results, 2.0 now\n"


def test_keys_that_no_row_or_several_have_are_refused(folder: Path, made: list[StudyRun]) -> None:
    out = folder / "out"
    run_study(write_study(folder), out / "results.parquet")
    with pytest.raises(InputError, match="no rows have a key that begins with 'x'"):
        repeat_row(out, "x")


def test_a_method_without_a_file_cannot_be_repeated(folder: Path, made: list[StudyRun]) -> None:
    def of_no_file(patch, threshold):
        return patch

    out = folder / "out"
    (row,) = run_study(study_with(of_no_file), out / "results.parquet")
    with pytest.raises(SettingsError, match="of_no_file stands in no file"):
        repeat_row(out, row["key"])


def test_results_of_others_start_no_program(folder: Path, made: list[StudyRun]) -> None:
    out = folder / "out"
    (row,) = run_study(write_study(folder, method="fk"), out / "results.parquet")
    bad = '{"object": {"module": "subprocess", "name": "Popen"}, "fields": {"args": "true"}}'
    row["content"] = row["content"].replace('"method": "fk"', f'"method": {bad}')
    write_results(out / "results.parquet", [row])
    with pytest.raises(SettingsError, match="Popen is no dataclass"):
        repeat_row(out, row["key"])


def test_the_status_says_that_a_run_failed(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from click.testing import CliRunner

    from deblend.cli.main import main
    from deblend.study.one_run import failed

    monkeypatch.setattr(
        Child, "row", lambda _, run, limit: first_columns(run) | failed(ValueError("no"))
    )
    write_study(folder)
    out = str(folder / "out")
    shown = CliRunner().invoke(main, ["compare", str(folder / "study.toml"), "--out", out])
    assert shown.exit_code == 1, shown.output
    assert "1 run of 1 is not done" in shown.output
    assert "ValueError: no" in shown.stderr
