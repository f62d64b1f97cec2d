"""Limits of the findings, and the verdict that follows from them."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from deblend.errors import SettingsError
from deblend.files import read_toml
from deblend.model.findings import Finding, Verdict
from deblend.words import did_you_mean

NO_SOURCE: Final = "common practice, no source"
EXPECTED_ERROR: Final = "expected_error"
_IN_WINDOW: Final = f"{EXPECTED_ERROR}_in_window"
"""Limit of the rows of windows: single ones may be worse than the whole."""
UNDECIDED: Final = "undecided_tests"
RESIDUAL: Final = "reblend_residual"
WORST_RESIDUAL: Final = f"{RESIDUAL}_worst_shot"
_NEVER_DECIDE: Final = frozenset({RESIDUAL, WORST_RESIDUAL})
"""Rows that may ask for a look and never pass: what re-blends may still be wrong."""
_ORDER: Final[tuple[Verdict, ...]] = ("note", "pass", "look", "fail")
_KEYS: Final = {"unit", "worse", "look", "fail", "source"}


@dataclass(frozen=True)
class Limit:
    """Limit of one metric."""

    unit: str
    """Of `look` and `fail`."""
    worse: str
    """Which side is bad."""
    look: float
    fail: float
    """Values beyond which the verdict changes."""
    source: str
    """Where the limit comes from."""

    def verdict(self, value: float, error: float = 0.0) -> Verdict:
        """Verdict of a value in the unit of the limit, with its standard deviation; NaN is a note.

        It fails only where it is beyond that limit by two standard deviations: a value that may lie
        on either side asks for a look.
        """
        if math.isnan(value):
            return "note"
        sign = 1.0 if self.worse == "above" else -1.0
        if sign * value - 2.0 * error > sign * self.fail:
            return "fail"
        return "look" if sign * value > sign * self.look else "pass"


def default_limits() -> dict[str, Limit]:
    """The limits that come with the package."""
    text = files("deblend.qc").joinpath("limits.toml").read_text(encoding="utf-8")
    return _limits(tomllib.loads(text), "deblend/qc/limits.toml", {})


def read_limits(path: str | Path) -> dict[str, Limit]:
    """The default limits, with those of a file in their place.

    Parameters
    ----------
    path : str or Path
        TOML file, one table a metric; keys that are left out keep their defaults, but a table that
        changes a limit states its `source`.

    Raises
    ------
    SettingsError
        If the file cannot be read, or names a metric, a key or a value that cannot be used.
    """
    path = Path(path)
    return _limits(read_toml(path, "file of limits"), str(path), default_limits())


def _limits(tables: Mapping[str, Any], where: str, known: Mapping[str, Limit]) -> dict[str, Limit]:
    limits = dict(known)
    for metric, table in tables.items():
        if known and metric not in known:
            remedy = did_you_mean(metric, known, f"Metrics: {', '.join(known)}.")
            raise SettingsError(f"no metric is called {metric!r}", where=where, remedy=remedy)
        limits[metric] = _limit(metric, table, known.get(metric), where)
    return limits


def _limit(metric: str, table: Any, default: Limit | None, where: str) -> Limit:
    place = f"{where}, table [{metric}]"
    if not isinstance(table, dict) or not table.keys() <= _KEYS or "source" not in table:
        raise SettingsError(
            f"the limit of {metric} cannot be used",
            where=place,
            remedy=f"Write a table with {', '.join(sorted(_KEYS))}; source is needed and says "
            f'where the limit comes from ("{NO_SOURCE}" will do).',
        )
    merged = {**(vars(default) if default else {"fail": math.inf}), **table}
    for name in ("look", "fail"):
        value = merged.get(name)
        if not isinstance(value, int | float) or isinstance(value, bool) or math.isnan(value):
            raise SettingsError(
                f"{name} is {value!r}", where=place, remedy=f"Give a number in {merged['unit']}."
            )
    if merged["worse"] not in ("above", "below") or (
        default is not None and (merged["unit"], merged["worse"]) != (default.unit, default.worse)
    ):
        raise SettingsError(
            "unit and sense of a metric cannot be changed",
            where=place,
            remedy="Leave out unit and worse.",
        )
    sign = 1.0 if merged["worse"] == "above" else -1.0
    if sign * merged["fail"] < sign * merged["look"]:
        raise SettingsError(
            f"fail ({merged['fail']}) is stricter than look ({merged['look']})",
            where=place,
            remedy="Let fail be the worse of the two.",
        )
    return Limit(
        str(merged["unit"]),
        str(merged["worse"]),
        float(merged["look"]),
        float(merged["fail"]),
        str(merged["source"]),
    )


def limit_of(
    limits: Mapping[str, Limit], metric: str, window_s: tuple[float, float] | None = None
) -> Limit | None:
    """Limit of a metric, None if it has none; the worst shots have that of all."""
    if metric == EXPECTED_ERROR and window_s is not None:
        return limits.get(_IN_WINDOW)
    return limits.get(RESIDUAL if metric == WORST_RESIDUAL else metric)


def verdict_of(limit: Limit, metric: str, value: float, error: float = 0.0) -> Verdict:
    """Verdict of a value; a small re-blend residual is a note, because it proves nothing.

    An expected error fails where it is itself beyond its limit: `look` and `fail` lie two to three
    of its standard deviations apart, and a margin would let truly bad runs off with a look.
    """
    verdict = limit.verdict(value, 0.0 if metric == EXPECTED_ERROR else error)
    return "note" if verdict == "pass" and metric in _NEVER_DECIDE else verdict


def verdict_row(
    limits: Mapping[str, Limit],
    metric: str,
    value: float,
    message: str,
    *,
    beyond_chance: bool = True,
    error: float | None = None,
    source: int | str | None = None,
    shot_point: int | None = None,
    channel: int | None = None,
    window_s: tuple[float, float] | None = None,
    band_hz: tuple[float, float] | None = None,
    other_source: int | str | None = None,
) -> Finding:
    """A finding whose verdict follows from its limit; its fields are those of `Finding`.

    What may be chance (not `beyond_chance`) may pass and never fails: where it exceeds its limit it
    is a note.
    """
    limit = limit_of(limits, metric, window_s)
    if limit is None:
        raise KeyError(metric)
    known = error if error is not None and math.isfinite(error) else None
    verdict = verdict_of(limit, metric, value, known or 0.0)
    if not beyond_chance:
        verdict = verdict_by_chance(verdict)
    return Finding(
        metric,
        value,
        limit.unit,
        verdict,
        message,
        source=source,
        shot_point=shot_point,
        channel=channel,
        window_s=window_s,
        band_hz=band_hz,
        limit=limit.fail if verdict == "fail" else limit.look,
        other_source=other_source,
        error=known,
    )


def verdict_by_chance(verdict: Verdict) -> Verdict:
    """Verdict on a value that may be chance: what exceeds its limit is not judged."""
    return "note" if verdict in ("look", "fail") else verdict


def overall_verdict(findings: Iterable[Finding]) -> Verdict:
    """The worst verdict of a table, the re-blend residual left aside.

    ``note`` where nothing but notes and residuals is there: nothing was judged then.
    """
    deciding = [finding.verdict for finding in findings if finding.metric not in _NEVER_DECIDE]
    return max(deciding, key=_ORDER.index, default="note")


def worst_of_each_metric(findings: Iterable[Finding]) -> list[tuple[Finding, int]]:
    """The worst row of each metric that makes the verdict, and how many of it look or fail.

    Failures come first; within a metric the row farthest beyond its limit stands for the rest.
    """
    bad: dict[str, list[Finding]] = {}
    for row in findings:
        if row.verdict in ("look", "fail") and row.metric not in _NEVER_DECIDE:
            bad.setdefault(row.metric, []).append(row)
    worst = [(max(rows, key=badness), len(rows)) for rows in bad.values()]
    return sorted(worst, key=lambda pair: -_ORDER.index(pair[0].verdict))


def badness(finding: Finding) -> tuple[int, float]:
    """Order of findings of one metric: by verdict, then by how far they lie beyond their limit."""
    severity = _ORDER.index(finding.verdict)
    if finding.limit is None or math.isnan(finding.value) or severity < _ORDER.index("look"):
        return severity, 0.0
    return severity, abs(finding.value - finding.limit)
