"""One self-contained page for a line, which opens without a network."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from deblend.model.findings import Finding
from deblend.model.timebase import format_instant
from deblend.qc.limits import overall_verdict
from deblend.report import tables
from deblend.report.contents import Acquisition, Contents
from deblend.report.crosstalk import LEFT, crosstalk_matrices
from deblend.report.extras import NO_EXTRAS, Extras
from deblend.report.injection_page import injection_pictures
from deblend.report.line_figures import convergence_figure, dither_figure, fold_figure
from deblend.report.map_figure import map_figure
from deblend.report.metric_maps import MetricMaps
from deblend.report.page_frame import Picture, picture, render_page, write_page
from deblend.report.panels import ComparedPanel, panel_figure
from deblend.report.section_figure import panel_names, section_figure, section_title
from deblend.report.snr_figure import snr_figure
from deblend.report.spectra_figure import spectra_figure
from deblend.report.viewer import (
    as_json,
    findings_json,
    library_scripts,
    page_script,
    viewer_json,
)
from deblend.report.viewer_data import viewer_data

MOST_FINDINGS: Final = 5000
"""Rows of the table; the worst come first and the whole table is in a file of its own."""

MOST_PRINTED: Final = 40
"""Rows on paper."""


@dataclass(frozen=True)
class SourceGroup:
    """The gathers of one source."""

    source: int | str
    pictures: tuple[Picture, ...]


@dataclass(frozen=True)
class Ratios:
    """A table of signal-to-noise ratios and its bars."""

    title: str
    whose: str
    places: tuple[str, ...]
    matrix: dict[int | str, list[tables.SnrRow]]
    has_limit: bool
    picture: Picture


def write_report(contents: Contents, path: Path, extras: Extras = NO_EXTRAS) -> None:
    """Write the page; the final name appears only when it is complete.

    Parameters
    ----------
    contents : Contents
        What to show.
    path : Path
        The HTML file.
    extras : Extras, optional
        Maps, injected events and comparisons, where there are any.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    write_page(render_report(contents, extras), path)


def render_report(contents: Contents, extras: Extras = NO_EXTRAS) -> str:
    """The page as text: style, scripts and pictures inside; it asks for nothing outside."""
    findings = tables.by_severity((*contents.findings, *extras.findings))
    view = viewer_data(contents, extras.maps)
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
            "snr": list(_ratios(contents)),
            "removed": tables.by_source_and_window(findings, tables.ENERGY_REMOVED),
            "residual": tables.by_source_and_window(findings, tables.RESIDUAL),
            "groups": list(_groups(contents)),
            "map_picture": _map_picture(extras.maps, findings),
            "spectra_picture": _spectra_picture(contents) if contents.sections else None,
            "matrices": crosstalk_matrices(findings),
            "left": crosstalk_matrices(findings, LEFT),
            "injected": injection_pictures(extras.injected) if extras.injected else [],
            "compared": [_panel_picture(panel) for panel in extras.panels],
            "advice": overall_verdict(findings),
            "count": len(findings),
            "view": view,
            "viewer_facts": as_json(view.facts),
            "viewer_models": viewer_json(view.facts),
            "findings_models": findings_json(findings[:MOST_FINDINGS]),
            "library": library_scripts(),
            "script": page_script(),
            "convergence_picture": _convergence_picture(contents) if contents.convergence else None,
            "dither_picture": _dither_picture(contents.acquisition),
            "fold_picture": _fold_picture(contents.acquisition),
            "printed": findings[:MOST_PRINTED],
            "left_out": max(0, len(findings) - MOST_FINDINGS),
            "counts": tables.verdict_counts(findings),
            "verdicts": tables.SEVERITY,
        },
    )


def _span(acquisition: Acquisition) -> tuple[str, str]:
    """First and last fire time in words, with the scale."""
    times = (acquisition.fire_time_ns.min(), acquisition.fire_time_ns.max())
    scale = acquisition.time_scale
    first, last = (format_instant(int(time), scale, 3).removesuffix("Z") for time in times)
    return first, f"{last} {scale.upper()}"


