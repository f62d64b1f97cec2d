"""Panels for the report from two lines that were compared."""

from __future__ import annotations

from typing import Final

import numpy as np

from deblend.report.panels import ComparedPanel
from deblend.trial.benchmark_line import Match, Paired

MOST_TRACES: Final = 400
"""Traces of a panel, around its middle."""


def compared_panel(what: str, paired: Paired, match: Match) -> ComparedPanel:
    """The trial, matched in strength, and the benchmark on the same traces.

    Parameters
    ----------
    what : str
        What is compared. Offset or distance labels the traces, whichever changes more.
    paired : Paired
        Traces that belong together.
    match : Match
        Applied to the trial.
    """
    begin = max(0, (len(paired.apart_m) - MOST_TRACES) // 2)
    middle = slice(begin, begin + MOST_TRACES)
    place = paired.trial.place_m[middle]
    axis, label = np.hypot(*(place - place[0])[:, :2].T), "distance along the line (m)"
    if place.shape[1] > 2 and np.ptp(place[:, 2]) > np.ptp(axis):
        axis, label = place[:, 2], "offset (m)"
    return ComparedPanel(
        title=what,
        trial_name=paired.trial.name,
        benchmark_name=paired.benchmark.name,
        trial=match.apply(paired.trial).traces[middle],
        benchmark=paired.benchmark.traces[middle],
        axis=axis,
        axis_label=label,
        interval_s=paired.trial.interval_s,
        match=match.kind,
        apart_m=float(np.sqrt(np.mean(paired.apart_m**2))),
        same_place=paired.same_place,
    )
