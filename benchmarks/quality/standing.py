"""The standing table of README.md, from the table that `deblend compare` leaves.

    python -m benchmarks.quality.standing

prints it; `python -m benchmarks.readme` writes it into README.md.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Final

TABLE: Final = Path(__file__).parents[1] / "results" / "quality" / "table.csv"


def standing_table() -> str:
    """One row a line, one column a method: mean over seeds and its place there.

    Where the study has not been run there is a sentence instead.
    """
    if not TABLE.exists():
        return "The standing study has not been run with this version."
    with TABLE.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    methods = list(dict.fromkeys(row["method"] for row in rows))
    lines = list(dict.fromkeys((row["scene"], row["sources"]) for row in rows))
    text = ["| line | sources | before |" + "".join(f" `{name}` |" for name in methods)]
    text.append("|---|---|---|" + "---|" * len(methods))
    for scene, sources in dict.fromkeys((scene, "") for scene, _ in lines):
        found = {row["method"]: row for row in rows if row["scene"] == scene}
        count = max(int(row["sources"]) for row in found.values())
        before = next((r["start_db"] for r in found.values() if r["start_db"] != "nan"), "")
        cells = "".join(f" {_cell(found.get(name))} |" for name in methods)
        text.append(f"| {scene} | {count or sources} | {float(before):.1f} |{cells}")
    return "\n".join(text)


def _cell(row: dict[str, str] | None) -> str:
    """Mean over seeds: bold where best, in brackets where it fails, a dash where not done."""
    if row is None or row["snr_db"] == "nan":
        return "–"
    value = f"{float(row['snr_db']):.1f}"
    marks = {"best": f"**{value}**", "as good": f"*{value}*", "fails": f"({value})"}
    return marks.get(row["standing"], value)


if __name__ == "__main__":
    print(standing_table())
