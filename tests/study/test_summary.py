"""Tables, pictures and page from rows that are written down here."""

from __future__ import annotations

import csv
import io
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from deblend.report.page_frame import render_page
from deblend.report.study_page import Curve, Panel, pareto_figure, unbeaten
from deblend.study.array_scene import array_scene
from deblend.study.figures import study_figures, write_figure
from deblend.study.keys import BlendTable, NoiseTable, SceneTable
from deblend.study.lines import make_line
from deblend.study.present import present, study_contents, verdicts
from deblend.study.results import COLUMNS
from deblend.study.samples import keep_sample, sample_of
from deblend.study.study import AS_IN_THE_SCENE, Study, StudyMethod
from deblend.study.summary import ALL_LINES, summaries, to_csv


def row(scene: str, method: str, seed: int, snr_db: float = 0.0, **changes) -> dict:
    made = dict.fromkeys(COLUMNS)
    made |= {
        "scene": scene,
        "size": "small",
        "blend": AS_IN_THE_SCENE,
        "noise": AS_IN_THE_SCENE,
        "seed": seed,
        "method": method,
        "iterations": 60,
        "status": "done",
        "message": "",
        "start_db": -3.0,
        "snr_db": snr_db,
        "difference_snr_db": snr_db - 3,
        "snr_window_db": [snr_db, snr_db - 10],
        "leakage_db": -snr_db,
        "loss_db": -snr_db,
        "seconds": 10.0 if method == "slow" else 1.0,
        "peak_mib": 300.0,
        "sources": 3,
        "fold": 2.0,
        "dither_s": 0.3,
        "noise_percent": 0.0,
        "threads": 1,
        "settings": "{}",
        "versions": '{"python": "3.11"}',
        "machine": '{"cores": 2, "load_average_1_min": 0.5}',
        "date": "2030-01-01",
        "key": f"{scene}-{method}-{seed}",
        "content": '{"settings": {"overlap": 0.5}}',
    }
    return made | changes


@pytest.fixture
def rows() -> list[dict]:
    made = []
    for seed in range(3):
        made += [
            row("easy", "slow", seed, 30.0 + seed),
            row("easy", "quick", seed, 29.9 + seed + 0.2 * (seed == 1)),
            row("hard", "slow", seed, 15.0 + seed, fold=6.0),
            row("hard", "quick", seed, 10.0 + seed, fold=6.0),
        ]
    failed = row("hard", "wild", 0, status="failed", message="ValueError: <b>no</b>")
    nothing = ("snr_db", "difference_snr_db", "snr_window_db", "leakage_db", "loss_db")
    made.append(failed | dict.fromkeys(nothing))
    return made


def test_each_method_is_held_against_the_best_of_its_line(rows: list[dict]) -> None:
    found = {(one.scene, one.method): one for one in summaries(rows)}
    assert found["easy", "slow"].standing == "best"
    assert found["easy", "quick"].standing == "as good"
    behind = found["hard", "quick"]
    assert behind.standing == "behind"
    assert (behind.behind_db, behind.behind_low_db, behind.behind_high_db) == (5.0, 5.0, 5.0)
    assert (behind.low_db, behind.high_db) == pytest.approx((10.0, 12.0))
    assert found["hard", "wild"].standing == "fails"
    assert found["hard", "wild"].not_done == 1
    assert found[ALL_LINES, "slow"].snr_db == pytest.approx(23.5)
    assert found[ALL_LINES, "quick"].standing == "behind"


def test_verdicts_name_lines(rows: list[dict]) -> None:
    slow, quick, wild = verdicts(summaries(rows))
    assert slow == "slow: best on easy; hard."
    assert quick == "quick: as good as the best on easy — behind on hard (by 5.0 dB)."
    assert wild == "wild: fails on hard."


def test_csv_has_a_row_for_each(rows: list[dict]) -> None:
    table = list(csv.DictReader(io.StringIO(to_csv(summaries(rows)))))
    assert len(table) == 8
    assert table[0]["snr_db"] == "31.00"


def test_unbeaten_points_by_hand() -> None:
    points = np.array([(1.0, 5.0), (2.0, 4.0), (3.0, 9.0), (3.0, 8.0), (9.0, 9.0)])
    assert unbeaten(points).tolist() == [[1.0, 5.0], [3.0, 9.0]]


