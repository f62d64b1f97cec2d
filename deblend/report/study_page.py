"""The page of a study."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from deblend.report.page_frame import Picture, render_page


@dataclass(frozen=True, eq=False)
class StudyContents:
    """What the page shows."""

    name: str
    description: str
    """Of the study."""
    columns: Sequence[str]
    """Headings of the table after those of line and method."""
    lines: Mapping[str, Sequence[tuple[str, str, Sequence[str]]]]
    """For each line its methods: label, standing, cells."""
    verdicts: Sequence[str]
    """Sentences: where each method wins and fails."""
    failures: Sequence[tuple[str, str, str, str]]
    """Line, method, status and message of every run that is not done."""
    pictures: Sequence[Picture]
    """In the order of the page."""
    about: Mapping[str, str]
    """Versions, machines, dates, counts."""


def render_study(contents: StudyContents) -> str:
    """The page as text."""
    return render_page("study.html", {"contents": contents})
