"""How published work ranks the classical methods, and how they rank here.

    python -m benchmarks.quality.rankings

Reads what `benchmarks.quality.classical` kept and computes nothing. Scores that lie within
`NOTHING_DB` of each other are not ranked.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Final

from benchmarks.quality import classical
from benchmarks.result import RESULTS, Number

NOTHING_DB: Final = 0.5
NOTHING_PART: Final = 0.1
"""Of the shorter time: times that differ by less are not ranked."""
TITLES: Final = {"dips": "crossing plane dips", "three_sources": "three sources"}


@dataclass(frozen=True)
class Ranking:
    """One method before another, as published.

    Parameters
    ----------
    words : str
        What is said.
    paper : str
        Where.
    first, second : dict
        Name in `benchmarks.quality.classical` on each line.
    time : bool
        Processor time is compared and not the score.
    comparable : bool
        The paper calls both comparable; the first may be better.
    """

    words: str
    paper: str
    first: dict[str, str]
    second: dict[str, str]
    time: bool = False
    comparable: bool = False

    def cells(self, numbers: dict[str, Number]) -> tuple[str, ...]:
        """Words, paper, both values and a verdict for each line."""
        return (self.words, self.paper, *(self._on(line, numbers) for line in TITLES))

    def _on(self, line: str, numbers: dict[str, Number]) -> str:
        kind, unit = ("processor", "s") if self.time else ("snr", "dB")
        names = [f"{kind}_{line}_{some[line]}_{unit.lower()}" for some in (self.first, self.second)]
        if not all(name in numbers for name in names):
            return "not run"
        first, second = (float(numbers[name]) for name in names)
        better = second - first if self.time else first - second
        least = NOTHING_PART * min(first, second) if self.time else NOTHING_DB
        if abs(better) < least:
            verdict = "as published" if self.comparable else "no difference"
        else:
            verdict = "as published" if better > 0 else "the other way round"
            if self.comparable and better > 0:
                verdict = "the first is better"
        return f"{first:.1f} and {second:.1f} {unit}: {verdict}"


def both(name: str) -> dict[str, str]:
    """The same method on both lines."""
    return dict.fromkeys(TITLES, name)


def rank(suffix: str = "") -> dict[str, str]:
    """Rank reduction of one channel and of several."""
    return {"dips": f"rank_one_channel{suffix}", "three_sources": f"rank{suffix}"}


CHEN: Final = "Chen et al. 2019, GJI 216, 1214-1232"
KUMAR: Final = "Kumar et al. 2015, Geophysics 80(6), WD73-WD88"
RANKINGS: Final = (
    Ranking(
        "median along slopes better than without",
        CHEN,
        both("median"),
        both("median_without_slopes"),
    ),
    Ranking(
        "median along slopes better than that of vectors",
        CHEN,
        both("median"),
        both("vector_median"),
    ),
    Ranking(
        "median of vectors better than without slopes",
        CHEN,
        both("vector_median"),
        both("median_without_slopes"),
    ),
    Ranking(
        "rank reduction and curvelets comparable", KUMAR, rank(), both("curvelet"), comparable=True
    ),
    Ranking("rank reduction faster than curvelets", KUMAR, rank(), both("curvelet"), time=True),
    Ranking(
        "damped rank reduction better than plain",
        "Huang et al. 2016, Geophysics 81(4), V261-V270",
        rank(),
        rank("_not_damped"),
    ),
    Ranking(
        "leakage returned better than `fk` alone",
        "Chen and Fomel 2015, Geophysics 80(6), WD1",
        both("fk_leakage_returned"),
        both("fk"),
    ),
)


def rankings_table() -> str:
    """All rankings, as a table of README.md."""
    path = RESULTS / f"{classical.NAME}.json"
    numbers = json.loads(path.read_text(encoding="utf-8"))["numbers"]
    head = ("published", "where", *TITLES.values())
    rows = [head, ("---",) * len(head), *(ranking.cells(numbers) for ranking in RANKINGS)]
    return "\n".join(f"| {' | '.join(row)} |" for row in rows)


if __name__ == "__main__":
    print(rankings_table())
