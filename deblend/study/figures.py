"""The figures of a study: quality against time, dither, noise and fold; gathers side by side."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from functools import cache, partial
from pathlib import Path
from typing import Any, Final

import numpy as np

from deblend.files import make_folder, replacing
from deblend.report.drawing import Figure
from deblend.report.page_frame import ReportFigure
from deblend.report.study_gathers import gathers_figure
from deblend.report.study_page import Curve, Panel, dependence_figure, pareto_figure
from deblend.study.results import Row
from deblend.study.samples import sample_section
from deblend.study.study import AS_IN_THE_SCENE
from deblend.study.summary import LEAST_SEEDS, mean_interval

FIGURES: Final = "figures"
"""Folder of the figures, beside the results."""
FORMATS: Final = ("pdf", "svg", "png")
BARS: Final = "Bars: 95 % interval over the seeds, where there are three or more."
MOST_ON_PAGE: Final = 4
"""Figures of gathers in the page; the folder has all."""
MOST_METHODS: Final = 6
"""Beside each other; further ones go into a figure of their own."""


def write_figure(figure: ReportFigure, folder: Path) -> None:
    """Write a figure as PDF, SVG and PNG."""
    make_folder(folder)
    drawn = figure.draw()
    drawn.draw_without_rendering()
    drawn.set_layout_engine("none")  # placed once, for all formats
    for kind in FORMATS:
        with replacing(folder / f"{figure.name}.{kind}") as stream:
            drawn.savefig(stream, format=kind, dpi=150)


def once(draw: Callable[..., Figure], *about: Any) -> Callable[[], Figure]:
    """What draws a figure when it is first asked for, and has it from then on."""
    return cache(partial(draw, *about))


def row_title(row: Row) -> str:
    """Scene, and how blend and noise of a row differ from it."""
    parts = [text for text in (row["blend"], row["noise"]) if text != AS_IN_THE_SCENE]
    return ", ".join([row["scene"], *parts])


def study_figures(rows: Sequence[Row], out: Path) -> list[ReportFigure]:
    """Figures of what is done; samples of gathers lie in the folder of the results."""
    done = [row for row in rows if row["status"] == "done"]
    if not done:
        return []
    figures = [
        ReportFigure(
            name="time",
            place="curves",
            draw=once(pareto_figure, _panels(done, row_title, "seconds", lambda row: "")),
            alt="Signal-to-noise ratio against time, one panel a line, one mark a method.",
            caption="Up and to the left is better. Grey: methods that no other one beats in both. "
            + BARS,
        )
    ]
    for name, quantity, cause in (
        ("dither_s", "dither: half the range of the delays (s)", "blend"),
        ("noise_percent", "noise rms over signal rms (%)", "noise"),
    ):
        panels = _varied(done, name, cause)
        if panels:
            figures.append(
                ReportFigure(
                    name=cause,
                    place="curves",
                    draw=once(dependence_figure, panels, quantity),
                    alt=f"Signal-to-noise ratio against {quantity}, one panel a scene.",
                    caption=BARS,
                )
            )
    if len({round(row["fold"], 1) for row in done}) > 1:
        together = _panels(done, lambda row: "all lines", "fold", row_title)
        quantity = "blending fold, mean over the record"
        figures.append(
            ReportFigure(
                name="fold",
                place="curves",
                draw=once(partial(dependence_figure, joined=False), together, quantity),
                alt="Signal-to-noise ratio against blending fold, one mark a line and method.",
                caption="One mark a line; lines differ in more than their fold unless the study "
                "says so.",
            )
        )
    return figures + _gathers(done, out)


def _varied(done: Sequence[Row], name: str, cause: str) -> list[Panel]:
    """Panels of the scenes in which the study varies a quantity, all else being equal."""
    other = "noise" if cause == "blend" else "blend"
    known = [row for row in done if row[name] is not None]

    def title(row: Row) -> str:
        alike = row[other]
        return row["scene"] if alike == AS_IN_THE_SCENE else f"{row['scene']}, {alike}"

    panels = _panels(known, title, name, lambda row: str(row[cause]))
    return [
        panel
        for panel in panels
        if any(len(c.x) > 1 and np.ptp(c.x) > 0.1 * np.abs(c.x).max() for c in panel.curves)
    ]


def _panels(
    rows: Sequence[Row],
    title: Callable[[Row], str],
    x: str,
    point: Callable[[Row], str],
) -> list[Panel]:
    """One panel a title, one curve a method, one point whatever `point` tells apart."""
    methods = list(dict.fromkeys(row["method"] for row in rows))
    panels = []
    for name in dict.fromkeys(title(row) for row in rows):
        curves = []
        for number, method in enumerate(methods):
            own = [row for row in rows if title(row) == name and row["method"] == method]
            points = [
                [row for row in own if point(row) == at] for at in dict.fromkeys(map(point, own))
            ]
            if points:
                scores = np.array([_with_interval(some) for some in points])
                at = np.array([np.mean([row[x] for row in some]) for some in points])
                curves.append(Curve(method, number, at, *scores.T))
        panels.append(Panel(name, tuple(curves)))
    return panels


def _with_interval(rows: Sequence[Row]) -> tuple[float, float, float]:
    """Mean score of a point of a curve, and its interval where there are seeds enough."""
    mean, low, high = mean_interval([np.array([row["snr_db"] for row in rows])])
    return (mean, low, high) if len(rows) >= LEAST_SEEDS else (mean, mean, mean)


def _gathers(rows: Sequence[Row], out: Path) -> list[ReportFigure]:
    """One figure a line: truth, estimates and errors of the first seed."""
    lines: dict[str, list[Row]] = {}
    for row in rows:
        lines.setdefault(row_title(row), []).append(row)
    figures: list[ReportFigure] = []
    for title, own in lines.items():
        found = [(row, section) for row in own if (section := sample_section(out, row["key"]))]
        for first in range(0, len(found), MOST_METHODS):
            some = found[first : first + MOST_METHODS]
            section = some[0][1]
            draw = once(
                gathers_figure, [one for _, one in some], [settings_words(row) for row, _ in some]
            )
            figures.append(
                ReportFigure(
                    name=f"gathers-{len(figures) + 1}",
                    draw=draw,
                    alt=f"Truth, estimates and errors of {len(some)} methods on {title}.",
                    caption=f"Source {section.source}, channel {section.number}, seed "
                    f"{some[0][0]['seed']}. Above: truth and estimates; below: what is wrong. One "
                    "amplitude scale.",
                    title=title,
                    place="gathers" if len(figures) < MOST_ON_PAGE else "",
                )
            )
    return figures


def settings_words(row: Row) -> str:
    """A method with its iterations, the settings given to it and its score, in words."""
    content = json.loads(row["content"] or "{}")
    given = [f"{name} {value}" for name, value in content.get("settings", {}).items()]
    parts = [f"{row['iterations']} iterations", *given, f"{row['snr_db']:.1f} dB"]
    return f"{row['method']}: {', '.join(parts)}"