def _groups(contents: Contents) -> Iterator[SourceGroup]:
    """Pictures for paper: the middle common-channel gather of each source."""
    for source in dict.fromkeys(section.source for section in contents.sections):
        mine = [section for section in contents.sections if section.source == source]
        mine.sort(key=lambda section: section.kind != "common channel")
        same = [section for section in mine if section.kind == mine[0].kind]
        chosen = same[len(same) // 2]
        figure = section_figure(chosen, contents.amplitude_unit)
        names = ", ".join(panel_names(chosen))
        alt = f"{names} and amplitude spectra of {section_title(chosen)}; time runs down."
        yield SourceGroup(source, (picture(figure, alt),))


def _map_picture(maps: MetricMaps | None, findings: Sequence[Finding]) -> Picture | None:
    """A map for paper: likeness over neighbours, in the window of the worst finding."""
    if maps is None or not maps.values:
        return None
    metric = "local_similarity" if "local_similarity" in maps.values else next(iter(maps.values))
    named = [one.window_s for one in findings if one.metric == "worst_alike_window"]
    window = maps.nearest_window(named[0]) if named else 0
    return picture(
        map_figure(maps, metric, window),
        "Map of likeness of kept and removed part over shots and channels.",
        "Bright: kept and removed part are alike. It misses an event that was removed whole, and "
        "it rises where layers lie parallel without anything being wrong.",
        colour_map=True,
    )


def _spectra_picture(contents: Contents) -> Picture:
    return picture(
        spectra_figure(contents.sections, contents.findings),
        "Amplitude spectra of before, after and removed for each source.",
        "Above: mean over the live traces of the gathers of this page. Below: energy of the whole "
        "line, octave by octave, relative to pseudo-deblended. Where the dither is short against "
        "the period, interference is as coherent as signal.",
    )


def _panel_picture(panel: ComparedPanel) -> Picture:
    remark = (
        ""
        if panel.same_place
        else " Positions differ, so that the difference shows the earth as well as the separation."
    )
    return picture(
        panel_figure(panel),
        f"{panel.title}: trial, benchmark and their difference; time runs down.",
        f"One amplitude scale; positive amplitudes are dark.{remark}",
    )


def _ratios(contents: Contents) -> Iterator[Ratios]:
    """Signal-to-noise ratios by time and by octave, of sources and of their differences."""
    for metric, whose, of in (
        (tables.SNR, "Source", ""),
        (tables.DIFFERENCE_SNR, "Sources", "Differences between sources, "),
    ):
        rows = tables.snr_rows(contents.findings, metric)
        for title, chosen in (
            (f"{of}by time after firing", [row for row in rows if row.band_hz is None]),
            (f"{of}by frequency band", [row for row in rows if row.band_hz is not None]),
        ):
            if chosen:
                yield Ratios(
                    title=title[0].upper() + title[1:],
                    whose=whose,
                    places=tuple(dict.fromkeys(row.place for row in chosen)),
                    matrix=tables.snr_matrix(chosen),
                    has_limit=any(row.limit == row.limit for row in chosen),
                    picture=picture(
                        snr_figure(chosen),
                        f"Bars of the signal-to-noise ratio, {title}, with start; the same "
                        "numbers as in the table.",
                    ),
                )


def _convergence_picture(contents: Contents) -> Picture:
    return picture(
        convergence_figure(contents.convergence),
        "Re-blend residual in dB and threshold against iteration, one curve a block of channels.",
    )


def _dither_picture(acquisition: Acquisition) -> Picture:
    return picture(
        dither_figure(acquisition),
        "Time between shots against shot point for each source, and histograms of its deviations.",
        "An interval holds the dither of two shots, so its deviations spread wider than the "
        "dither itself. Fire times that repeat a pattern make interference look like signal.",
    )


def _fold_picture(acquisition: Acquisition) -> Picture:
    return picture(
        fold_figure(acquisition),
        "Blending fold against time along the record, and its distribution.",
        "Blending fold: the number of shots whose records overlap at an instant.",
    )