def test_page_shows_table_pictures_and_failures(rows: list[dict], tmp_path: Path) -> None:
    rows += [row("easy", "slow", s, 20.0, blend="short dither", dither_s=0.05) for s in range(3)]
    study = Study("test", [SceneTable(name="easy")], [StudyMethod("slow", "fk")], [0])
    contents = study_contents(study, rows, summaries(rows), study_figures(rows, tmp_path))
    assert len(contents["pictures"]) == 3  # time, dither, fold; noise is not varied
    done = present(study, rows, tmp_path)
    page = done.page.read_text(encoding="utf-8")
    assert "ValueError: &lt;b&gt;no&lt;/b&gt;" in page
    assert "easy, short dither" in page
    assert page.count("<img ") == 3
    assert done.table.exists()
    assert {path.name for path in (tmp_path / "figures").iterdir()} == {
        f"{name}.{kind}" for name in ("time", "blend", "fold") for kind in ("pdf", "svg", "png")
    }


def test_times_on_the_logarithmic_axis_keep_apart() -> None:
    seconds = np.array([0.3, 0.7, 4.8])
    curves = tuple(
        Curve(f"m{k}", k, seconds[k : k + 1], *np.full((3, 1), 10.0)) for k in range(len(seconds))
    )
    figure = pareto_figure([Panel(title, curves) for title in ("one", "two")])
    FigureCanvasAgg(figure).draw()
    labels = figure.axes[0].xaxis.get_ticklabels(which="both")
    shown = [label.get_window_extent() for label in labels if label.get_text()]
    low, high = figure.axes[0].get_window_extent().intervalx
    boxes = sorted((box.x0, box.x1) for box in shown if low <= box.x0 and box.x1 <= high)
    assert len(boxes) >= 3
    blank = min(box.height for box in shown) / 2.0  # less, and two numbers read as one
    assert all(right + blank < left for (_, right), (left, _) in pairwise(boxes))


def test_two_seeds_have_no_interval(rows: list[dict]) -> None:
    few = [one for one in rows if one["seed"] < 2]
    found = {(one.scene, one.method): one for one in summaries(few)}
    assert found["easy", "slow"].snr_db == pytest.approx(30.5)
    assert np.isnan(found["easy", "slow"].low_db)
    cells = study_contents(STUDY, few, summaries(few))["lines"]["easy"]
    assert cells[0][2][1] == "30.5"


def test_what_failed_and_what_is_missing_is_said(rows: list[dict]) -> None:
    quick_0 = ("quick", 0)
    rows = [one for one in rows if (one["method"], one["seed"]) != quick_0]
    contents = study_contents(STUDY, rows, summaries(rows))
    wild = next(cells for method, _, cells in contents["lines"]["hard"] if method == "wild")
    assert wild[:3] == ["–", "failed", "–"]
    assert "nan" not in str(contents["lines"])
    assert contents["missing"] == ["2 runs of 8 are missing: 2 of quick."]
    page = render_page("study.html", contents)
    assert "This study is not complete. 2 runs of 8 are missing: 2 of quick." in page


STUDY = Study(
    "test",
    [SceneTable(name="easy"), SceneTable(name="hard")],
    [StudyMethod("slow", "fk"), StudyMethod("quick", "fk")],
    [0, 2],
    iterations=60,
)


def test_gathers_stand_side_by_side_on_one_scale(tmp_path: Path) -> None:
    random = np.random.default_rng(0)
    scene = array_scene("mine", random.standard_normal((2, 5, 3, 100)), 0.004)
    blend = BlendTable(label="b", interval_s=1.0)
    line = make_line(scene, blend, NoiseTable(label="none"), 0, tmp_path)
    made = []
    for number, method in enumerate(("slow", "quick")):
        one = row("mine", method, 0, 10.0)
        keep_sample(sample_of(line, line.gathers * (1 + number)), tmp_path, one["key"])
        made.append(one)
    (gathers,) = (one for one in study_figures(made, tmp_path) if one.name.startswith("gathers"))
    figure = gathers.draw()
    panels = [axes for axes in figure.axes if axes.images]
    assert len(panels) == 6
    assert len({image.get_clim() for axes in panels for image in axes.images}) == 1
    heads = [" ".join(axes.get_title(loc="left").split()) for axes in panels]
    assert "quick: 60 iterations, overlap 0.5, 10.0 dB" in heads
    assert heads.count("error") == 2
    errors = [axes.images[0].get_array() for axes in panels[3:]]
    assert np.abs(errors[1]).max() == 0  # of the first method, which is the truth
    assert np.array_equal(errors[2], panels[0].images[0].get_array())
    write_figure(gathers, tmp_path / "figures")
    assert (tmp_path / "figures" / "gathers-1.pdf").read_bytes()[:5] == b"%PDF-"
