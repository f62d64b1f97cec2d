"""The standing table, from the tables that `deblend compare` leaves.

    python -m benchmarks.quality.standing

prints it; `python -m benchmarks.readme` writes it, and its short form, where they stand. Computed
waves and recorded shots come before sums of events, which are the easier lines.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Final

import numpy as np

from deblend.study.kept import RESULTS_FILE, folder_digest
from deblend.study.results import read_results

RESULTS: Final = Path(__file__).parents[1] / "results"
TABLES: Final = (RESULTS / "recorded_shots" / "table.csv", RESULTS / "quality" / "table.csv")
HARD: Final = ("wave-equation", "two recorded shots", "two-real-shots")
"""Lines that are no sums of events."""
ALL: Final = "all lines"
Row = dict[str, str]


def standing_table() -> str:
    """One row a line, one column a method: mean over seeds and its place there."""
    rows = _rows()
    scenes = sorted(dict.fromkeys(row["scene"] for row in rows), key=hard_first)
    lines = (_line(rows, scene) for scene in scenes)
    made_by = (evidence(path.parent) for path in TABLES)
    return "\n".join([*_head(rows), *lines, "", *made_by])


def evidence(folder: Path) -> str:
    """What the table stands on: commit and digest of one folder of results."""
    commits = sorted({row["commit"] or "unknown" for row in read_results(folder / RESULTS_FILE)})
    return (
        f"- `results/{folder.name}`: commit {', '.join(commits)}; SHA-256 of the folder "
        f"`{folder_digest(folder)}`"
    )


def short_table() -> str:
    """The lines that are no sums of events, and the mean over those that are."""
    rows = _rows()
    scenes = sorted(dict.fromkeys(row["scene"] for row in rows), key=hard_first)
    hard = [scene for scene in scenes if scene in HARD]
    sums = [row for row in rows if row["scene"] not in (*HARD, ALL)]
    means = [
        np.mean([float(row["snr_db"]) for row in sums if row["method"] == method])
        for method in _methods(rows)
    ]
    before = np.mean([float(row["start_db"]) for row in sums])
    count = len({row["scene"] for row in sums})
    cells = " | ".join(f"{mean:.1f}" for mean in (before, *means))
    last = f"| mean of {count} sums of events |  | {cells} |"
    return "\n".join([*_head(rows), *(_line(rows, scene) for scene in hard), last])


def hard_first(scene: str) -> int:
    """Place in a table: computed waves, recorded shots, then all else as it comes."""
    return HARD.index(scene) if scene in HARD else len(HARD)


def _rows() -> list[Row]:
    rows: list[Row] = []
    for path in TABLES:
        with path.open(encoding="utf-8", newline="") as file:
            rows += csv.DictReader(file)
    return rows


def _methods(rows: list[Row]) -> list[str]:
    return list(dict.fromkeys(row["method"] for row in rows))


def _head(rows: list[Row]) -> list[str]:
    methods = _methods(rows)
    names = "".join(f" `{name}` |" for name in methods)
    return [f"| line | sources | before |{names}", "|---|---|---|" + "---|" * len(methods)]


def _line(rows: list[Row], scene: str) -> str:
    found = {row["method"]: row for row in rows if row["scene"] == scene}
    sources = max(int(row["sources"]) for row in found.values())
    before = next((r["start_db"] for r in found.values() if r["start_db"] != "nan"), "nan")
    cells = "".join(f" {_cell(found.get(name))} |" for name in _methods(rows))
    name = "all made lines" if scene == ALL else scene
    return f"| {name} | {sources or ''} | {float(before):.1f} |{cells}"


def _cell(row: Row | None) -> str:
    """Mean over seeds: bold where best, in brackets where it fails, a dash where not done."""
    if row is None or row["snr_db"] == "nan":
        return "–"
    value = f"{float(row['snr_db']):.1f}"
    marks = {"best": f"**{value}**", "as good": f"*{value}*", "fails": f"({value})"}
    return marks.get(row["standing"], value)


if __name__ == "__main__":
    print(standing_table())
