"""Models of the page: controls, picture, map, findings; what they do is in `session`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from bokeh import models
from bokeh.layouts import column, row
from bokeh.plotting import figure

from deblend.model.place import KINDS, VERSIONS, GatherKind
from deblend.report.drawing import map_palette
from deblend.view.drawn import PALETTE

FEW_SOURCES: Final = 6
"""More than this are a list to choose from."""
POWERS: Final = {"0": "none", "0.5": "× t^½", "1": "× t", "1.5": "× t^1½", "2": "× t²"}
"""Gains by the power of time that they are."""
CLIPS: Final = ["80", "90", "95", "98", "99", "99.5", "100"]
MARK: Final = "#D55E00"
FRESH: Final[dict[str, list[Any]]] = {"image": [], "x": [], "y": [], "dw": [], "dh": []}


def controls(
    sources: Sequence[str], kinds: Sequence[GatherKind], length_s: float
) -> tuple[dict[str, Any], models.Column]:
    """Controls by name, and their rows."""
    found: dict[str, Any] = {
        "source": models.Select(title="source", options=list(sources), width=110),
        "kind": models.Select(
            title="gather", options=[(kind, KINDS[kind]) for kind in kinds], width=165
        ),
        "number": models.TextInput(title="number", width=120),
        "back": models.Button(label="◀", width=40, align="end"),
        "on": models.Button(label="▶", width=40, align="end"),
        "show": models.RadioButtonGroup(labels=list(VERSIONS), align="end"),
        "times": models.Select(title="in the times of", options=[""], width=210),
        "power": models.Select(title="gain", options=list(POWERS.items()), width=90),
        "clip": models.Select(title="clip (percentile)", options=CLIPS, width=120),
        "time": models.RangeSlider(
            title="seconds drawn", start=0.0, end=length_s, step=length_s / 200,
            value=(0.0, length_s), width=240, align="end",
        ),
        "earlier": models.Button(label="earlier traces", width=110, align="end"),
        "later": models.Button(label="later traces", width=110, align="end"),
    }  # fmt: skip
    names = list(found)
    rows = [
        row(*(found[name] for name in part), sizing_mode="stretch_width", styles=_WRAPPED)
        for part in (names[:7], names[7:])
    ]
    return found, column(*rows, sizing_mode="stretch_width")


_WRAPPED: Final = {"flex-wrap": "wrap", "gap": "0 .4rem"}


def picture() -> tuple[figure, dict[str, Any]]:
    """The gather, time downwards, and the models in it that change."""
    plot = figure(
        height=540,
        sizing_mode="stretch_width",
        x_range=models.Range1d(-0.5, 0.5),
        y_range=models.Range1d(1.0, 0.0),
        x_axis_location="above",
        tools="box_zoom,pan,wheel_zoom,reset,save,tap",
        toolbar_location="right",
    )
    plot.toolbar.logo = None
    plot.grid.grid_line_color = None
    plot.xaxis.ticker = models.FixedTicker(ticks=[])
    source = models.ColumnDataSource({name: [] for name in (*VERSIONS, "x", "y", "dw", "dh")})
    greys = models.LinearColorMapper(palette=PALETTE, low=0, high=255)
    images = {
        show: plot.image(show, "x", "y", "dw", "dh", source=source, color_mapper=greys)
        for show in VERSIONS
    }
    shots = models.ColumnDataSource({"x": [], "y": [], "end": [], "text": []})
    plot.segment("x", "y", "end", "y", source=shots, color=MARK, line_width=1.5)
    plot.text(
        "x", "y", "text", source=shots, text_color=MARK, text_font_size="11px", x_offset=3,
        background_fill_color="white", background_fill_alpha=0.85,
    )  # fmt: skip
    mark = _line("height", "dashed")
    window = [_line("width", "dotted"), _line("width", "dotted")]
    for line in (mark, *window):
        plot.add_layout(line)
    return plot, {
        "source": source,
        "images": images,
        "mark": mark,
        "window": window,
        "shots": shots,
    }


def map_of_quality(
    metrics: Sequence[tuple[str, str]], windows: Sequence[str]
) -> tuple[models.Column, dict[str, Any]]:
    """Map of a metric over shots and channels, and the models in it that change."""
    plot = figure(
        height=190,
        sizing_mode="stretch_width",
        x_range=models.Range1d(-0.5, 0.5),
        y_range=models.Range1d(0.5, -0.5),
        tools="tap,box_zoom,reset",
        toolbar_location="right",
    )
    plot.toolbar.logo = None
    plot.grid.grid_line_color = None
    plot.xaxis.axis_label, plot.yaxis.axis_label = "shot point", "channel"
    colours = models.LinearColorMapper(palette=map_palette(), low=0, high=1, nan_color="#ffffff")
    source = models.ColumnDataSource(FRESH)
    plot.image("image", "x", "y", "dw", "dh", source=source, color_mapper=colours)
    plot.add_layout(models.ColorBar(color_mapper=colours, width=14, padding=4), "right")
    marks = _line("height", "dashed"), _line("width", "dashed")
    for line in marks:
        plot.add_layout(line)
    metric = models.Select(title="map of", options=list(metrics), value=metrics[0][0], width=430)
    window = models.Select(
        title="seconds after firing",
        options=[(str(k), text) for k, text in enumerate(windows)],
        value="0",
        width=170,
    )
    whole = column(
        row(metric, window, styles=_WRAPPED, sizing_mode="stretch_width"),
        plot,
        sizing_mode="stretch_width",
    )
    return whole, {
        "plot": plot, "source": source, "colours": colours, "marks": marks,
        "metric": metric, "window": window,
    }  # fmt: skip


def findings_table(
    columns: dict[str, list[Any]], counts: dict[str, int]
) -> tuple[models.Column, dict[str, Any]]:
    """Findings with their filters, and the models in them that change.

    What fails and wants a look is shown at first, and all where nothing does; `counts` are by
    verdict, the worst first.
    """
    source = models.ColumnDataSource(columns)
    count = len(columns["verdict"])
    shown = models.BooleanFilter(booleans=[True] * count)
    text = models.StringFormatter()
    table = models.DataTable(
        source=source,
        view=models.CDSView(filter=shown),
        columns=[
            models.TableColumn(field=name, title=title, width=width, formatter=text)
            for name, title, width in (
                ("verdict", "advice", 55),
                ("metric", "what", 190),
                ("place", "leads to", 200),
                ("value", "value", 130),
                ("message", "meaning", 1100),
            )
        ],
        height=300,
        row_height=24,
        sizing_mode="stretch_width",
        index_position=None,
        autosize_mode="none",
        reorderable=False,
    )
    labels = [f"{verdict} ({number})" for verdict, number in counts.items()]
    bad = counts["fail"] + counts["look"] > 0
    verdicts = models.CheckboxButtonGroup(labels=labels, active=[0, 1] if bad else [0, 1, 2, 3])
    words = models.TextInput(placeholder="words in any column", width=240)
    whole = column(
        row(verdicts, words, styles=_WRAPPED, sizing_mode="stretch_width"),
        table,
        sizing_mode="stretch_width",
    )
    return whole, {"source": source, "shown": shown, "verdicts": verdicts, "words": words}


def set_ticks(axis: Any, places: Sequence[float], labels: Sequence[str]) -> None:
    """Labels of an axis at some places."""
    axis.major_label_overrides = dict(zip(places, labels, strict=True))
    axis.ticker = models.FixedTicker(ticks=list(places))


def _line(dimension: str, dash: str) -> models.Span:
    return models.Span(
        dimension=dimension,
        location=None,
        line_color=MARK,
        line_width=1.5,
        line_dash=dash,
        visible=False,
    )
