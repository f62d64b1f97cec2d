"""The standing table of benchmarks/README.md is that of the results files."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from deblend.study.results import labels_of, read_results
from deblend.study.study import read_study
from deblend.study.summary import summaries, to_csv

ROOT = Path(__file__).parents[2]
BENCHMARKS = ROOT / "benchmarks"


@pytest.mark.parametrize(
    ("study_file", "results"),
    [("study.toml", "quality"), ("recorded_shots.toml", "recorded_shots")],
)
def test_kept_table_and_results_say_the_same(study_file: str, results: str) -> None:
    folder = BENCHMARKS / "results" / results
    study = read_study(BENCHMARKS / "quality" / study_file)
    rows = {labels_of(row): row for row in read_results(folder / "results.parquet")}
    kept = [rows[run.labels] for run in study.runs()]
    assert to_csv(summaries(kept)) == (folder / "table.csv").read_text(encoding="utf-8")


@pytest.mark.parametrize("results", ["quality", "recorded_shots"])
def test_kept_rows_are_of_one_state_of_the_code(results: str) -> None:
    rows = read_results(BENCHMARKS / "results" / results / "results.parquet")
    contents = [json.loads(row["content"]) for row in rows]
    for part in ("line_code", "separation_code", "scoring"):
        assert len({content.get(part) for content in contents}) == 1
    assert len({row["commit"] for row in rows}) == 1


def test_page_and_kept_tables_say_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(ROOT))
    standing = pytest.importorskip("benchmarks.quality.standing")
    page = (BENCHMARKS / "README.md").read_text(encoding="utf-8")
    begin, end = "<!-- standing -->", "<!-- end of standing -->"
    assert page.split(begin)[1].split(end)[0].strip() == standing.standing_table()


def test_the_table_marks_the_best_and_the_failing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.syspath_prepend(str(ROOT))
    standing = pytest.importorskip("benchmarks.quality.standing")
    head = "scene,sources,method,seeds,start_db,snr_db,standing\n"
    lines = "a,3,fk,3,-1.00,12.34,behind\na,3,joint,3,-1.00,20.00,best\na,3,rank,0,nan,nan,fails\n"
    path = tmp_path / "table.csv"
    path.write_text(head + lines, encoding="utf-8")
    monkeypatch.setattr(standing, "TABLES", (path,))
    monkeypatch.setattr(standing, "evidence", lambda folder: "made by")
    assert standing.standing_table().splitlines()[-2:] == ["", "made by"]
    assert standing.standing_table().splitlines()[-3] == "| a | 3 | -1.0 | 12.3 | **20.0** | – |"
