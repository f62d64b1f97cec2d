"""How many tests of a result could not judge: what they did not see may still be there."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from deblend.model.findings import Finding
from deblend.qc.limits import EXPECTED_ERROR, UNDECIDED, Limit, verdict_row

_OF_A_SOURCE: Final = (
    EXPECTED_ERROR,
    "signal_removed",
    "coherent_removed",
    "kept_removed_correlation",
    "alike_windows",
)
_BETWEEN_SOURCES: Final = ("interference_left", "crosstalk")
_TESTS: Final = {*_OF_A_SOURCE, *_BETWEEN_SOURCES}
_IN_EVERY_WINDOW: Final = "energy_removed"
"""Rows that no lack of shots or signal leaves out."""


def undecided_row(findings: Sequence[Finding], limits: Mapping[str, Limit]) -> Finding:
    """Share of the tests of sources and windows of a line that came to no verdict."""
    tested = [row for row in findings if row.metric in _TESTS and row.window_s is not None]
    count = _possible(
        row for row in findings if row.metric in _TESTS or row.metric == _IN_EVERY_WINDOW
    )
    if not count:
        return Finding(UNDECIDED, 100.0, "%", "look", "No test of the result could be made.")
    open_rows = [row for row in tested if row.verdict == "note"]
    empty = sum(math.isnan(row.value) for row in open_rows)
    wide, missing = len(open_rows) - empty, max(count - len(tested), 0) + empty
    return verdict_row(
        limits,
        UNDECIDED,
        100.0 * (wide + missing) / count,
        f"{wide + missing} of {count} tests of sources and windows could not judge: for {wide} "
        f"what chance may do is more than their limit, {missing} had too little signal or too few "
        "shots. What these would have found is not known.",
    )


def with_undecided(findings: Sequence[Finding], limits: Mapping[str, Limit]) -> tuple[Finding, ...]:
    """Findings of which others than before may have come to a verdict."""
    return tuple(
        undecided_row(findings, limits) if row.metric == UNDECIDED else row for row in findings
    )


def _possible(rows: Iterable[Finding]) -> int:
    """Tests of a line of these sources and windows."""
    places = {
        (source, row.window_s)
        for row in rows
        for source in (row.source, row.other_source)
        if source is not None and row.window_s is not None
    }
    sources, windows = ({place[k] for place in places} for k in (0, 1))
    each = len(_OF_A_SOURCE) + len(_BETWEEN_SOURCES) * (len(sources) - 1)
    return len(sources) * len(windows) * each
