"""The page of an injection: what came back of known events, with error bars."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from deblend.model.findings import Finding
from deblend.qc.injected_rows import ALL, CAUTION, InjectedRow
from deblend.report.drawing import colour, marker, new_figure, plain, tidy
from deblend.report.page_frame import ReportFigure, render_page

WANTED_PERCENT: Final = 100.0


def render_injection(
    title: str, level_db: float, rows: Sequence[InjectedRow], findings: Sequence[Finding]
) -> str:
    """The page as text; `level_db` is how strong the events are against the data around them."""
    wanted = [row for row in findings if row.verdict in ("look", "fail")]
    return render_page(
        "injection.html",
        {
            "title": title,
            "level_db": level_db,
            "caution_text": CAUTION,
            "pictures": [one.picture() for one in injection_figures(rows)],
            "wanted": wanted,
            "measured": sum(row.verdict != "note" for row in findings),
        },
    )


def injection_figures(rows: Sequence[InjectedRow]) -> Iterator[ReportFigure]:
    """Figures of the table, for this page and for that of the line."""
    yield ReportFigure(
        name="injected-recovery",
        draw=partial(recovery_figure, rows),
        place="injected",
        alt="Amplitude and time error of injected events against two-way time, by octave.",
        caption="Events in all sources. Amplitude and time by least squares of the known event on "
        "what it added to the separated gathers; bars are one standard error, from groups of 16 "
        "shots. 100 % and 0 ms are perfect. Sources are set apart by a little in time.",
    )
    yield ReportFigure(
        name="injected-offsets",
        draw=partial(offset_figure, rows),
        place="injected",
        alt="Amplitude of injected events against offset, by octave.",
        caption="The same for the near, middle and far third of the channels, mean over the events "
        "of an octave.",
    )
    alone = [row for row in rows if row.put_into != ALL and row.put_into != row.source]
    if alone:
        yield ReportFigure(
            name="injected-elsewhere",
            draw=partial(elsewhere_figure, rows),
            place="injected",
            alt="Amplitude of events of one source that appeared in the others.",
            caption=f"Events in source {alone[0].put_into} alone: what appeared in the gathers of "
            "the other sources as if they had the events too, at the same times after their own "
            "firing. Zero is perfect.",
        )


def recovery_figure(rows: Sequence[InjectedRow]) -> Figure:
    """Amplitude above and time error below, against two-way time; one column an octave.

    Shows events put into all sources, all offsets together.
    """
    shown = [row for row in rows if row.put_into == ALL and row.offsets == ALL]
    return _against_time(
        shown,
        ("amplitude", "amplitude that came back (%)", WANTED_PERCENT),
        ("late", "came back late by (ms)", 0.0),
    )


def elsewhere_figure(rows: Sequence[InjectedRow]) -> Figure:
    """Amplitude that appeared in the sources that got no events, against two-way time."""
    shown = [row for row in rows if ALL not in (row.put_into, row.source) and row.offsets == ALL]
    shown = [row for row in shown if row.put_into != row.source]
    return _against_time(shown, ("amplitude", "amplitude that appeared (%)", 0.0))


def offset_figure(rows: Sequence[InjectedRow]) -> Figure:
    """Amplitude against offset, mean over the events of an octave; one column an octave."""
    shown = [row for row in rows if row.put_into == ALL and row.offsets != ALL]
    octaves, sources = _octaves(shown), _sources(shown)
    figure = new_figure(3.6)
    panels = figure.subplots(1, max(1, len(octaves)), sharey=True, squeeze=False)[0]
    known = all(np.isfinite(row.offset_m) for row in shown)
    for panel, octave in zip(panels, octaves, strict=False):
        for number, source in enumerate(sources):
            own = [row for row in shown if row.frequency_hz == octave and row.source == source]
            classes = list(dict.fromkeys(row.offsets for row in own))
            place, mean, error = [], [], []
            for position, name in enumerate(classes):
                part = [row for row in own if row.offsets == name]
                values = np.array([row.amplitude_percent for row in part])
                errors = np.array([row.amplitude_error_percent for row in part])
                place.append(part[0].offset_m if known else position)
                mean.append(float(np.mean(values)))
                error.append(float(np.sqrt(np.sum(errors**2)) / len(part)))
            _points(panel, np.array(place), np.array(mean), number, y_error=np.array(error))
        _octave_title(panel, octave)
        panel.axhline(WANTED_PERCENT, color="0.4", linewidth=0.8)
        panel.set_xlabel("mean offset (m)" if known else "near, middle, far channels")
        tidy(panel)
    panels[0].set_ylabel("amplitude that came back (%)")
    low, high = panels[0].get_ylim()
    panels[0].set_ylim(min(0.0, low), max(1.1 * WANTED_PERCENT, high))
    _key(figure, panels[0], sources)
    return figure


def _against_time(rows: Sequence[InjectedRow], *what: tuple[str, str, float]) -> Figure:
    octaves, sources = _octaves(rows), _sources(rows)
    last_s = max((row.time_s for row in rows), default=1.0)
    figure = new_figure(0.8 + 3.8 * len(what))
    grid = figure.subplots(
        len(what), max(1, len(octaves)), sharex="row", sharey=True, squeeze=False
    )
    for line, (name, label, wanted) in zip(grid, what, strict=True):
        unit = "percent" if name == "amplitude" else "ms"
        for panel, octave in zip(line, octaves, strict=False):
            for number, source in enumerate(sources):
                own = [row for row in rows if row.frequency_hz == octave and row.source == source]
                value, error = (
                    np.array([getattr(row, f"{name}{part}_{unit}") for row in own])
                    for part in ("", "_error")
                )
                # Sources side by side, so that their error bars can be told apart.
                aside = 0.012 * (number - 0.5 * (len(sources) - 1)) * last_s
                time = np.array([row.time_s for row in own]) + aside
                _points(panel, value, time, number, x_error=error)
            _octave_title(panel, octave)
            panel.axvline(wanted, color="0.4", linewidth=0.8)
            panel.set_xlabel(label)
            tidy(panel)
        line[0].set_ylabel("two-way time (s)")
    grid[0, 0].set_ylim(1.05 * last_s, 0.0)
    _key(figure, grid[0, 0], sources)
    return figure


def _points(
    panel: Axes,
    x: np.ndarray,
    y: np.ndarray,
    number: int,
    *,
    x_error: np.ndarray | None = None,
    y_error: np.ndarray | None = None,
) -> None:
    panel.errorbar(
        x,
        y,
        xerr=None if x_error is None else np.nan_to_num(x_error),
        yerr=None if y_error is None else np.nan_to_num(y_error),
        color=colour(number),
        marker=marker(number),
        markersize=5,
        linewidth=1.2,
        capsize=2,
    )


def _octaves(rows: Sequence[InjectedRow]) -> list[float]:
    return sorted({row.frequency_hz for row in rows})


def _sources(rows: Sequence[InjectedRow]) -> list[str]:
    return list(dict.fromkeys(row.source for row in rows))


def _octave_title(panel: Axes, centre_hz: float) -> None:
    low, high = centre_hz / np.sqrt(2), centre_hz * np.sqrt(2)
    panel.set_title(f"{low:.3g} to {high:.3g} Hz", fontsize=10)


def _key(figure: Figure, panel: Axes, sources: Sequence[str]) -> None:
    handles: list[Any] = list(panel.containers[: len(sources)])  # error bars are no artists
    labels = [f"source {plain(name)}" for name in sources]
    if handles:
        figure.legend(
            handles, labels, loc="outside upper left", ncols=min(len(labels), 9), frameon=False
        )
