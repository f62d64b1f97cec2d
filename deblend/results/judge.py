"""The findings of a finished run held against limits, perhaps others than it was run with."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, cast, get_args

from deblend.errors import InputError, reason_of
from deblend.line.open_line import OpenLine
from deblend.model.findings import COLUMNS, Finding, Verdict, cell_text
from deblend.qc.limits import (
    Limit,
    default_limits,
    limit_of,
    overall_verdict,
    read_limits,
    verdict_by_chance,
    verdict_of,
)
from deblend.qc.undecided import with_undecided
from deblend.results.checked_manifest import refuse_damaged
from deblend.results.output_folder import FINDINGS

EXIT_STATUS: Final[dict[Verdict, int]] = {"note": 0, "pass": 0, "look": 1, "fail": 3}
"""Status of a command that ends with a verdict; 2 is for what cannot be run."""


@dataclass(frozen=True)
class Judgement:
    """Findings with their verdicts, and the verdict of all together."""

    findings: tuple[Finding, ...]
    """All rows."""
    verdict: Verdict
    """The worst of them, the re-blend residual left aside."""


def judge_folder(folder: Path, limits: Mapping[str, Limit]) -> Judgement:
    """Judge the findings table in a folder of results, once its files are as they were delivered.

    Raises
    ------
    InputError
        If there is no findings table or manifest, one is damaged, or a delivered file is missing or
        not the one that the manifest records.
    """
    findings = tuple(_with_limits_of(row, limits) for row in read_findings(folder / FINDINGS))
    refuse_damaged(folder)
    findings = with_undecided(findings, limits)
    return Judgement(findings, overall_verdict(findings))


def line_limits(opened: OpenLine) -> dict[str, Limit]:
    """Limits of the findings: those that the line file names, or the default ones.

    Raises
    ------
    SettingsError
        If the file of limits cannot be used.
    """
    table = opened.line.keys.quality
    if table is None or table.limits is None:
        return default_limits()
    return read_limits(opened.line.resolve(table.limits))


def limits_text() -> str:
    """The default limits as TOML text, to be copied and changed."""
    return files("deblend.qc").joinpath("limits.toml").read_text(encoding="utf-8")


def read_findings(path: Path) -> list[Finding]:
    """Read a findings table back.

    Raises
    ------
    InputError
        If it cannot be read or is damaged.
    """
    try:
        with path.open(encoding="utf-8", newline="") as file:
            reader = csv.DictReader(file)
            if tuple(reader.fieldnames or ()) != COLUMNS:
                raise ValueError(f"its columns are {reader.fieldnames}")
            return [
                _finding({name: cell_text(cell) for name, cell in row.items()}) for row in reader
            ]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(
            f"the findings table cannot be read ({reason_of(error)})",
            where=str(path),
            remedy="Name the folder of a finished run.",
        ) from error


def _finding(row: Mapping[str, str]) -> Finding:
    verdict = row["verdict"]
    if verdict not in get_args(Verdict):
        raise ValueError(f"{verdict!r} is no verdict")

    def number(name: str, kind: type) -> Any:
        return kind(row[name]) if row[name] else None

    def span(name: str) -> tuple[float, float] | None:
        if not row[name]:
            return None
        low, high = row[name].split(":")
        return float(low), float(high)

    return Finding(
        metric=row["metric"],
        value=float(row["value"]),
        unit=row["unit"],
        verdict=cast(Verdict, verdict),
        message=row["message"],
        source=row["source"] or None,
        shot_point=number("shot_point", int),
        channel=number("channel", int),
        window_s=span("window_s"),
        band_hz=span("band_hz"),
        limit=number("limit", float),
        other_source=row["other_source"] or None,
        error=number("error", float),
    )


def _with_limits_of(finding: Finding, limits: Mapping[str, Limit]) -> Finding:
    """A row under the limits given; one without a limit of its own, or within chance, stays."""
    limit = limit_of(limits, finding.metric, finding.window_s)
    if limit is None or finding.limit is None:
        return finding
    earlier_sign = 1.0 if limit.worse == "above" else -1.0
    verdict = verdict_of(limit, finding.metric, finding.value, finding.error or 0.0)
    by_chance = finding.verdict == "note" and earlier_sign * (finding.value - finding.limit) > 0
    if by_chance:
        verdict = verdict_by_chance(verdict)
    return replace(finding, verdict=verdict, limit=limit.fail if verdict == "fail" else limit.look)
