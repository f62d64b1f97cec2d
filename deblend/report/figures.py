"""The figures of a report, in one table for its page, for PNG files and for notebooks.

To add a figure, write a function that yields `ReportFigure` and name it in `FIGURES`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

from deblend.files import make_folder, replacing
from deblend.model.findings import Finding, nothing_to_separate
from deblend.qc.injected_rows import InjectedRow
from deblend.report import tables
from deblend.report.aligned import aligned_figure, alignments
from deblend.report.answer import worst_gather
from deblend.report.contents import Contents, GatherSection
from deblend.report.crosstalk import CROSSTALK, LEFT, crosstalk_figure, crosstalk_matrices
from deblend.report.drawing import png_bytes
from deblend.report.injection_page import injection_figures
from deblend.report.line_figures import convergence_figure, dither_figure, fold_figure
from deblend.report.metric_maps import MetricMaps, map_figure
from deblend.report.page_frame import ReportFigure
from deblend.report.panels import ComparedPanel, panel_figure
from deblend.report.section_figure import panel_names, section_figure, section_title
from deblend.report.snr_figure import snr_figure
from deblend.report.spectra_figure import spectra_figure


@dataclass(frozen=True, eq=False)
class Extras:
    """What a report shows besides its contents, where it was measured."""

    maps: MetricMaps | None = None
    """Metrics over shots and channels."""
    injected: tuple[InjectedRow, ...] = ()
    """What came back of injected events."""
    panels: tuple[ComparedPanel, ...] = ()
    """Comparisons with lines shot without overlap."""
    findings: tuple[Finding, ...] = ()
    """Rows of the injection and of the comparison."""


NO_EXTRAS: Final = Extras()


def report_figures(contents: Contents, extras: Extras = NO_EXTRAS) -> Iterator[ReportFigure]:
    """Every figure that these results have, in the order of `FIGURES`; none is drawn yet."""
    for figures_of in FIGURES:
        yield from figures_of(contents, extras)


def write_pictures(
    contents: Contents,
    folder: Path,
    extras: Extras = NO_EXTRAS,
    on_file: Callable[[str], None] = lambda name: None,
) -> tuple[Path, ...]:
    """Write every figure as a PNG file; `on_file` gets the name of each before it is drawn.

    Files of the same name are replaced.
    """
    make_folder(folder)
    paths = []
    for one in report_figures(contents, extras):
        path = folder / (re.sub(r"[^a-z0-9.-]+", "-", one.name.lower()).strip("-") + ".png")
        on_file(path.name)
        with replacing(path) as stream:
            stream.write(png_bytes(one.draw(), colour_map=one.colour_map))
        paths.append(path)
    return tuple(paths)


def _gathers(contents: Contents, extras: Extras) -> Iterator[ReportFigure]:
    unit = contents.amplitude_unit
    printed = list(_printed_sections(contents))
    for section in contents.sections:
        kind = "channel" if section.kind == "common channel" else "shot"
        name = f"source-{section.source}-{kind}-{section.number}"
        names, title = ", ".join(panel_names(section)), section_title(section)
        yield ReportFigure(
            name=name,
            draw=partial(section_figure, section, unit),
            place="look" if any(section is one for one in printed) else "",
            title=f"Source {section.source}",
            alt=f"{names} and amplitude spectra of {title}; time runs down.",
        )
        others = alignments(section, contents.acquisition)
        if others:
            yield ReportFigure(
                name=f"{name}-removed-aligned",
                draw=partial(aligned_figure, section, others, unit),
                alt=f"Removed part of {title} in its own times and in those of other sources.",
            )


def _printed_sections(contents: Contents) -> Iterator[GatherSection]:
    """For paper: the worst live gather of each source."""
    for source in dict.fromkeys(section.source for section in contents.sections):
        own = [section for section in contents.sections if section.source == source]
        yield worst_gather(contents.findings, own)[0]


def _maps(contents: Contents, extras: Extras) -> Iterator[ReportFigure]:
    """A map of each metric and window; on paper the one in the window of the worst finding."""
    maps = extras.maps
    if maps is None or not maps.values:
        return
    likeness = "local_similarity"
    printed_metric = likeness if likeness in maps.values else next(iter(maps.values))
    findings = tables.by_severity((*contents.findings, *extras.findings))
    worst = [one.window_s for one in findings if one.metric == "worst_alike_window"]
    printed = printed_metric, maps.nearest_window(worst[0]) if worst else 0
    for metric in maps.values:
        for window in range(len(maps.windows_s)):
            yield ReportFigure(
                name=f"map-{metric}-window-{window + 1}",
                draw=partial(map_figure, maps, metric, window),
                place="look" if (metric, window) == printed else "",
                alt="Map of likeness of kept and removed part over shots and channels.",
                caption="Bright: kept and removed part are alike. It misses an event that was "
                "removed whole, and it rises where layers lie parallel without anything being "
                "wrong.",
                colour_map=True,
            )


def _spectra(contents: Contents, extras: Extras) -> Iterator[ReportFigure]:
    if contents.sections:
        yield ReportFigure(
            name="spectra",
            draw=partial(spectra_figure, contents.sections, contents.findings),
            place="leakage",
            title="Spectra",
            alt="Amplitude spectra of before, after and removed for each source.",
            caption="Above: mean over the live traces of the gathers of this page. Below: energy "
            "of the whole line, octave by octave, relative to pseudo-deblended. Where the dither "
            "is short against the period, interference is as coherent as signal.",
        )


def _crosstalk(contents: Contents, extras: Extras) -> Iterator[ReportFigure]:
    findings = (*contents.findings, *extras.findings)
    for metric in (CROSSTALK, LEFT):
        if crosstalk_matrices(findings, metric):
            yield ReportFigure(
                name=metric,
                draw=partial(crosstalk_figure, findings, metric),
                alt=f"Matrix of {tables.metric_text(metric)} between sources.",
                colour_map=True,
            )


def _ratios(contents: Contents, extras: Extras) -> Iterator[ReportFigure]:
    for table in tables.snr_tables(contents.findings):
        yield ReportFigure(
            name=table.name,
            draw=partial(snr_figure, table.rows),
            place=table.name,
            alt=f"Bars of the signal-to-noise ratio, {table.title}, with start; the same numbers "
            "as in the table.",
        )


def _convergence(contents: Contents, extras: Extras) -> Iterator[ReportFigure]:
    if contents.convergence:
        yield ReportFigure(
            name="convergence",
            draw=partial(convergence_figure, contents.convergence),
            place="convergence",
            alt="Re-blend residual in dB and threshold against iteration, one curve a block of "
            "channels.",
        )


def _intervals(contents: Contents, extras: Extras) -> Iterator[ReportFigure]:
    caution = " Fire times that repeat a pattern make interference look like signal."
    yield ReportFigure(
        name="intervals",
        draw=partial(dither_figure, contents.acquisition),
        place="acquisition",
        alt="Time between shots against shot point for each source, and histograms of its "
        "deviations.",
        caption="An interval holds the dither of two shots, so its deviations spread wider than "
        "the dither itself." + ("" if nothing_to_separate(contents.findings) else caution),
    )


def _fold(contents: Contents, extras: Extras) -> Iterator[ReportFigure]:
    if nothing_to_separate(contents.findings):
        return
    yield ReportFigure(
        name="blending-fold",
        draw=partial(fold_figure, contents.acquisition),
        place="acquisition",
        alt="Blending fold against time along the record, and its distribution.",
        caption="Blending fold: the number of shots whose records overlap at an instant.",
    )


def _injected(contents: Contents, extras: Extras) -> Iterator[ReportFigure]:
    if extras.injected:
        yield from injection_figures(extras.injected)


def _compared(contents: Contents, extras: Extras) -> Iterator[ReportFigure]:
    for number, panel in enumerate(extras.panels, 1):
        remark = (
            ""
            if panel.same_place
            else " Positions differ, so that the difference shows the earth as well as the "
            "separation."
        )
        yield ReportFigure(
            name=f"compared-{number}-{panel.title}",
            draw=partial(panel_figure, panel),
            place="benchmark",
            alt=f"{panel.title}: trial, benchmark and their difference; time runs down.",
            caption=f"One amplitude scale; positive amplitudes are dark.{remark}",
        )


FIGURES: Final[tuple[Callable[[Contents, Extras], Iterator[ReportFigure]], ...]] = (
    _gathers,
    _spectra,
    _crosstalk,
    _ratios,
    _convergence,
    _intervals,
    _fold,
    _maps,
    _injected,
    _compared,
)
"""Each yields its figures, or none where nothing was measured for them."""
