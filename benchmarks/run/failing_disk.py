"""A disk that gets full, or whose power fails, at every step of a run that changes what is written.

    python -m benchmarks.run.failing_disk [--every 1]

A small made line of a few blocks. Its run fails at a step, once because the disk is full from then
on, once because the power fails and with it goes what nobody had waited for; the same is done to a
run that replaces earlier results. The same command is given again then. Delivered files and
findings are compared byte by byte with those of a run that nothing disturbed, errors must be plain
ones, and nothing else may be left in the folder. The page of the report is left out.
"""

from __future__ import annotations

import argparse
import hashlib
import re
import shutil
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import deblend.report.page
from benchmarks.result import keep
from benchmarks.run.lines import make_line, memory_for
from deblend.errors import DeblendError
from deblend.line.line_file import read_line_file
from deblend.results.output_folder import RESULTS
from deblend.run import store
from deblend.run.begin import RunOptions
from deblend.run.pipeline import run_line
from tests.pipeline.failing_disk import FailingDisk, Fault

CHANNELS: Final = 6
BLOCK: Final = 2
FAULTS: Final[tuple[Fault, ...]] = ("full", "power")


def separate(line: Path, out: Path, memory_bytes: int) -> None:
    options = RunOptions(memory_bytes=memory_bytes, overwrite=True)
    run_line(read_line_file(line).with_output(out), options=options)


def digest(out: Path) -> str:
    found = hashlib.sha256()
    for path in sorted([*(out / "delivered").glob("*.sgy"), out / "findings.csv"]):
        found.update(path.read_bytes())
    return found.hexdigest()


def edges(steps: list[str]) -> list[int]:
    """First and last of steps that do the same to the same file, from 1."""
    plain = [re.sub(r"\d{4,}|[0-9a-f]{32}|maps-\w+", "", step) for step in steps]
    around = ["", *plain, ""]
    return [
        number
        for number, step in enumerate(plain, 1)
        if step != around[number - 1] or step != around[number + 1]
    ]


def fail(line: Path, out: Path, memory_bytes: int, at: int, fault: Fault) -> str:
    """How a run ended whose disk failed."""
    try:
        with FailingDisk(out.parent, at, fault, seed=at).installed():
            separate(line, out, memory_bytes)
    except DeblendError:
        return "plain error"
    except Exception as error:
        print(f"{fault} at step {at}: {error!r}", flush=True)
        return "other error"
    return "done"


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--every", type=int, default=1, help="of these steps, every so many")
    asked = parser.parse_args()
    deblend.report.page.write_report = lambda contents, path, extras=None: path.touch()
    store._WRITERS = 1  # so that a number always means the same step
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        line = make_line(folder / "line", 0.5, CHANNELS, 1.2, 3, "fk")
        other = line.with_name("other.toml")
        other.write_text(
            line.read_text(encoding="utf-8").replace("iterations = 3", "iterations = 2")
        )
        memory_bytes = memory_for(line, BLOCK)
        separate(other, folder / "earlier", memory_bytes)
        count: Counter[str] = Counter()
        for earlier in (None, folder / "earlier"):
            with (
                beginning(folder / "disk" / "out", earlier) as out,
                FailingDisk(out.parent).installed() as disk,
            ):
                separate(line, out, memory_bytes)
                expected = digest(out)
            for at in edges(disk.steps)[:: asked.every]:
                for fault in FAULTS:
                    with beginning(folder / "disk" / "out", earlier) as out:
                        count[fail(line, out, memory_bytes, at, fault)] += 1
                        separate(line, out, memory_bytes)
                        same = digest(out) == expected
                        alone = {path.name for path in out.iterdir()} == set(RESULTS)
                    count["results"] += 1
                    count["identical"] += same and alone
                    if not (same and alone):
                        print(f"{fault} at step {at}, {disk.steps[at - 1]}: differs", flush=True)
            print(dict(count), flush=True)
    names = ("results", "identical", "plain error", "other error", "done")
    keep("run.failing_disk", {name.replace(" ", "_"): count[name] for name in names})


@contextmanager
def beginning(out: Path, earlier: Path | None) -> Iterator[Path]:
    """The output folder as it is before a run, and gone afterwards."""
    out.parent.mkdir(exist_ok=True)
    if earlier is not None:
        shutil.copytree(earlier, out)
    try:
        yield out
    finally:
        shutil.rmtree(out, ignore_errors=True)


if __name__ == "__main__":
    main()
