"""Findings of the input check in few words: what was verified, what many shots have in common."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Final

from deblend.model.findings import Finding

MANY_ALIKE: Final = 6
"""Findings of one kind that are shown one by one."""
_MOST_RANGES: Final = 6
_CLOCK_WORDS: Final = {
    "clock_not_verified": "not verified",
    "clock_offset": "record behind fire times by",
    "clock_step": "step of",
    "clock_drift": "drift over the line of",
}


def verified_rows(findings: Sequence[Finding]) -> list[tuple[str, str]]:
    """Rows that say how clocks and shots were held against the samples; none without samples."""
    clocks = [_clock_words(f) for f in findings if f.metric in _CLOCK_WORDS]
    verified = [f.message for f in findings if f.metric in ("shots_verified", "not_verified")]
    missing = [f for f in findings if f.metric == "shot_not_verified"]
    numbers = [f.message for f in findings if f.metric == "source_numbers_not_verified"]
    rows = [
        ("clocks", ", ".join(clocks)),
        ("verified", " ".join(verified) or ("no shot" if clocks else "")),
        ("not verified", shots_named(missing)),
        ("source numbers", " ".join(numbers)),
    ]
    return [(name, words) for name, words in rows if words]


def _clock_words(finding: Finding) -> str:
    places = 1 if finding.unit == "ms" else 3
    value = "" if math.isnan(finding.value) else f" {finding.value:+.{places}f} {finding.unit}"
    return f"{_CLOCK_WORDS[finding.metric]}{value}"


def with_many_as_one(findings: Sequence[Finding]) -> list[Finding]:
    """Findings in which very many of one kind and verdict are replaced by one, where they begin."""
    kinds: dict[tuple[str, str], list[Finding]] = {}
    for finding in findings:
        kinds.setdefault((finding.verdict, finding.metric), []).append(finding)
    out = []
    for finding in findings:
        alike = kinds[finding.verdict, finding.metric]
        if len(alike) <= MANY_ALIKE:
            out.append(finding)
        elif finding is alike[0]:
            out.append(_as_one(alike))
    return out


def _as_one(alike: Sequence[Finding]) -> Finding:
    first, named = alike[0], shots_named(alike)
    message = f"The first of them: {first.message}"
    if named:
        message = f"{named[0].upper()}{named[1:]}. {message}"
    return Finding(first.metric, float(len(alike)), "findings", first.verdict, message)


def shots_named(findings: Sequence[Finding]) -> str:
    """Shots that findings are about: source by source, shot points in ranges, some of very many."""
    points: dict[int | str, list[int]] = {}
    for finding in findings:
        if finding.source is not None and finding.shot_point is not None:
            points.setdefault(finding.source, []).append(finding.shot_point)
    named = []
    for source in sorted(points, key=str):
        ranges = list(_ranges(sorted(set(points[source]))))
        rest = f" and {len(ranges) - _MOST_RANGES} more" if len(ranges) > _MOST_RANGES else ""
        named.append(f"source {source} shot point {', '.join(ranges[:_MOST_RANGES])}{rest}")
    rest = f"; {len(named) - _MOST_RANGES} more sources" if len(named) > _MOST_RANGES else ""
    return "; ".join(named[:_MOST_RANGES]) + rest


def _ranges(points: Sequence[int]) -> Iterator[str]:
    """Numbers that follow each other as one range."""
    begin = 0
    for place in range(1, len(points) + 1):
        if place == len(points) or points[place] != points[place - 1] + 1:
            first, last = points[begin], points[place - 1]
            yield str(first) if first == last else f"{first} to {last}"
            begin = place
