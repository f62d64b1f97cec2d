"""One self-contained page for a line, which opens without a network."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path
from typing import Final

from deblend.model.findings import nothing_to_separate
from deblend.model.timebase import format_instant
from deblend.qc.limits import UNDECIDED
from deblend.report import tables
from deblend.report.answer import answer_of, first_place
from deblend.report.contents import Acquisition, Contents
from deblend.report.crosstalk import LEFT, crosstalk_matrices
from deblend.report.figures import NO_EXTRAS, Extras, report_figures
from deblend.report.page_frame import Picture, render_page, write_page
from deblend.report.viewer import (
    as_json,
    library_scripts,
    page_script,
    viewer_json,
)
from deblend.report.viewer_data import viewer_data

MOST_FINDINGS: Final = 5000
"""Rows of the table; the worst come first and the whole table is in a file of its own."""


def write_report(contents: Contents, path: Path, extras: Extras = NO_EXTRAS) -> None:
    """Write the page; the final name appears only when it is complete."""
    write_page(render_report(contents, extras), path)


def render_report(contents: Contents, extras: Extras = NO_EXTRAS) -> str:
    """The page as text: style, scripts and pictures inside; it asks for nothing outside."""
    findings = tables.by_severity((*contents.findings, *extras.findings))
    view = viewer_data(contents, extras.maps)
    named = {(one["source"], one["kind"], one["number"]) for one in view.facts["gathers"]}
    shown = [one for one in contents.sections if (str(one.source), one.kind, one.number) in named]
    shots = tables.shot_counts(contents.acquisition)
    first, last = _span(contents.acquisition)
    return render_page(
        "page.html",
        {
            "contents": contents,
            "shots": shots,
            "fired": sum(row.fired for row in shots),
            "delivered": sum(row.delivered for row in shots),
            "first": first,
            "last": last,
            "pictures": page_pictures(contents, extras),
            "snr": tables.snr_tables(contents.findings),
            "expected": tables.by_source_and_window(findings, tables.EXPECTED_ERROR),
            "removed": tables.by_source_and_window(findings, tables.ENERGY_REMOVED),
            "residual": tables.by_source_and_window(findings, tables.RESIDUAL),
            "matrices": crosstalk_matrices(findings),
            "left": crosstalk_matrices(findings, LEFT),
            "nothing": nothing_to_separate(findings),
            "answer": answer_of(findings),
            "undecided": [row.message for row in findings if row.metric == UNDECIDED],
            "count": len(findings),
            "view": view,
            "viewer_facts": as_json(view.facts | {"first": first_place(findings, shown)}),
            "viewer_models": viewer_json(view.facts),
            "groups": tables.by_metric(findings[:MOST_FINDINGS]),
            "library": library_scripts(),
            "script": page_script(),
            "left_out": max(0, len(findings) - MOST_FINDINGS),
            "verdicts": tables.SEVERITY,
        },
    )


def page_pictures(contents: Contents, extras: Extras) -> dict[str, list[Picture]]:
    """Pictures by the part of the page in which they stand; nothing for parts without any."""
    pictures: dict[str, list[Picture]] = defaultdict(list)
    for figure in report_figures(contents, extras):
        if figure.place:
            pictures[figure.place].append(figure.picture())
    return pictures


def _span(acquisition: Acquisition) -> tuple[str, str]:
    """First and last fire time in words, with the scale."""
    times = (acquisition.fire_time_ns.min(), acquisition.fire_time_ns.max())
    scale = acquisition.time_scale
    first, last = (format_instant(int(time), scale, 3).removesuffix("Z") for time in times)
    return first, f"{last} {scale.upper()}"
