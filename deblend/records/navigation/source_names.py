"""Which source of the shot table is meant by each name of a navigation file."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import NavigationError
from deblend.model.findings import Finding, Verdict
from deblend.model.shots import Shots
from deblend.records.navigation.positions import Positions

_AGREEING: Final = 0.8


@dataclass(frozen=True)
class NameMap:
    """Sources of the table by the names of the file."""

    of_file: Mapping[str, str]
    """Source of the table for each name of the file."""
    ignored: bool = False
    """The file does not say which source fired: shot points alone are matched."""
    findings: tuple[Finding, ...] = ()
    """How the names were matched, where that had to be found out."""


def match_source_names(
    shots: Shots,
    positions: Positions,
    of_line: NDArray[np.bool_],
    given: Mapping[str, str] | None,
) -> NameMap:
    """Match names as stated, by equality, or as most shot points have it.

    Raises
    ------
    NavigationError
        If a name is missing from `given`, or the names cannot be matched.
    """
    names = sorted({str(name) for name in positions.source[of_line]})
    known = {str(source) for source in shots.sources}
    if given:
        missing = [name for name in names if name not in given]
        if missing:
            raise NavigationError(
                f"source {missing[0]!r} of the file is not among the names given "
                f"({', '.join(given)})",
                where=str(positions.path),
                remedy="Name the source of the shot table for each source of the file.",
            )
        return NameMap(dict(given))
    if names == [""]:
        return NameMap({"": ""}, ignored=True)
    if known & set(names):
        return NameMap({name: name for name in names})
    return _most_agreed(shots, positions, of_line, names)


def _most_agreed(
    shots: Shots, positions: Positions, of_line: NDArray[np.bool_], names: list[str]
) -> NameMap:
    """The pairing that most shot points agree on, where each occurs once in both."""
    rows = np.flatnonzero(of_line)
    in_file = Counter(positions.shot_point[rows].tolist())
    in_table = Counter(shots.shot_point.tolist())
    name_at = dict(zip(positions.shot_point[rows].tolist(), positions.source[rows], strict=True))
    pairs: Counter[tuple[str, str]] = Counter(
        (str(name_at[point]), str(source))
        for point, source in zip(shots.shot_point.tolist(), shots.source, strict=True)
        if in_file[point] == 1 and in_table[point] == 1
    )
    total = Counter[str]()
    for (name, _), count in pairs.items():
        total[name] += count
    best = {name: max(pairs, key=lambda pair: (pair[0] == name, pairs[pair])) for name in total}
    agreed = all(pairs[best[name]] >= _AGREEING * total[name] for name in total)
    found = {name: best[name][1] for name in total}
    if not found or not agreed or len(set(found.values())) < len(found):
        raise NavigationError(
            f"sources {', '.join(names)} of the file cannot be matched with sources "
            f"{', '.join(str(source) for source in shots.sources)} of the shot table",
            where=str(positions.path),
            remedy="State which is which, for instance G1 = 1.",
        )
    text = ", ".join(f"{name} is source {source}" for name, source in sorted(found.items()))
    message = f"Sources of {positions.path.name} were matched by their shot points: {text}."
    sources = {str(source) for source in shots.sources}
    numbers = {name: "".join(re.findall(r"\d+$", name)).lstrip("0") for name in found}
    crossed = set(numbers.values()) == sources and any(
        number != found[name] for name, number in numbers.items()
    )
    if crossed:
        message += (
            " The numbers in the names say otherwise: sources are exchanged in the file or in the "
            "shot table, unless they are numbered differently; source_names of [navigation] states "
            "which is which."
        )
    verdict: Verdict = "look" if crossed else "note"
    finding = Finding("source_names_matched", float(len(found)), "", verdict, message)
    return NameMap({name: found.get(name, name) for name in names}, findings=(finding,))
