"""The rows of a study as a table, pictures and a page."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from deblend.files import write_text
from deblend.report.page_frame import ReportFigure, render_page, write_page
from deblend.study.figures import FIGURES, row_title, study_figures, write_figure
from deblend.study.results import Row, labels_of
from deblend.study.study import AS_IN_THE_SCENE, Study
from deblend.study.summary import (
    ALL_LINES,
    Summary,
    summaries,
    to_csv,
)
from deblend.words import are, counted

COLUMNS = (
    *("before (dB)", "after (dB)", "behind (dB)", "deepest window (dB)", "differences (dB)"),
    *("leakage (dB)", "loss (dB)", "time (s)", "memory (MiB)"),
)
LINES_NAMED = 8
"""In a sentence; the table has all."""


@dataclass(frozen=True)
class Presented:
    """What was written."""

    summaries: list[Summary]
    """The table."""
    table: Path
    page: Path
    """CSV and HTML files."""
    missing: list[str]
    """In words, what the study asks for and the rows do not hold."""


def present(study: Study, rows: Sequence[Row], out: Path) -> Presented:
    """Write ``table.csv``, ``study.html`` and ``figures`` into the folder of the results."""
    found = summaries(rows)
    table, page = out / "table.csv", out / "study.html"
    write_text(table, to_csv(found))
    figures = study_figures(rows, out)
    for figure in figures:
        write_figure(figure, out / FIGURES)
    write_page(render_page("study.html", study_contents(study, rows, found, figures)), page)
    return Presented(found, table, page, missing_words(study, rows))


def study_contents(
    study: Study,
    rows: Sequence[Row],
    found: Sequence[Summary],
    figures: Sequence[ReportFigure] = (),
) -> dict[str, Any]:
    """Everything that the page shows, by the names in its template."""
    lines: dict[str, list[tuple[str, str, Sequence[str]]]] = {}
    for one in found:
        lines.setdefault(line_title(one), []).append((one.method, one.standing, _cells(one)))
    return {
        "name": study.name,
        "description": study.description,
        "columns": COLUMNS,
        "lines": lines,
        "verdicts": verdicts(found),
        "missing": missing_words(study, rows),
        "failures": [
            (f"{row_title(row)}, seed {row['seed']}", row["method"], row["status"], row["message"])
            for row in rows
            if row["status"] != "done"
        ],
        "pictures": [figure.picture() for figure in figures if figure.place],
        "about": _about(rows),
    }


def missing_words(study: Study, rows: Sequence[Row]) -> list[str]:
    """What a study that is not complete lacks, method by method."""
    there = {labels_of(row) for row in rows}
    lacking = Counter(run.method.label for run in study.runs() if run.labels not in there)
    if not lacking:
        return []
    whole = len(list(study.runs()))
    parts = ", ".join(f"{count} of {method}" for method, count in lacking.items())
    lack = counted(sum(lacking.values()), "run")
    return [f"{lack} of {whole} {are(sum(lacking.values()))} missing: {parts}."]


def line_title(one: Summary) -> str:
    """Scene, and how its blend and noise differ from it."""
    if one.scene == ALL_LINES:
        return ALL_LINES
    parts = [text for text in (one.blend, one.noise) if text != AS_IN_THE_SCENE]
    return ", ".join([one.scene, *parts])


def verdicts(found: Sequence[Summary]) -> list[str]:
    """For each method: where it is best, as good as the best, behind, and where it fails."""
    methods = list(dict.fromkeys(one.method for one in found))
    several = any(one.scene == ALL_LINES for one in found)
    texts = []
    for method in methods:
        own = [one for one in found if one.method == method]
        parts = []
        for standing, words in (
            ("best", "best on"),
            ("as good", "as good as the best on"),
            ("behind", "behind on"),
            ("fails", "fails on"),
        ):
            names = [
                line_title(one) + _lack(one)
                for one in own
                if one.standing == standing and (one.scene != ALL_LINES or not several)
            ]
            if names:
                more = len(names) - LINES_NAMED
                shown = names[:LINES_NAMED] + ([f"{more} more"] if more > 0 else [])
                parts.append(f"{words} {'; '.join(shown)}")
        texts.append(f"{method}: {' — '.join(parts) or 'nothing done'}.")
    return texts


def _lack(one: Summary) -> str:
    if one.standing != "behind":
        return ""
    return f" (by {one.behind_db:.1f} dB)"


def number_or(value: float, otherwise: str, decimals: int = 1) -> str:
    """A number, or what stands where there is none."""
    return f"{value:.{decimals}f}" if np.isfinite(value) else otherwise


def interval_words(low: float, high: float) -> str:
    """An interval where there is one."""
    return f"{low:.1f} to {high:.1f}" if np.isfinite(low) else ""


def _cells(one: Summary) -> list[str]:
    if not one.seeds:
        return [number_or(one.start_db, "–"), "failed", *["–"] * (len(COLUMNS) - 2)]

    def with_interval(value: float, low: float, high: float) -> str:
        words = interval_words(low, high)
        return number_or(value, "failed") + (f" ({words})" if words else "")

    return [
        number_or(one.start_db, "–"),
        with_interval(one.snr_db, one.low_db, one.high_db),
        with_interval(one.behind_db, one.behind_low_db, one.behind_high_db),
        *(
            number_or(v, "–")
            for v in (one.deepest_db, one.difference_db, one.leakage_db, one.loss_db, one.seconds)
        ),
        number_or(one.peak_mib, "–", 0),
    ]


def _about(rows: Sequence[Row]) -> dict[str, str]:
    if not rows:
        return {}
    machines, loads = set(), []
    for row in rows:
        machine = json.loads(row["machine"])
        loads.append(machine.pop("load_average_1_min"))
        machines.add(", ".join(f"{key} {value}" for key, value in sorted(machine.items())))
    dates = sorted({row["date"] for row in rows})
    versions = {row["versions"] for row in rows}
    return {
        "runs": f"{sum(row['status'] == 'done' for row in rows)} done of {len(rows)}",
        "seeds": ", ".join(sorted({str(row["seed"]) for row in rows})),
        "iterations": ", ".join(sorted({str(row["iterations"]) for row in rows})),
        "dates": " to ".join({dates[0]: 0, dates[-1]: 0}),
        "machines": "; ".join(sorted(machines)),
        "threads a run": ", ".join(sorted({str(row["threads"]) for row in rows})),
        "load average": f"{min(loads):.1f} to {max(loads):.1f}",
        "versions": "; ".join(sorted(versions)),
    }
