"""The standing table of README.md is that of the results file."""

from __future__ import annotations

from pathlib import Path

import pytest

from deblend.study.results import read_results
from deblend.study.study import read_study
from deblend.study.summary import summaries, to_csv

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "benchmarks" / "results" / "quality"


def test_readme_table_and_results_say_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(ROOT))
    standing = pytest.importorskip("benchmarks.quality.standing")
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    begin, end = "<!-- standing -->", "<!-- end of standing -->"
    assert readme.split(begin)[1].split(end)[0].strip() == standing.standing_table()
    if not (FOLDER / "table.csv").exists():
        pytest.skip("the standing study has not been run")
    study = read_study(ROOT / "benchmarks" / "quality" / "study.toml")
    rows = read_results(FOLDER / "results.parquet")
    kept = [rows[run.key] for run in study.runs() if run.key in rows]
    assert to_csv(summaries(kept)) == (FOLDER / "table.csv").read_text(encoding="utf-8")


def test_the_table_marks_the_best_and_the_failing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.syspath_prepend(str(ROOT))
    standing = pytest.importorskip("benchmarks.quality.standing")
    head = "scene,sources,method,seeds,start_db,snr_db,standing\n"
    lines = "a,3,fk,3,-1.00,12.34,behind\na,3,joint,3,-1.00,20.00,best\na,3,rank,0,nan,nan,fails\n"
    path = tmp_path / "table.csv"
    path.write_text(head + lines, encoding="utf-8")
    monkeypatch.setattr(standing, "TABLE", path)
    assert standing.standing_table().splitlines()[-1] == "| a | 3 | -1.0 | 12.3 | **20.0** | – |"
