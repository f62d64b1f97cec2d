"""Models of the interactive part of a page: map, gather, their controls, and the findings table.

The library draws, zooms, sorts and has the controls; what happens on a click is in
``assets/report.js``, which finds the models by their names.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from importlib.resources import files
from typing import Any, Final

from bokeh import models
from bokeh.embed import json_item
from bokeh.layouts import column, row
from bokeh.plotting import figure
from bokeh.resources import Resources

from deblend.model.findings import Finding
from deblend.report import tables
from deblend.report.drawing import map_palette

COMPONENTS: Final = ["bokeh", "bokeh-widgets", "bokeh-tables"]
MARK: Final = "#D55E00"
FEW_SOURCES: Final = 5
"""More buttons than this carry the name alone, to fit on a line."""
GAIN_DB: Final = (-12.0, 36.0, 3.0)
"""Lowest, highest and step of the gain; the lowest is that of `viewer_data`."""


def library_scripts() -> list[str]:
    """The parts of the plotting library that a page needs, as scripts."""
    return list(Resources(mode="inline", components=COMPONENTS, minified=True).js_raw)


def page_script() -> str:
    """What happens on a click or a key."""
    return files("deblend.report").joinpath("assets/report.js").read_text(encoding="utf-8")


def as_json(thing: object) -> str:
    """JSON text that can stand inside a script element."""
    text = json.dumps(thing, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c")


def viewer_json(facts: dict[str, Any]) -> str:
    """Map, gather and their controls, from the facts of `deblend.report.viewer_data`."""
    gather_part = column(
        _controls(_gather_choices(facts)),
        _controls(_view_choices(facts)),
        _gather_figure(facts),
        sizing_mode="stretch_width",
    )
    if not facts["maps"]:
        return as_json(json_item(gather_part))
    return as_json(json_item(_with_map(facts, gather_part)))


def _with_map(facts: dict[str, Any], gather_part: models.Column) -> models.Column:
    axes = facts["map_axes"]
    meanings = list(axes["metrics"].items())
    metric = models.Select(
        name="metric",
        options=meanings,
        value=meanings[0][0],
        title="Map of",
        width=430,
        styles={"max-width": "100%"},
    )
    windows = [(str(k), text) for k, text in enumerate(axes["windows"])]
    window = models.Select(
        name="map_window", options=windows, value="0", title="Time after firing", width=170
    )
    return column(
        _controls([metric, window]),
        _map_figure(),
        gather_part,
        sizing_mode="stretch_width",
    )


def _gather_choices(facts: dict[str, Any]) -> list[models.Model]:
    word = "source " if len(facts["sources"]) <= FEW_SOURCES else ""
    labels = [f"{word}{name}" for name in facts["sources"]]
    return [
        models.RadioButtonGroup(name="source", labels=labels, active=0),
        models.RadioButtonGroup(name="kind", labels=["common channel", "shot"], active=0),
        models.Select(name="number", options=[], title="", width=170),
    ]


def _view_choices(facts: dict[str, Any]) -> list[models.Model]:
    longest = _longest_s(facts)
    low, high, step = GAIN_DB
    return [
        models.RadioButtonGroup(name="view", labels=["before", "after", "removed"], active=0),
        models.Select(name="aligned", options=[("", "its own times")], value="", width=230),
        models.Slider(
            name="gain",
            start=low,
            end=high,
            step=step,
            value=0,
            title="gain (dB)",
            width=170,
            format=models.BasicTickFormatter(),
        ),
        models.RangeSlider(
            name="window",
            start=0.0,
            end=longest,
            step=longest / 200,
            value=(0.0, longest),
            title="time after firing (s)",
            width=250,
        ),
    ]


def _longest_s(facts: dict[str, Any]) -> float:
    return float(max((one["length_s"] for one in facts["gathers"]), default=1.0))


def _gather_figure(facts: dict[str, Any]) -> figure:
    """The picture of the gather, time downwards."""
    plot = figure(
        name="gather",
        height=440,
        sizing_mode="stretch_width",
        x_range=models.Range1d(-0.5, 0.5, name="gather_x"),
        y_range=models.Range1d(_longest_s(facts), 0.0, name="gather_y"),
        x_axis_location="above",
        tools="box_zoom,pan,reset",
        toolbar_location="right",
    )
    plot.toolbar.logo = None
    grey = models.LinearColorMapper(palette=["#ffffff"] * 256, low=0, high=255, name="greys")
    source = models.ColumnDataSource(_nothing(), name="gather_source")
    plot.image("image", "x", "y", "dw", "dh", source=source, color_mapper=grey)
    plot.xaxis.ticker = models.FixedTicker(ticks=[], name="gather_ticks")
    plot.xaxis[0].name = "gather_axis"
    plot.yaxis.axis_label = "time after firing (s)"
    plot.grid.grid_line_color = None
    plot.add_layout(_line("gather_mark", "height"))
    return plot


def _map_figure() -> figure:
    """The map of a metric: shots to the right, channels downwards."""
    plot = figure(
        name="map",
        height=160,
        sizing_mode="stretch_width",
        x_range=models.Range1d(-0.5, 0.5, name="map_x"),
        y_range=models.Range1d(0.5, -0.5, name="map_y"),
        tools="tap,box_zoom,reset",
        toolbar_location="right",
    )
    plot.toolbar.logo = None
    colours = models.LinearColorMapper(
        palette=map_palette(), low=0, high=1, nan_color="#ffffff", name="map_colours"
    )
    source = models.ColumnDataSource(_nothing(), name="map_source")
    plot.image("image", "x", "y", "dw", "dh", source=source, color_mapper=colours)
    plot.add_layout(models.ColorBar(color_mapper=colours, width=14, padding=4), "right")
    plot.xaxis.ticker = models.FixedTicker(ticks=[], name="map_shot_ticks")
    plot.xaxis[0].name = "map_shot_axis"
    plot.xaxis.axis_label = "shot point"
    plot.yaxis.ticker = models.FixedTicker(ticks=[], name="map_channel_ticks")
    plot.yaxis[0].name = "map_channel_axis"
    plot.yaxis.axis_label = "channel"
    plot.grid.grid_line_color = None
    plot.add_layout(_line("map_shot_mark", "height"))
    plot.add_layout(_line("map_channel_mark", "width"))
    return plot


def _nothing() -> dict[str, list[Any]]:
    return {"image": [], "x": [], "y": [], "dw": [], "dh": []}


def _line(name: str, dimension: str) -> models.Span:
    return models.Span(
        name=name,
        dimension=dimension,
        location=None,
        line_color=MARK,
        line_width=1.5,
        line_dash="dashed",
        visible=False,
    )


def findings_json(findings: Sequence[Finding]) -> str:
    """The findings table with its filters."""
    source = models.ColumnDataSource(_findings_columns(findings), name="findings_source")
    view = models.CDSView(
        filter=models.BooleanFilter(booleans=[True] * len(findings), name="findings_shown")
    )
    counts = tables.verdict_counts(findings)
    verdicts = [f"{verdict} ({count})" for verdict, count in counts.items()]
    metrics = sorted({finding.metric for finding in findings})
    sources = sorted({str(one.source) for one in findings if one.source is not None})
    metric_options = [("", "every metric")]
    metric_options += [(metric, tables.metric_text(metric)) for metric in metrics]
    source_options = [("", "every source"), *((name, f"source {name}") for name in sources)]
    filters = [
        models.CheckboxButtonGroup(name="findings_verdicts", labels=verdicts, active=[0, 1, 2, 3]),
        models.Select(name="findings_metric", options=metric_options, value="", width=230),
        models.Select(name="findings_sources", options=source_options, value="", width=150),
        models.TextInput(name="findings_text", placeholder="words in the meaning", width=220),
    ]
    table = models.DataTable(
        source=source,
        view=view,
        columns=_findings_layout(),
        height=430,
        row_height=24,
        sizing_mode="stretch_width",
        index_position=None,
        autosize_mode="none",
        reorderable=False,
        name="findings_table",
    )
    return as_json(json_item(column(_controls(filters), table, sizing_mode="stretch_width")))


def _controls(controls: Sequence[models.Model]) -> models.Row:
    """Controls beside each other; those that find no room on a narrow screen go below."""
    return row(*controls, sizing_mode="stretch_width", styles={"flex-wrap": "wrap"})


def _findings_columns(findings: Sequence[Finding]) -> dict[str, list[Any]]:
    def text(value: object) -> str:
        return "" if value is None else str(value)

    nan = float("nan")
    return {
        "verdict": [one.verdict for one in findings],
        "metric": [tables.metric_text(one.metric) for one in findings],
        "metric_name": [one.metric for one in findings],
        "source": [text(one.source) for one in findings],
        "other_source": [text(one.other_source) for one in findings],
        "shot_point": [nan if one.shot_point is None else one.shot_point for one in findings],
        "channel": [nan if one.channel is None else one.channel for one in findings],
        "window": [
            "" if w is None else tables.window_text(w) for w in (f.window_s for f in findings)
        ],
        "band": [tables.band_text(one.band_hz) for one in findings],
        "value": [float(one.value) for one in findings],
        "unit": [one.unit for one in findings],
        "limit": [nan if one.limit is None else float(one.limit) for one in findings],
        "message": [tables.with_minus(one.message) for one in findings],
    }


def _findings_layout() -> list[models.TableColumn]:
    text = models.StringFormatter()
    number = models.ScientificFormatter(
        precision=2, power_limit_high=6, power_limit_low=-3, nan_format="", text_align="right"
    )
    whole = models.NumberFormatter(format="0", nan_format="", text_align="right")
    return [
        models.TableColumn(field=field, title=title, formatter=formatter, width=width)
        for field, title, formatter, width in (
            ("verdict", "advice", text, 60),
            ("metric", "what", text, 170),
            ("source", "source", text, 60),
            ("other_source", "from source", text, 85),
            ("shot_point", "shot point", whole, 80),
            ("channel", "channel", whole, 65),
            ("window", "window", text, 110),
            ("band", "band", text, 85),
            ("value", "value", number, 80),
            ("unit", "unit", text, 115),
            ("limit", "limit", number, 60),
            ("message", "meaning", text, 410),
        )
    ]
