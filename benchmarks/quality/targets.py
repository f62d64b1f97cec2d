"""What is to be reached, and what the table of scores says was reached.

    python -m benchmarks.quality.targets [--size full]

Reads benchmarks/results and computes nothing; what no row answers is shown as not run. The scores
of `quality.csv` come from the commits in its rows, by a script that `deblend compare` has replaced:
`standard_scenes.toml` beside this file asks for the same lines. Numbers are means over the seeds
that all methods of a comparison have; those of faulty lines are the worst of all seeds, lines and
windows.
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from benchmarks.quality.faulty_lines import Row
from benchmarks.quality.kept_targets import KEPT_TARGETS
from benchmarks.result import RESULTS

TABLE: Final = RESULTS / "quality.csv"
REAL_SHOTS: Final = "two-real-shots"
NOISE_FREE: Final = "white-noise-free"
"""The white-noise scene without its noise: what a method reaches where noise costs nothing."""
SIZES: Final = ("small", "full")
Get = Callable[[Row], float]


def read_table(path: Path = TABLE) -> list[Row]:
    """One row for every line, size, method, number of iterations and seed."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def column(name: str) -> Get:
    return lambda row: float(row[name])


def deepest(row: Row) -> float:
    return numbers(row, "snr_window_db")[-1]


def numbers(row: Row, name: str) -> list[float]:
    return [float(value) for value in row[name].split()]


def worst_against_unblended(row: Row) -> float:
    """Least of score minus that of the same noisy line never blended, over the windows."""
    pairs = zip(numbers(row, "snr_window_db"), numbers(row, "unblended_window_db"), strict=True)
    return min(score - unblended for score, unblended in pairs)


SNR: Final = column("snr_db")
DIFFERENCES: Final = column("difference_snr_db")


@dataclass(frozen=True)
class Run:
    """Rows of one scene, method and number of iterations."""

    scene: str
    method: str = "joint"
    iterations: int = 60

    def __str__(self) -> str:
        """For a message."""
        return f"{self.method} on {self.scene}, {self.iterations} iterations"

    def values(self, rows: list[Row], size: str, get: Get) -> dict[str, float]:
        """Number of each seed; recorded shots have one size only."""
        size = "full" if self.scene == REAL_SHOTS else size
        return {
            row["seed"]: get(row)
            for row in rows
            if (row["scene"], row["method"], row["iterations"], row["size"])
            == (self.scene, self.method, str(self.iterations), size)
        }


@dataclass(frozen=True)
class Target:
    """One number that is to be reached: of a run, or of a run minus another."""

    words: str
    limit: float
    get: Get
    run: Run
    minus: Run | None = None
    at_least: bool = True


def gain(words: str, limit: float, get: Get, scene: str) -> Target:
    """Of `joint` over `fk`."""
    return Target(words, limit, get, Run(scene), Run(scene, "fk"))


TARGETS: Final = (
    gain("three sources: over fk", 15, SNR, "three-sources"),
    gain("three sources: over fk, deepest window", 10, deepest, "three-sources"),
    gain("three sources: over fk, differences", 10, DIFFERENCES, "three-sources"),
    gain("five sources in turn, fold 6: over fk", 15, SNR, "five-in-turn"),
    Target(
        "long records: under the next shot's early arrivals, over noise of 1 %",
        -6,
        column("under_next_shot_db"),
        Run("long-records"),
        at_least=False,
    ),
    gain("unlike sources: over fk", -0.3, SNR, "unlike-sources"),
    gain("unlike sources: over fk, differences", -0.3, DIFFERENCES, "unlike-sources"),
    Target("two recorded shots, one channel", 21.5, SNR, Run(REAL_SHOTS)),
    Target("white noise 10 %: over noise-free", -5, SNR, Run("white-noise"), Run(NOISE_FREE)),
    Target(
        "white noise 10 %: worst window over the same line unblended",
        -1,
        worst_against_unblended,
        Run("white-noise"),
    ),
    Target(
        "white noise 10 %: 120 iterations over 60",
        -0.3,
        SNR,
        Run("white-noise", iterations=120),
        Run("white-noise"),
    ),
    gain("dither 0.05 s: over fk", 7, SNR, "small-dither"),
)


def table_line(target: Target, rows: list[Row], size: str) -> tuple[str, ...]:
    """Words, limit, reached, how many seeds, verdict."""
    sign = "at least" if target.at_least else "at most"
    limit = f"{sign} {target.limit:g} dB"
    values = target.run.values(rows, size, target.get)
    seeds = sorted(values)
    if target.minus is not None and values:
        others = target.minus.values(rows, size, target.get)
        seeds = sorted(set(values) & set(others))
        values = {seed: values[seed] - others[seed] for seed in seeds}
    if not seeds:
        runs = [run for run in (target.run, target.minus) if run is not None]
        missing = [run for run in runs if not run.values(rows, size, lambda row: 0.0)]
        return (target.words, limit, "", "", "not run: " + "; ".join(map(str, missing)))
    reached = float(np.mean([values[seed] for seed in seeds]))
    met = reached >= target.limit if target.at_least else reached <= target.limit
    return (
        target.words,
        limit,
        f"{reached:+.1f} dB",
        f"{len(seeds)} seeds" if len(seeds) > 1 else "1 seed",
        "reached" if met else f"missed by {abs(reached - target.limit):.1f} dB",
    )


def show(lines: list[tuple[str, ...]]) -> None:
    widths = [max(len(line[k]) for line in lines) for k in range(len(lines[0]) - 1)]
    for line in lines:
        cells = [cell.ljust(width) for cell, width in zip(line, widths, strict=False)]
        print("  ".join([*cells, line[-1]]).rstrip())


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--size", choices=SIZES, default="full")
    parser.add_argument("--table", type=Path, default=TABLE)
    asked = parser.parse_args()
    rows = read_table(asked.table)
    show([table_line(target, rows, asked.size) for target in TARGETS])
    print()
    show([target.cells() for target in KEPT_TARGETS])
    print()
    show(overview(rows, asked.size))


def overview(rows: list[Row], size: str) -> list[tuple[str, ...]]:
    """Every line and method: start and scores, mean over seeds."""
    head = ("line", "method", "iterations", "seeds", "start", "all", "deepest", "differences", "s")
    groups: dict[tuple[str, ...], list[Row]] = {}
    for row in rows:
        if row["size"] == size:
            key = (row["scene"], row["method"], row["iterations"])
            groups.setdefault(key, []).append(row)
    gets = (column("start_db"), SNR, deepest, DIFFERENCES, column("seconds"))
    return [head] + [
        (*key, str(len(some)), *(f"{np.mean([get(row) for row in some]):.1f}" for get in gets))
        for key, some in sorted(groups.items())
    ]


if __name__ == "__main__":
    main()
