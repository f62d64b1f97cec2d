"""What is to be reached on faulty lines, and what the kept numbers say was reached.

Reads what `benchmarks.quality.faulty_lines` and `benchmarks.quality.switched_on` kept. Of several
seeds, lines and windows the worst counts; that of seeds which were never looked at while the
methods were made is shown beside it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Final

import numpy as np

from benchmarks.quality import faulty_lines, switched_on
from benchmarks.result import RESULTS, Number
from deblend.synth.scenes import scene_names

Numbers = dict[str, Number]
NOTHING_WRONG: Final = tuple(
    f"{scene}, right times"
    for scene in scene_names()
    if scene not in ("swell-and-spikes", "traffic", "gaps-and-misfires")
)
"""Lines with nothing for a robust fit or for refined times to find."""
HELD_OUT: Final = 3
"""First seed that was not looked at while the methods were made."""
WRONG_TIMES: Final = tuple(f"{scene}, wrong times" for scene in scene_names())


@dataclass(frozen=True)
class KeptTarget:
    """One number that is to be reached: of a row, or of a row minus another.

    Parameters
    ----------
    words : str
        What it is.
    limit : float
        To be reached; with `minus` at least, otherwise at most.
    benchmark : str
        Where it is kept.
    key : str
        Which number of a row.
    lines : tuple of str
        What the names of the rows begin with.
    row, minus : str
        What they go on with, up to the seed.
    either_way : bool
        Whether a change for the better counts as well: at most, then.
    """

    words: str
    limit: float
    benchmark: str
    key: str
    lines: tuple[str, ...]
    row: str
    minus: str = ""
    either_way: bool = False

    @property
    def at_least(self) -> bool:
        """Or at most."""
        return bool(self.minus) and not self.either_way

    @property
    def unit(self) -> str:
        """Of the limit."""
        return "ms" if self.key.endswith("_ms") else "dB"

    def values(self, numbers: Numbers) -> dict[str, float]:
        """Worst value of each line and seed."""
        found = {}
        for name, one in numbers.items():
            line, seed = self._parts(name)
            if not seed:
                continue
            values = np.atleast_1d(one)
            if self.minus:
                other = numbers.get(f"{line}, {self.minus}, {seed}, {self.key}")
                if other is None:
                    continue
                values = values - np.atleast_1d(other)
            values = np.abs(values) if self.either_way else values
            found[f"{line}, {seed}"] = float(values.min() if self.at_least else values.max())
        return found

    def _parts(self, name: str) -> tuple[str, str]:
        """Line and seed of a number of this row; nothing of another."""
        rest, _, key = name.rpartition(", ")
        row, _, seed = rest.rpartition(", ")
        line = row.removesuffix(f", {self.row}")
        mine = key == self.key and line != row and line in self.lines
        return (line, seed) if mine else ("", "")

    def cells(self, folder: Path = RESULTS) -> tuple[str, ...]:
        """Words, limit, worst, how many, verdict."""
        limit = f"{'at least' if self.at_least else 'at most'} {self.limit:g} {self.unit}"
        path = folder / f"{self.benchmark}.json"
        kept = json.loads(path.read_text(encoding="utf-8"))["numbers"] if path.exists() else {}
        values = self.values(kept)
        if not values:
            return (self.words, limit, "", "", f"not run: python -m benchmarks.{self.benchmark}")
        pick = min if self.at_least else max
        where = pick(values, key=lambda name: values[name])
        reached = values[where]
        met = reached >= self.limit if self.at_least else reached <= self.limit
        held = [value for name, value in values.items() if int(name.split()[-1]) >= HELD_OUT]
        return (
            self.words,
            limit,
            f"{reached:+.2f} {self.unit}",
            f"worst of {len(values)}, mean {np.mean(list(values.values())):+.2f}"
            + (f", worst of {len(held)} held out {pick(held):+.2f}" if held else ""),
            "reached" if met else f"missed by {abs(reached - self.limit):.2f} ({where})",
        )


def _faulty(words: str, limit: float, key: str, lines: str, row: str, minus: str) -> KeptTarget:
    return KeptTarget(words, limit, faulty_lines.NAME, key, (lines,), row, minus)


def _switched(words: str, limit: float, key: str, row: str, minus: str) -> KeptTarget:
    return KeptTarget(
        words, limit, switched_on.NAME, key, NOTHING_WRONG, row, minus, either_way=True
    )


REFINED: Final = "refined"
TABLE: Final = "as in the table"
SWELL: Final = _faulty(
    "swell and spikes: over its white noise only, every window",
    -3,
    "windows_db",
    "small",
    "swell and spikes, robust True",
    "its white noise only, robust True",
)
ROBUST: Final = _switched(
    "nothing wrong: robust against least squares", 0.2, "all_db", "robust", "least squares"
)
ROBUST_IN_WINDOWS: Final = _switched(
    "nothing wrong: robust against least squares, every window",
    0.2,
    "windows_db",
    "robust",
    "least squares",
)
KEPT_TARGETS: Final = (
    SWELL,
    *(
        target
        for band, size in (
            *product(("25 Hz", "wide band"), ("small", "full")),
            ("25 Hz", "long"),
        )
        for target in (
            _faulty(
                f"times wrong by 0.5 ms, {band}, {size} line: refined over right times",
                -2,
                "all_db",
                size,
                f"wrong times, {band}, {REFINED}",
                f"right times, {band}, {TABLE}",
            ),
            _faulty(
                f"times wrong by 0.5 ms, {band}, {size} line: refined over as data can tell",
                -0.5,
                "all_db",
                size,
                f"wrong times, {band}, {REFINED}",
                f"wrong times, {band}, only the mean left",
            ),
            _faulty(
                f"times wrong by 0.5 ms, {band}, {size} line: error of refined times",
                0.2,
                "error_after_ms",
                size,
                f"wrong times, {band}, {REFINED}",
                "",
            ),
        )
    ),
    KeptTarget(
        "times wrong by 0.5 ms, every scene: refined over as they are",
        0,
        switched_on.NAME,
        "all_db",
        WRONG_TIMES,
        REFINED,
        "robust",
    ),
    _switched(
        "nothing wrong: refined against not, every window", 0.2, "windows_db", REFINED, "robust"
    ),
    ROBUST,
    ROBUST_IN_WINDOWS,
)
