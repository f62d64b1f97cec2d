"""Every figure of a report as a PNG file."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

from matplotlib.figure import Figure

from deblend.files import make_folder, replacing
from deblend.report import tables
from deblend.report.aligned import alignments
from deblend.report.aligned_figure import aligned_figure
from deblend.report.contents import Contents
from deblend.report.crosstalk import CROSSTALK, LEFT, crosstalk_figure, crosstalk_matrices
from deblend.report.drawing import png_bytes
from deblend.report.extras import NO_EXTRAS, Extras
from deblend.report.injection_figures import elsewhere_figure, offset_figure, recovery_figure
from deblend.report.line_figures import convergence_figure, dither_figure, fold_figure
from deblend.report.map_figure import map_figure
from deblend.report.panels import panel_figure
from deblend.report.section_figure import section_figure
from deblend.report.snr_figure import snr_figure
from deblend.report.spectra_figure import spectra_figure

Named = tuple[str, Figure, bool]
"""File name without its ending, figure, and whether it has colours of a map."""


def write_pictures(
    contents: Contents,
    folder: Path,
    extras: Extras = NO_EXTRAS,
    tell: Callable[[str], None] = lambda name: None,
) -> tuple[Path, ...]:
    """Write every figure as a PNG file; files of the same name are replaced.

    Parameters
    ----------
    contents : Contents
        What a report shows.
    folder : Path
        Made if absent.
    extras : Extras, optional
        Maps, injected events and panels.
    tell : callable, optional
        Told the name of each file before it is drawn.

    Returns
    -------
    tuple of Path
        The files.

    Raises
    ------
    OutputError
        If the folder or a file cannot be written.
    """
    make_folder(folder)
    paths = []
    for name, figure, colour_map in _figures(contents, extras):
        path = folder / (re.sub(r"[^a-z0-9.-]+", "-", name.lower()).strip("-") + ".png")
        tell(path.name)
        with replacing(path) as stream:
            stream.write(png_bytes(figure, colour_map=colour_map))
        paths.append(path)
    return tuple(paths)


def _figures(contents: Contents, extras: Extras) -> Iterator[Named]:
    """One after the other, so that one at a time is in memory."""
    yield from _gathers(contents)
    if contents.sections:
        yield "spectra", spectra_figure(contents.sections, contents.findings), False
    findings = (*contents.findings, *extras.findings)
    for metric in (CROSSTALK, LEFT):
        if crosstalk_matrices(findings, metric):
            yield metric, crosstalk_figure(findings, metric), True
    for metric, name in ((tables.SNR, "ratios"), (tables.DIFFERENCE_SNR, "difference-ratios")):
        rows = tables.snr_rows(contents.findings, metric)
        for part, by in (
            ([row for row in rows if row.band_hz is None], "time"),
            ([row for row in rows if row.band_hz is not None], "frequency"),
        ):
            if part:
                yield f"{name}-by-{by}", snr_figure(part), False
    yield from _line(contents)
    yield from _extra(extras)


def _gathers(contents: Contents) -> Iterator[Named]:
    for section in contents.sections:
        kind = "channel" if section.kind == "common channel" else "shot"
        name = f"source-{section.source}-{kind}-{section.number}"
        yield name, section_figure(section, contents.amplitude_unit), False
        others = alignments(section, contents.acquisition)
        if others:
            yield (
                f"{name}-removed-aligned",
                aligned_figure(section, others, contents.amplitude_unit),
                False,
            )


def _line(contents: Contents) -> Iterator[Named]:
    if contents.convergence:
        yield "convergence", convergence_figure(contents.convergence), False
    yield "intervals", dither_figure(contents.acquisition), False
    yield "blending-fold", fold_figure(contents.acquisition), False


def _extra(extras: Extras) -> Iterator[Named]:
    if extras.maps is not None:
        for metric in extras.maps.values:
            for window in range(len(extras.maps.windows_s)):
                yield (
                    f"map-{metric}-window-{window + 1}",
                    map_figure(extras.maps, metric, window),
                    True,
                )
    if extras.injected:
        yield "injected-recovery", recovery_figure(extras.injected), False
        yield "injected-offsets", offset_figure(extras.injected), False
        yield "injected-elsewhere", elsewhere_figure(extras.injected), False
    for number, panel in enumerate(extras.panels, 1):
        yield f"compared-{number}-{panel.title}", panel_figure(panel), False
