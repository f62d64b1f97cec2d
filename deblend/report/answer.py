"""The answer of a page: the verdict and why, and where in the line to look first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from deblend.model.findings import Finding, Verdict
from deblend.model.place import GatherKind, Place, place_of_finding
from deblend.qc.limits import overall_verdict, worst_of_each_metric
from deblend.report import tables
from deblend.report.contents import GatherSection
from deblend.words import counted

MOST_REASONS = 5
"""Metrics that the first screen names; the table has all."""


@dataclass(frozen=True)
class Reason:
    """A metric that looks or fails, by its worst row."""

    finding: Finding
    """The worst row."""
    count: int
    """Rows of the metric that look or fail."""


@dataclass(frozen=True)
class Answer:
    """What the first screen says in words."""

    verdict: Verdict
    """Of all findings together."""
    sentence: str
    """What the verdict rests on."""
    reasons: tuple[Reason, ...]
    """The worst first."""
    more: int
    """Metrics that look or fail and are not among `reasons`."""


def answer_of(findings: Sequence[Finding]) -> Answer:
    """The verdict of findings, and its reasons."""
    reasons = [Reason(worst, count) for worst, count in worst_of_each_metric(findings)]
    shown = tuple(reasons[:MOST_REASONS])
    return Answer(overall_verdict(findings), _sentence(findings), shown, len(reasons) - len(shown))


def _sentence(findings: Sequence[Finding]) -> str:
    counts = tables.verdict_counts(findings)
    judged = counts["fail"] + counts["look"] + counts["pass"]
    if not judged:
        return "Nothing was judged."
    bad = [
        f"{counts[verdict]} {word if counts[verdict] == 1 else words}"
        for verdict, word, words in (
            ("fail", "fails", "fail"),
            ("look", "wants a look", "want a look"),
        )
        if counts[verdict]
    ]
    if not bad:
        if judged == 1:
            return "The judged figure is within its limit."
        return f"All {judged} judged figures are within their limits."
    return f"Of {counted(judged, 'judged figure')}, {' and '.join(bad)}."


def place_text(finding: Finding) -> str:
    """Where a finding is, in words; empty where it concerns the whole line."""
    parts = [
        "" if finding.source is None else f"source {finding.source}",
        "" if finding.other_source is None else f"from source {finding.other_source}",
        "" if finding.shot_point is None else f"shot point {finding.shot_point}",
        "" if finding.channel is None else f"channel {finding.channel}",
        "" if finding.window_s is None else tables.window_text(finding.window_s),
        tables.band_text(finding.band_hz),
    ]
    return ", ".join(part for part in parts if part)


def place_link(finding: Finding) -> str:
    """Fragment of the address of the gather that a finding speaks of; empty for the whole line."""
    place = place_of_finding(finding)
    if place is None:
        place = Place(source="" if finding.source is None else str(finding.source))
        place = replace(place, window_s=finding.window_s if place.source else None)
    if place.window_s is not None and not place.window_s[0] < place.window_s[1]:
        place = replace(place, window_s=None)
    return place.link()


def first_place(findings: Sequence[Finding], sections: Sequence[GatherSection]) -> str:
    """Fragment of the gather to open on; empty where there is none."""
    if not sections:
        return ""
    section, shot_point = worst_gather(findings, sections)
    kind: GatherKind = "shot_point" if section.kind == "shot" else "channel"
    return Place(str(section.source), kind, section.number, near=shot_point).link()


def worst_gather(
    findings: Sequence[Finding], sections: Sequence[GatherSection]
) -> tuple[GatherSection, int | None]:
    """The common-channel gather of the worst place that is live, and the shot point to mark.

    Without a place that looks or fails it is the middle channel of the source with the highest
    expected error.
    """
    channels = [one for one in sections if one.kind == "common channel"] or list(sections)
    live = [one for one in channels if 2 * one.live.sum() > len(one.live)] or channels
    for finding in (worst for worst, _ in worst_of_each_metric(findings)):
        here = [one for one in live if _shows(one, finding)]
        if here and place_link(finding):
            return here[len(here) // 2], finding.shot_point
    errors = [
        one
        for one in tables.whole_line(findings)
        if one.metric == tables.EXPECTED_ERROR and one.value == one.value
    ]
    worst = max(errors, key=lambda one: one.value, default=None)
    own = [one for one in live if worst is None or str(one.source) == str(worst.source)] or live
    return own[len(own) // 2], None


def _shows(section: GatherSection, finding: Finding) -> bool:
    """Whether a common-channel gather has what a finding names."""
    members = () if section.members is None else section.members
    return (
        (finding.source is None or str(section.source) == str(finding.source))
        and (finding.channel is None or section.number == finding.channel)
        and (finding.shot_point is None or finding.shot_point in members)
    )
