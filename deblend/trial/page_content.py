"""What the page of a trial shows: the table as text, findings, pictures."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from deblend.files import make_folder, replacing
from deblend.report.drawing import png_bytes
from deblend.report.page_frame import ReportFigure
from deblend.report.tables import band_text, window_text
from deblend.report.trial_page import LinesPanel, panel_figures, render_trial
from deblend.trial.trial_pictures import trial_curves, trial_panels
from deblend.trial.trial_table import Cell, Row
from deblend.words import counted

if TYPE_CHECKING:
    from deblend.trial.run_trial import TrialResult

_NO_CELL: Final = "–"


def trial_html(
    result: TrialResult, panels: Sequence[LinesPanel], curves: Sequence[ReportFigure]
) -> str:
    """The page as text."""
    names = [line.name for line in result.lines]
    wanted = [row for row in result.findings if row.verdict in ("look", "fail")]
    values: dict[str, Any] = {
        "name": result.keys.name,
        "names": names,
        "benchmark": result.keys.benchmark,
        "verdict": result.verdict,
        "sentences": result.sentences,
        "wanted": wanted,
        "measured": sum(row.verdict != "note" for row in result.findings),
        "common": counted(result.common_bins, "bin"),
        "tables": list(_tables(result.rows)),
        "missing": dict(result.not_compared),
        "most_views": 2 * len(names),
    }
    return render_trial(values, panels, curves)


def trial_figures(result: TrialResult) -> tuple[list[LinesPanel], list[ReportFigure]]:
    """Everything that the page draws."""
    return list(trial_panels(result)), list(trial_curves(result))


def write_pictures(
    panels: Sequence[LinesPanel], curves: Sequence[ReportFigure], folder: Path
) -> None:
    """Every figure as a file of its own."""
    make_folder(folder)
    for figure in [*curves, *(one for panel in panels for one in panel_figures(panel))]:
        with replacing(folder / f"{figure.name}.png") as stream:
            stream.write(png_bytes(figure.draw()))


def _tables(rows: Sequence[Row]) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    """Rows by what they are about: the line, all frequencies, then one table an octave."""
    whole = [row for row in rows if row.window_s is None and row.band_hz is None]
    yield "Acquisition, and each whole line", [_shown(row) for row in whole]
    timed = [row for row in rows if row.window_s is not None]
    yield "By time, all frequencies", [_shown(row) for row in timed if row.band_hz is None]
    octaves = [row for row in timed if row.band_hz is not None]
    for band_hz, some in groupby(sorted(octaves, key=lambda row: row.band_hz or (0, 0)), _band):
        yield f"By time, {band_text(band_hz)}", [_shown(row) for row in some]


def _band(row: Row) -> tuple[float, float] | None:
    return row.band_hz


def _shown(row: Row) -> dict[str, Any]:
    errors = row.errors or (None,) * len(row.values)
    return {
        "quantity": row.quantity,
        "unit": row.unit,
        "time": "" if row.window_s is None else window_text(row.window_s),
        "band": band_text(row.band_hz),
        "cells": [_cell(v, e, row.unit) for v, e in zip(row.values, errors, strict=True)],
    }


def _cell(value: Cell, error: float | None, unit: str) -> str:
    if value is None or value != value:
        return _NO_CELL
    if isinstance(value, str):
        return value
    digits = 1 if unit in ("dB", "%", "ms", "m") else 2
    text = f"{value:.0f}" if value == round(value) or abs(value) >= 1000 else f"{value:.{digits}f}"
    known = error is not None and error == error
    return f"{text} ± {error:.{digits}f}" if known else text
