"""The page of a study."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from deblend.report.page_frame import Picture, render_page


@dataclass(frozen=True, eq=False)
class StudyContents:
    """What the page shows.

    Parameters
    ----------
    name, description : str
        Of the study.
    columns : sequence of str
        Headings of the table after those of line and method.
    lines : mapping of str to sequence of (str, str, sequence of str)
        For each line its methods: label, standing, cells.
    verdicts : sequence of str
        Sentences: where each method wins and fails.
    failures : sequence of (str, str, str, str)
        Line, method, status and message of every run that is not done.
    pictures : sequence of Picture
        In the order of the page.
    about : mapping of str to str
        Versions, machines, dates, counts.
    """

    name: str
    description: str
    columns: Sequence[str]
    lines: Mapping[str, Sequence[tuple[str, str, Sequence[str]]]]
    verdicts: Sequence[str]
    failures: Sequence[tuple[str, str, str, str]]
    pictures: Sequence[Picture]
    about: Mapping[str, str]


def render_study(contents: StudyContents) -> str:
    """The page as text."""
    return render_page("study.html", {"contents": contents})
