"""The generated tables of README.md, DEVELOPERS.md, examples/README.md and benchmarks/README.md.

    python -m benchmarks.readme            # writes them again
    python -m benchmarks.readme --check    # ends with status 1 where they differ

Keys and limits come from the code that reads them, numbers from ``benchmarks/results``. Each table
stands between two marks, ``<!-- NAME -->`` and ``<!-- end of NAME -->``.
"""

from __future__ import annotations

import ast
import contextlib
import io
import re
import runpy
import sys
from collections.abc import Callable
from difflib import unified_diff
from math import isfinite
from pathlib import Path
from typing import Final

from benchmarks.input_check.odd_lines import table as odd_lines_table
from benchmarks.numbers_table import numbers_table
from benchmarks.quality.rankings import rankings_table
from benchmarks.quality.standing import hard_first, short_table, standing_table
from benchmarks.quality.targets import read_table
from deblend.cli.display import show_keys
from deblend.line.line_file import list_keys
from deblend.qc.limits import default_limits
from deblend.separation.choose import METHODS

ROOT: Final = Path(__file__).parents[1]


def keys_table() -> str:
    """What ``deblend check --keys`` prints."""
    stream = io.StringIO()
    with contextlib.redirect_stdout(stream):
        show_keys(list_keys())
    return stream.getvalue().strip()


def methods_table() -> str:
    """Scores of the built-in methods on the small scenes, best in bold; blank where not run."""
    wanted = {"size": "small", "iterations": "60", "seed": "0"}
    rows = [
        row
        for row in read_table()
        if all(row[name] == value for name, value in wanted.items()) and row["method"] in METHODS
    ]
    methods = sorted({row["method"] for row in rows}, key=list(METHODS).index)
    lines = [f"| scene | before | {' | '.join(f'`{name}`' for name in methods)} |"]
    lines += ["|---" * (len(methods) + 2) + "|"]
    for scene in sorted(sorted({row["scene"] for row in rows}), key=hard_first):
        scores = {row["method"]: float(row["snr_db"]) for row in rows if row["scene"] == scene}
        start = next(row["start_db"] for row in rows if row["scene"] == scene)
        best = max(scores.values())
        cells = [
            "" if name not in scores else f"**{value:.1f}**" if value == best else f"{value:.1f}"
            for name in methods
            for value in [scores.get(name, 0.0)]
        ]
        lines.append(f"| {scene} | {float(start):.1f} | {' | '.join(cells)} |")
    return "\n".join(lines)


def limits_table() -> str:
    """The default limits of the findings."""
    lines = ["| finding | unit | worse | look | fail | where it comes from |", "|---" * 6 + "|"]
    for name, limit in default_limits().items():
        numbers = [f"{value:g}" if isfinite(value) else "" for value in (limit.look, limit.fail)]
        cells = (f"`{name}`", limit.unit, limit.worse, *numbers, limit.source)
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


def rooms_table() -> str:
    """Rooms and modules at the top of the package: what they know, and what they may import."""
    test = runpy.run_path(str(ROOT / "tests" / "architecture" / "test_imports.py"))
    allowed: dict[str, set[str]] = test["ALLOWED"]
    lines = ["| room | what it knows | may import |", "|---" * 3 + "|"]
    for room in sorted(allowed, key=lambda room: room in test["BASE"]):
        others = ", ".join(sorted(allowed[room] - {room}))
        others = "every room" if room == "cli" else others or "nothing"
        lines.append(f"| `{room}` | {what_it_knows(room)} | {others} |")
    return "\n".join(lines)


def what_it_knows(room: str) -> str:
    """First paragraph of the docstring of a room, without marks of references."""
    path = ROOT.joinpath("deblend", *room.split("."))
    path = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
    text = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    return re.sub(r" \[\d+\]_", "", " ".join(text.split("\n\n")[0].split())).replace("``", "`")


TABLES: Final[dict[str, dict[str, Callable[[], str]]]] = {
    "README.md": {"short": short_table},
    "DEVELOPERS.md": {"rooms": rooms_table},
    "examples/README.md": {"keys": keys_table, "limits": limits_table},
    "benchmarks/README.md": {
        "standing": standing_table,
        "methods": methods_table,
        "rankings": rankings_table,
        "odd lines": odd_lines_table,
        "numbers": numbers_table,
    },
}
"""What is generated in each file."""


def with_tables(file: str) -> str:
    """The text of a file with its tables made again."""
    text = (ROOT / file).read_text(encoding="utf-8")
    for name, make in TABLES[file].items():
        begin, end = f"<!-- {name} -->", f"<!-- end of {name} -->"
        if text.count(begin) != 1 or text.count(end) != 1:
            sys.exit(f"{file} needs the marks {begin} and {end} once")
        before, rest = text.split(begin)
        text = f"{before}{begin}\n{make()}\n{end}{rest.split(end)[1]}"
    return text


def main() -> None:
    changes: list[str] = []
    for file in TABLES:
        wanted = with_tables(file)
        found = (ROOT / file).read_text(encoding="utf-8")
        if sys.argv[1:] == ["--check"]:
            changes += unified_diff(
                found.splitlines(), wanted.splitlines(), file, file, n=0, lineterm=""
            )
        else:
            (ROOT / file).write_text(wanted, encoding="utf-8")
    sys.exit("\n".join([*changes, "run python -m benchmarks.readme"]) if changes else 0)


if __name__ == "__main__":
    main()
