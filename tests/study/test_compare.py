"""A whole study on the smallest lines: every kind of method, stopped and gone on with."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from deblend.cli.main import main
from deblend.errors import InputError, MissingPackageError, SettingsError
from deblend.separation.choose import METHODS
from deblend.separation.own_code import found_method
from deblend.study.compare import run_study
from deblend.study.content import content_of
from deblend.study.keys import BlendTable, SceneTable
from deblend.study.one_run import LineCache, carry_out
from deblend.study.results import COLUMNS, LABELS, VARIES, read_results, write_results
from deblend.study.study import Study, StudyMethod, read_study

HERE = Path(__file__).parent
TINY = BlendTable(label="short line", shots_per_source=6, sources=2)
LIMIT_S = 10.0


def study_of(*methods: StudyMethod, seeds=(0,), **changes) -> Study:
    return Study(
        name="test",
        scenes=(SceneTable(name="three-sources"),),
        methods=methods,
        seeds=seeds,
        blends=(TINY,),
        iterations=2,
        folder=HERE,
        **changes,
    )


FK = StudyMethod("fk", "fk")


def methods_named(names) -> list[StudyMethod]:
    return [StudyMethod(name, found_method(f"broken_methods.py:{name}", HERE)) for name in names]


@pytest.fixture(scope="module")
def rows() -> dict[str, dict]:
    """Rows of methods that leave the process alone, by label."""
    long = StudyMethod("fk, long windows", "fk", {"patch": [16, 1, 64]})
    study = study_of(FK, long, *methods_named(BROKEN))
    shelf, phases = LineCache(HERE), []
    made = [carry_out(run, shelf, phases.append, warm=False) for run in study.runs()]
    assert phases[:3] == ["line", "separate", "score"]
    return {row["method"]: row for row in made}


BROKEN = {
    "raises": ("failed", "a mistake of its own"),
    "nan": ("diverged", "finite"),
    "other_shape": ("failed", "shape"),
    "doubles": ("diverged", "residual is +"),
    "keeps_strong": ("done", ""),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_method_that_breaks_gets_a_row_and_the_study_goes_on(
    name: str, rows: dict[str, dict]
) -> None:
    status, words = BROKEN[name]
    assert rows[name]["status"] == status, rows[name]["message"]
    assert words in rows[name]["message"]
    assert rows[name]["settings"]
    if name == "raises":
        assert "(broken_methods.py, line 10)" in rows[name]["message"]
        assert 'raise ValueError("a mistake of its own")' in rows[name]["traceback"]
        assert "broken_methods.py:raises" in rows[name]["settings"]


def test_a_row_says_what_was_reached_and_what_it_took(rows: dict[str, dict]) -> None:
    row = rows["fk"]
    assert row["status"] == "done"
    assert row["snr_db"] > row["start_db"]
    assert len(row["snr_window_db"]) == len(row["window_end_s"]) == 6
    assert len(row["snr_octave_db"]) == len(row["octave_end_hz"])
    assert row["leakage_db"] < -3
    assert row["loss_db"] < 0
    assert 0 < row["seconds"] < 60
    assert row["peak_mib"] > 50
    assert row["fold"] > 1
    assert 0.1 < row["dither_s"] < 0.35
    assert row["noise_percent"] == 0
    assert (row["sources"], row["shots"]) == (2, 12)
    assert '"numpy"' in row["versions"]
    assert "(16, 1, 64)" in rows["fk, long windows"]["settings"]
    assert set(row) | {"key", "content"} == {*COLUMNS, "sample"}


def test_what_stands_around_a_method_can_differ(tmp_path: Path) -> None:
    keys = tmp_path / "study.toml"
    entry = '[[methods]]\nmethod = "fk"\nlabel = "{}"\n{}\n'
    keys.write_text(
        'name = "switches"\nseeds = [0]\niterations = 12\n'
        '[[scenes]]\nname = "swell-and-spikes"\n'
        '[[blends]]\nlabel = "short"\nshots_per_source = 6\nsources = 2\n'
        + entry.format("default", "")
        + entry.format("least squares", "robust = false")
        + entry.format("returned", "return_leakage = true\nrobust = false")
        + entry.format("refined", "refine_times = true\nrobust = false")
    )
    study, shelf = read_study(keys), LineCache(tmp_path)
    around = [method.separation for method in study.methods]
    assert [(s.robust, s.refine_times, s.return_leakage) for s in around] == [
        (True, False, False),
        (False, False, False),
        (False, False, True),
        (False, True, False),
    ]
    rows = {run.method.label: carry_out(run, shelf, print, warm=False) for run in study.runs()}
    settings = {label: json.loads(row["settings"]) for label, row in rows.items()}
    assert settings["default"]["robust"]
    assert not settings["least squares"]["robust"]
    assert settings["returned"]["return_leakage"]
    assert settings["refined"]["refine_times"]
    scores = {label: row["snr_db"] for label, row in rows.items()}
    assert scores["default"] != scores["least squares"] != scores["returned"]
    assert scores["refined"] == pytest.approx(scores["least squares"])  # too few shots to refine


@pytest.mark.slow
def test_processes_that_hang_or_end_are_replaced(tmp_path: Path) -> None:
    study = study_of(*methods_named(["hangs", "ends_the_process"]), FK, limit_s=LIMIT_S)
    hangs, ends, fk = run_study(study, tmp_path / "results.parquet")
    assert (hangs["status"], ends["status"], fk["status"]) == ("timeout", "failed", "done")
    assert hangs["message"] == "separate: more than the 10 s allowed"
    assert "ended with status 7. last words" in ends["message"]
    # Asked to, only what is not done is done again.
    again = []
    run_study(
        study,
        tmp_path / "results.parquet",
        only=["ends_the_process", "fk"],
        retry=True,
        on_row=lambda row, *_: again.append(row["method"]),
    )
    assert again == ["ends_the_process"]


@pytest.mark.slow
def test_a_dask_cluster_gives_the_same_rows(tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed")
    here = run_study(study_of(FK), tmp_path / "here.parquet")
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, dashboard_address="127.0.0.1:0"
    ) as cluster:
        there = run_study(
            study_of(FK), tmp_path / "there.parquet", scheduler=cluster.scheduler_address
        )
    assert same(here) == same(there)


def same(rows: list[dict]) -> list[dict]:
    """Without what differs from one time to the next."""
    return [{name: row[name] for name in COLUMNS if name not in VARIES} for row in rows]


STUDY = """
name = "two methods"
seeds = [0, 1, 2]
iterations = 2
[[scenes]]
name = "three-sources"
[[methods]]
method = "fk"
[[methods]]
method = "{folder}/broken_methods.py:keeps_strong"
label = "strong"
[[blends]]
label = "short line"
sources = 2
shots_per_source = 6
"""
RUN = "from deblend.study.compare import run_study; from deblend.study.study import read_study; "


@pytest.mark.slow
def test_killed_half_way_and_gone_on_with_gives_the_same_rows(tmp_path: Path) -> None:
    path, results = tmp_path / "study.toml", tmp_path / "results.parquet"
    path.write_text(STUDY.format(folder=HERE))
    code = RUN + f"run_study(read_study({str(path)!r}), {str(results)!r})"
    process = subprocess.Popen([sys.executable, "-c", code], start_new_session=True)
    deadline = time.monotonic() + 120
    while not results.exists() and time.monotonic() < deadline:
        time.sleep(0.01)
    os.killpg(process.pid, signal.SIGKILL)
    process.wait()
    found = len(read_results(results))
    assert 1 <= found < 6
    study = read_study(path)
    new = []
    whole = run_study(study, results, processes=2, on_row=lambda row, done, of: new.append(of))
    assert new == [6 - found] * (6 - found)
    uninterrupted = run_study(study, tmp_path / "other.parquet")
    assert same(whole) == same(uninterrupted)
    assert same(read_results(results)) == same(uninterrupted)
    # Nothing is left to do, and asking again for one method leaves the rows as they are.
    assert run_study(study, results, on_row=lambda *_: pytest.fail("computed again")) == whole


def test_without_pyarrow_nothing_is_computed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("pyarrow", "pyarrow.parquet"):
        monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(MissingPackageError, match=r"need the package pyarrow.*deblend\[study\]"):
        run_study(
            study_of(FK),
            tmp_path / "results.parquet",
            on_row=lambda *_: pytest.fail("computed first"),
        )
    with pytest.raises(MissingPackageError, match="need the package pyarrow"):
        write_results(tmp_path / "results.parquet", [])


def test_results_of_another_version_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "results.parquet"
    monkeypatch.setattr("deblend.study.results.__version__", "0.0.9")
    write_results(path, [dict.fromkeys(LABELS, None)])
    monkeypatch.undo()
    with pytest.raises(InputError, match=r"results are of deblend 0\.0\.9, and this is deblend"):
        run_study(study_of(FK), path)
    monkeypatch.setattr("deblend.study.results.LAYOUT", "0")
    write_results(path, [dict.fromkeys(LABELS, None)])
    monkeypatch.undo()
    with pytest.raises(InputError, match="results are of layout 0, and this is layout 2"):
        run_study(study_of(FK), path)
    path.write_bytes(b"PAR1 and nothing more")
    with pytest.raises(InputError, match="no Parquet file that can be read"):
        run_study(study_of(FK), path)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('method = "fk"', 'method = "fkk"', r"method 'fkk' is not known\. Did you mean 'fk'"),
        ('"three-sources"', '"three-source"', r"scene 'three-source' is not known.*three-sources"),
        ("iterations = 2", "iteration = 2", r"unknown key 'iteration'.*iterations"),
        (":keeps_strong", ":keeps_stron", r"\.py has no 'keeps_stron'.*mean 'keeps_strong'"),
        (".py:keeps", "_.py:keeps", r"cannot be loaded \(No such file or directory\)"),
        ('label = "strong"', 'label = "fk"', r"method 'fk' is there twice"),
        ('method = "fk"', 'method = "fk"\nsettings = { patches = 3 }', "no setting 'patches'"),
        (
            "[[methods]]",
            '[[blends]]\nlabel = "ms"\ndither_s = 300\n[[methods]]',
            r"dither_s .* is 300 s, .*from 0 to 10, in s",
        ),
        ("seeds = [0, 1, 2]", "seeds = []", r"seeds .* is \[\], .*not empty"),
    ],
)
def test_a_study_file_with_a_mistake_is_refused(
    tmp_path: Path, old: str, new: str, message: str
) -> None:
    text = STUDY.format(folder=HERE)
    assert old in text
    path = tmp_path / "study.toml"
    path.write_text(text.replace(old, new, 1))
    with pytest.raises((SettingsError, InputError), match=message):
        read_study(path)


def test_too_many_sources_for_the_scene_fail_that_run() -> None:
    study = study_of(FK, seeds=(3,))
    study = Study(**{**vars(study), "blends": (BlendTable(label="four", sources=4),)})
    (row,) = (carry_out(run, LineCache(HERE), lambda phase: None) for run in study.runs())
    assert row["status"] == "failed"
    assert "asks for 4 sources and the scene has 3" in row["message"]


def test_the_example_and_the_standing_study_are_right() -> None:
    root = Path(__file__).parents[2]
    example = read_study(root / "examples" / "study.toml")
    assert len(list(example.runs())) == 2 * 4 * 2 * 2 * 3
    standing = read_study(root / "benchmarks" / "quality" / "study.toml")
    assert {method.label for method in standing.methods} == set(METHODS)
    assert len(standing.scenes) >= 6
    assert len(standing.seeds) == 3


def test_the_command_shows_its_keys_and_goes_on_with_what_is_there(tmp_path: Path) -> None:
    keys = CliRunner().invoke(main, ["compare", "--keys"])
    assert keys.exit_code == 0
    assert "| [[scenes]] | name |" in keys.output
    study = tmp_path / "study.toml"
    study.write_text(STUDY.format(folder=HERE).replace("[0, 1, 2]", "[0]"))
    shelf = LineCache(HERE)
    made = []
    for run in read_study(study).runs():
        content = content_of(run, tmp_path)
        row = carry_out(run, shelf, lambda phase: None)
        made.append(row | {"key": content.key, "content": content.text})
    write_results(tmp_path / "out" / "results.parquet", made)
    done = CliRunner().invoke(main, ["compare", str(study), "--out", str(tmp_path / "out")])
    assert done.exit_code == 0, done.output
    assert "study.html written" in done.output.replace("\n", "")
    assert "fk: best on three-sources, short line." in " ".join(done.output.split())
    wrong = CliRunner().invoke(main, ["compare", str(study), "--out", str(tmp_path), "--only", "f"])
    assert wrong.exit_code == 2
    assert "the study has no method 'f'" in wrong.output
