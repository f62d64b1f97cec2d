"""From rows to a table: each method on each line, against the best there, and over all lines."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import astuple, dataclass, fields
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from deblend.files import csv_text
from deblend.study.results import Row

ALL_LINES: Final = "all lines"
FAILS_BELOW_DB: Final = 3.0
"""A gain below this, over the pseudo-deblended record, is called failing here."""
DRAWS: Final = 9999
CONFIDENCE: Final = 0.95
LEAST_SEEDS: Final = 3
"""Of an interval; fewer say nothing of the spread."""
Standing = Literal["best", "as good", "behind", "fails"]


@dataclass(frozen=True)
class Summary:
    """One method on one line, over the seeds."""

    scene: str
    blend: str
    noise: str
    """The line; `ALL_LINES` as the scene for the mean over them."""
    sources: int
    """How many; 0 for all lines."""
    method: str
    """Its label."""
    seeds: int
    """Runs that are done, over all lines in that case."""
    not_done: int
    """Runs that diverged, failed or took too long."""
    start_db: float
    snr_db: float
    low_db: float
    high_db: float
    """Signal-to-noise ratio before and after, and the interval of the latter; NaN below three
    seeds."""
    behind_db: float
    behind_low_db: float
    behind_high_db: float
    """What it lacks to the best method of the line, paired seed by seed."""
    deepest_db: float
    difference_db: float
    leakage_db: float
    loss_db: float
    seconds: float
    peak_mib: float
    """Means over the seeds: the deepest window, differences between sources, interference left in,
    signal missing, time, memory."""
    standing: Standing
    """As good: the interval of what it lacks reaches zero. Fails: not every run is done, or the
    gain is below 3 dB."""


def summaries(rows: Sequence[Row]) -> list[Summary]:
    """Every line in the order of the rows, then all lines together, methods as they come."""
    lines: dict[tuple[str, ...], list[Row]] = {}
    for row in rows:
        lines.setdefault(_line(row), []).append(row)
    found = [one for some in lines.values() for one in _of_lines([some])]
    if len(lines) > 1:
        found += _of_lines(list(lines.values()))
    return found


def to_csv(found: Iterable[Summary]) -> str:
    """The table as CSV text, numbers with two decimals."""
    return csv_text(
        [field.name for field in fields(Summary)],
        ([f"{v:.2f}" if isinstance(v, float) else v for v in astuple(one)] for one in found),
    )


def _line(row: Row) -> tuple[str, ...]:
    return row["scene"], row["size"], row["blend"], row["noise"]


def _of_lines(lines: list[list[Row]]) -> list[Summary]:
    """All methods on one line, or over several."""
    methods = list(dict.fromkeys(row["method"] for rows in lines for row in rows))
    scores = {
        method: [{row["seed"]: row["snr_db"] for row in _done(rows, method)} for rows in lines]
        for method in methods
    }
    means = {
        method: _mean([np.array(list(one.values())) for one in scores[method]])
        for method in methods
    }
    ranked = {method: mean for method, mean in means.items() if np.isfinite(mean)}
    best = max(ranked, key=lambda method: ranked[method]) if ranked else None
    return [_summary(lines, method, scores, best) for method in methods]


def _done(rows: list[Row], method: str) -> list[Row]:
    return [row for row in rows if row["method"] == method and row["status"] == "done"]


def _summary(
    lines: list[list[Row]],
    method: str,
    scores: dict[str, list[dict[int, float]]],
    best: str | None,
) -> Summary:
    own = [row for rows in lines for row in rows if row["method"] == method]
    done = [row for row in own if row["status"] == "done"]
    snr, low, high = _enough([np.array(list(one.values())) for one in scores[method]])
    behind, behind_low, behind_high = _behind(scores, method, best)
    start = _of(done, "start_db")
    one = len(lines) == 1
    row = own[0]
    return Summary(
        scene=row["scene"] if one else ALL_LINES,
        blend=row["blend"] if one else "",
        noise=row["noise"] if one else "",
        sources=int(done[0]["sources"]) if one and done else 0,
        method=method,
        seeds=len(done),
        not_done=len(own) - len(done),
        start_db=start,
        snr_db=snr,
        low_db=low,
        high_db=high,
        behind_db=behind,
        behind_low_db=behind_low,
        behind_high_db=behind_high,
        deepest_db=_mean([np.array([row["snr_window_db"][-1] for row in done])]),
        difference_db=_of(done, "difference_snr_db"),
        leakage_db=_of(done, "leakage_db"),
        loss_db=_of(done, "loss_db"),
        seconds=_of(done, "seconds"),
        peak_mib=_of(done, "peak_mib"),
        standing=_standing(
            method, best, len(done) < len(own) or snr - start < FAILS_BELOW_DB, behind_low
        ),
    )


def _behind(
    scores: dict[str, list[dict[int, float]]], method: str, best: str | None
) -> tuple[float, float, float]:
    if best is None:
        return np.nan, np.nan, np.nan
    differences = []
    for better, own in zip(scores[best], scores[method], strict=True):
        seeds = sorted(set(better) & set(own))
        differences.append(np.array([better[seed] - own[seed] for seed in seeds], np.float64))
    return _enough(differences)


def _enough(groups: list[NDArray[np.float64]]) -> tuple[float, float, float]:
    """Mean and interval, the latter only where there are seeds enough for one."""
    mean, low, high = mean_interval(groups)
    if min(map(len, groups), default=0) < LEAST_SEEDS:
        return mean, np.nan, np.nan
    return mean, low, high


def _standing(method: str, best: str | None, fails: bool, behind_low: float) -> Standing:
    if fails:
        return "fails"
    if method == best:
        return "best"
    return "as good" if behind_low <= 0.0 else "behind"


def _of(rows: list[Row], name: str) -> float:
    values = [row[name] for row in rows if row[name] is not None]
    return _mean([np.array(values, np.float64)])


def _mean(groups: list[NDArray[np.float64]]) -> float:
    if not groups or any(len(group) == 0 for group in groups):
        return float("nan")
    return float(np.mean([group.mean() for group in groups]))


def mean_interval(
    groups: Sequence[NDArray[np.float64]],
    *,
    confidence: float = CONFIDENCE,
    draws: int = DRAWS,
    seed: int = 0,
) -> tuple[float, float, float]:
    """Mean over groups of the mean over seeds, and the ends of its bootstrap interval.

    The method is that of Efron & Tibshirani 1993, An Introduction to the Bootstrap, chapter 13
    (percentile intervals). Seeds are drawn again within each line, so that lines weigh the
    same, and both methods keep their scores of the same seed together. With few seeds such an
    interval is too narrow: that of three ends at the lowest and the highest and holds the mean
    of very many in ``1 - 2 / 2**3``, 75 cases of a hundred, where scores scatter evenly about
    it; that of ten in 91.

    A group is a line: scores, or differences of two methods seed by seed. NaN where one is empty.
    """
    if not groups or any(len(group) == 0 for group in groups):
        return np.nan, np.nan, np.nan
    random = np.random.default_rng(seed)
    total = np.zeros(draws)
    for group in groups:
        total += group[random.integers(len(group), size=(draws, len(group)))].mean(axis=1)
    tail = 0.5 * (1.0 - confidence)
    low, high = np.quantile(total / len(groups), (tail, 1.0 - tail))
    return float(np.mean([group.mean() for group in groups])), float(low), float(high)
