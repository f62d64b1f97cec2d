"""Models of the interactive part of a page: gather, map and their controls.

The library draws, zooms and has the controls; what happens on a click is in ``assets/report.js``,
which finds the models by their names.
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

from deblend.report.drawing import map_palette

COMPONENTS: Final = ["bokeh", "bokeh-widgets"]
MARK: Final = "#D55E00"
FEW_SOURCES: Final = 5
"""More buttons than this carry the name alone, to fit on a line."""
GAIN_DB: Final = (-12.0, 36.0, 3.0)
"""Lowest, highest and step of the gain; the lowest is that of `viewer_data`."""


def library_scripts() -> list[str]:
    """The parts of the plotting library that a page needs, as scripts."""
    return list(Resources(mode="inline", components=COMPONENTS, minified=True).js_raw)


def page_script() -> str:
    """What happens on a click or a key: in the table of findings, and where gathers are shown."""
    assets = files("deblend.report").joinpath("assets")
    names = ("findings.js", "report.js")
    return "\n".join(assets.joinpath(name).read_text(encoding="utf-8") for name in names)


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
        gather_part,
        _controls([metric, window]),
        _map_figure(),
        sizing_mode="stretch_width",
    )


def _gather_choices(facts: dict[str, Any]) -> list[models.Model]:
    word = "source " if len(facts["sources"]) <= FEW_SOURCES else ""
    labels = [f"{word}{name}" for name in facts["sources"]]
    low, high, step = GAIN_DB
    return [
        models.RadioButtonGroup(name="source", labels=labels, active=0),
        models.RadioButtonGroup(name="kind", labels=["common channel", "shot"], active=0),
        models.Select(name="number", options=[], title="", width=150),
        models.Slider(
            name="gain",
            start=low,
            end=high,
            step=step,
            value=0,
            title="gain (dB)",
            width=120,
            format=models.BasicTickFormatter(),
        ),
    ]


def _view_choices(facts: dict[str, Any]) -> list[models.Model]:
    longest = _longest_s(facts)
    return [
        models.RadioButtonGroup(name="view", labels=["before", "after", "removed"], active=0),
        models.Select(name="aligned", options=[("", "its own times")], value="", width=200),
        models.RangeSlider(
            name="window",
            start=0.0,
            end=longest,
            step=longest / 200,
            value=(0.0, longest),
            title="time after firing (s)",
            width=190,
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
        tools="tap,box_zoom,pan,reset",
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
    plot.add_layout(
        models.BoxAnnotation(
            name="gather_window", fill_alpha=0.0, line_color=MARK, line_width=1.5, visible=False
        )
    )
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


def _controls(controls: Sequence[models.Model]) -> models.Row:
    """Controls beside each other; those that find no room on a narrow screen go below."""
    return row(*controls, sizing_mode="stretch_width", styles={"flex-wrap": "wrap"})
