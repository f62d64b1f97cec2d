"""Findings and shots as small tables: what the page prints and the bars show."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Final

import numpy as np

from deblend.model.findings import Finding, Verdict
from deblend.qc.limits import badness
from deblend.report.contents import Acquisition

SNR: Final = "snr"
DIFFERENCE_SNR: Final = "difference_snr"
"""Ratios of a line with known truth; ``_start`` and ``_noise_limit`` are added for the others."""

ENERGY_REMOVED: Final = "energy_removed"
RESIDUAL: Final = "reblend_residual"
EXPECTED_ERROR: Final = "expected_error"

Range = tuple[float, float] | None
_HYPHEN_OF_A_NUMBER: Final = re.compile(
    r"(?<![\w.])-(?=\.?\d|inf\b)|(?<=\de)-(?=\d)|(?<=\d )-(?= \d)"
)
SEVERITY: Final[tuple[Verdict, ...]] = ("fail", "look", "note", "pass")


@dataclass(frozen=True)
class ShotCount:
    """How many shots of one source are in the output, and why the others are not."""

    source: int | str
    fired: int
    delivered: int
    reasons: tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class SnrRow:
    """Signal-to-noise ratio of one source in one window and band, in dB; NaN where not measured."""

    source: int | str
    window_s: Range
    band_hz: Range
    start: float = float("nan")
    value: float = float("nan")
    limit: float = float("nan")

    @property
    def gain(self) -> float:
        """How much the separation added to the starting value, in dB."""
        return self.value - self.start

    @property
    def place(self) -> str:
        """Window or band in words."""
        return band_text(self.band_hz) or window_text(self.window_s)


@dataclass(frozen=True)
class SnrTable:
    """Ratios of all sources by time or by octave."""

    name: str
    """As in a file name, such as ``ratios-by-time``."""
    title: str
    """In words."""
    heading: str
    """Over the names of the sources."""
    rows: tuple[SnrRow, ...]
    """In order of place and source."""

    @property
    def places(self) -> tuple[str, ...]:
        """Windows or bands in words."""
        return tuple(dict.fromkeys(row.place for row in self.rows))

    @property
    def has_limit(self) -> bool:
        """Whether a noise limit was measured."""
        return any(row.limit == row.limit for row in self.rows)

    @property
    def matrix(self) -> dict[int | str, list[SnrRow]]:
        """For each source its row in each place."""
        return snr_matrix(self.rows)


def shot_counts(acquisition: Acquisition) -> list[ShotCount]:
    """Shots fired and delivered by each source, with the reasons given for the rest."""
    rows = []
    for source in acquisition.sources:
        mine = acquisition.source == source
        missing = mine & ~acquisition.delivered
        given = [""] * int(missing.sum())
        if acquisition.reason is not None:
            given = [str(reason) for reason in acquisition.reason[missing]]
        reasons = Counter(reason or "no reason given, see the findings" for reason in given)
        rows.append(
            ShotCount(
                source=source,
                fired=int(mine.sum()),
                delivered=int(np.count_nonzero(mine & acquisition.delivered)),
                reasons=tuple(reasons.most_common()),
            )
        )
    return rows


def snr_rows(findings: Iterable[Finding], metric: str = SNR) -> list[SnrRow]:
    """Ratio, starting value and noise limit put together for each source, window and band.

    Rows of a single channel or shot point are left out. Whole gathers come before windows, windows
    in order of time before bands in order of frequency.
    """
    parts = {metric: "value", f"{metric}_start": "start", f"{metric}_noise_limit": "limit"}
    cells: dict[tuple[int | str, Range, Range], dict[str, float]] = {}
    for finding in whole_line(findings):
        if finding.metric in parts and finding.source is not None:
            place = finding.source, finding.window_s, finding.band_hz
            cells.setdefault(place, {})[parts[finding.metric]] = finding.value
    nan = float("nan")
    rows = [
        SnrRow(*place, cell.get("start", nan), cell["value"], cell.get("limit", nan))
        for place, cell in cells.items()
        if "value" in cell
    ]
    nothing = (-1.0, -1.0)
    return sorted(
        rows,
        key=lambda row: (
            row.band_hz or nothing,
            row.window_s or nothing,
            natural_order(row.source),
        ),
    )


def snr_tables(findings: Sequence[Finding]) -> list[SnrTable]:
    """Ratios by time and by octave, of the sources and of their differences."""
    found = []
    for metric, name, heading, of in (
        (SNR, "ratios", "Source", ""),
        (DIFFERENCE_SNR, "difference-ratios", "Sources", "Differences between sources, "),
    ):
        rows = snr_rows(findings, metric)
        for quantity, title, own in (
            ("time", "by time after firing", [row for row in rows if row.band_hz is None]),
            ("frequency", "by frequency band", [row for row in rows if row.band_hz is not None]),
        ):
            if own:
                found.append(SnrTable(f"{name}-by-{quantity}", of + title, heading, tuple(own)))
    return found


def snr_matrix(rows: Sequence[SnrRow]) -> dict[int | str, list[SnrRow]]:
    """For each source its row in each place that occurs; an empty row where there is none."""
    places = list(dict.fromkeys((row.window_s, row.band_hz) for row in rows))
    cells = {(row.source, row.window_s, row.band_hz): row for row in rows}
    return {
        source: [cells.get((source, *place), SnrRow(source, *place)) for place in places]
        for source in sorted({row.source for row in rows}, key=natural_order)
    }


def by_source_and_window(
    findings: Iterable[Finding], metric: str
) -> tuple[list[Range], dict[int | str, list[float]]]:
    """One metric as a matrix: windows, and for each source its values in them."""
    values = {
        (finding.source, finding.window_s): finding.value
        for finding in whole_line(findings)
        if finding.metric == metric and finding.source is not None and finding.band_hz is None
    }
    windows = sorted({window for _, window in values}, key=lambda w: w or (-1.0, -1.0))
    sources = sorted({source for source, _ in values}, key=natural_order)
    matrix = {
        source: [values.get((source, window), float("nan")) for window in windows]
        for source in sources
    }
    return windows, matrix


def by_severity(findings: Iterable[Finding]) -> list[Finding]:
    """The worst first; the order within one verdict is kept."""
    return sorted(findings, key=lambda finding: SEVERITY.index(finding.verdict))


@dataclass(frozen=True)
class MetricGroup:
    """Findings of one metric, for one part of the table."""

    metric: str
    rows: tuple[Finding, ...]
    """The worst first."""
    shown: int
    """Rows that are not folded away."""

    @property
    def counts(self) -> str:
        """How many rows carry each verdict, in words."""
        counts = verdict_counts(self.rows)
        return ", ".join(f"{count} {verdict}" for verdict, count in counts.items() if count)


def by_metric(findings: Sequence[Finding], most_shown: int = 4) -> list[MetricGroup]:
    """Findings grouped by metric, the worst first and metrics of notes alone last.

    Of what looks or fails `most_shown` rows of a metric stand open; the rest and all notes are
    folded.
    """
    own: dict[str, list[Finding]] = {}
    for finding in by_severity(findings):
        own.setdefault(finding.metric, []).append(finding)
    groups = []
    for metric, rows in own.items():
        rows.sort(key=lambda row: (SEVERITY.index(row.verdict), -badness(row)[1]))
        bad = sum(row.verdict in ("fail", "look") for row in rows)
        groups.append(MetricGroup(metric, tuple(rows), min(bad, most_shown)))
    judged = ("fail", "look", "pass", "note")
    return sorted(groups, key=lambda group: min(judged.index(row.verdict) for row in group.rows))


def verdict_counts(findings: Sequence[Finding]) -> dict[str, int]:
    """How many rows carry each verdict, the worst first."""
    counts = Counter(finding.verdict for finding in findings)
    return {verdict: counts[verdict] for verdict in SEVERITY}


def with_minus(text: str) -> str:
    """Text for people, with the minus sign of numbers in place of the hyphen of programs.

    Hyphens of words, dates and ranges stay.
    """
    return _HYPHEN_OF_A_NUMBER.sub("−", text)


def number(value: float | None, digits: int = 4) -> str:
    """A number for people: so many significant digits, a dash for what is not there."""
    if value is None or value != value:
        return "–"
    if not isfinite(value):
        return "∞" if value > 0 else "−∞"
    return with_minus(f"{value:.{digits}g}")


def decibels(value: float) -> str:
    """A level with one decimal."""
    return with_minus(f"{value:.1f}") if isfinite(value) else number(value)


def window_text(window: Range) -> str:
    """``0–1.5 s``, ``1.5 s`` for an instant, or ``all times``."""
    if window is None:
        return "all times"
    start, stop = window
    return f"{start:.4g}–{stop:.4g} s" if stop > start else f"{start:.4g} s"


def band_text(band_hz: tuple[float, float] | None) -> str:
    """``5–10 Hz``, or nothing."""
    return "" if band_hz is None else f"{band_hz[0]:.3g}–{band_hz[1]:.3g} Hz"


def metric_text(metric: str) -> str:
    """The name of a metric in words."""
    return metric.replace("_", " ").replace("snr", "signal-to-noise ratio")


def whole_line(findings: Iterable[Finding]) -> Iterable[Finding]:
    """Rows that concern all shots and channels."""
    return (one for one in findings if one.channel is None and one.shot_point is None)


def natural_order(source: int | str | None) -> tuple[bool, int, str]:
    """Numbers in order before names in order."""
    is_name = isinstance(source, str)
    return is_name, 0 if is_name or source is None else int(source), str(source)
