"""A table of shots as the findings of the input check say it should be, each change with a reason.

Nothing is mended that concerns all shots (an offset, a step or a drift of a clock), and nothing is
used by itself: the table is for someone to look at.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from deblend.check.headers.source_numbers import placed_as_other
from deblend.model.findings import Finding
from deblend.model.shots import Shots, make_shots


def mended_shots(shots: Shots, findings: Sequence[Finding]) -> tuple[Shots, list[str]]:
    """Change what findings about single shots say, and add rows for shots that are not there.

    New rows come last: not to be delivered, with a shot point of their own. The texts say why each
    row was changed, and are empty where it was not.
    """
    columns: dict[str, Any] = {
        name: getattr(shots, name).copy() for name in ("source", "fire_time_ns", "live")
    }
    reasons = [""] * len(shots)
    rows = {
        (str(source), int(point)): row
        for row, (source, point) in enumerate(zip(shots.source, shots.shot_point, strict=True))
    }
    placed_as = placed_as_other(shots)
    for finding in findings:
        row = rows.get((str(finding.source), finding.shot_point or 0))
        if finding.verdict != "fail" or row is None:
            continue
        other = finding.other_source or placed_as.get(row)
        if finding.metric in ("misfire_not_marked", "misfire_that_fired"):
            columns["live"][row] = finding.metric == "misfire_that_fired"
        elif finding.metric == "fire_time_error":
            columns["fire_time_ns"][row] += round(finding.value * 1e6)
        elif finding.metric == "source_number_wrong" and other is not None:
            columns["source"][row] = other
        else:
            continue
        reasons[row] = f"{finding.metric}: {finding.message}"
    mended = replace(shots, **columns)
    for finding in findings:
        if finding.verdict == "fail" and finding.instant_ns is not None:
            mended = _with_row(mended, finding.source, finding.instant_ns)
            reasons.append(f"{finding.metric}: {finding.message}")
    return mended, reasons


def _with_row(shots: Shots, source: int | str | None, fired_ns: int) -> Shots:
    """One more shot, that is separated as interference."""
    name: Any = np.array([source], shots.source.dtype)
    new = make_shots(
        name,
        np.array([shots.shot_point.max() + 1]),
        np.array([fired_ns]),
        shots.time_scale,
        line=shots.line[:1],
        sequence=shots.sequence[:1],
        deliver=np.zeros(1, np.bool_),
    )
    return shots.followed_by(new)
