"""The frame of every page: style, heading, links to its parts, pictures inside the file.

A page is a template that extends ``frame.html`` and fills its blocks:

``title``, ``lead``
    Heading, and one sentence below it.
``links``
    ``<li><a href="#part">Part</a></li>`` for each part.
``main``
    ``<section id="part"><h2>Part</h2>...</section>`` for each part.

``parts.html`` has macros for what comes again and again: ``picture(one)``, ``pictures(many)`` with
their headings, ``pairs(caption, values)`` for settings, ``matrix(caption, columns, rows)`` for
numbers, ``caution(text)``. Filters write numbers: ``number``, ``decibels``, ``window_text``,
``band_text``, ``metric_text``, ``label``, ``counted("shot")``; ``place_text`` and ``place_link``
say where a finding is. Negative numbers get the minus sign
in whatever is written.
A page loads nothing from outside, and text handed to a template stays text.

    figure = fold_against_time(...)                      # matplotlib, see drawing.new_figure
    html = render_page("plan.html", {"pictures": [picture(figure, "Fold against time.")], ...})
    write_page(html, path)
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import jinja2
from matplotlib.figure import Figure

from deblend.files import replacing
from deblend.report import tables
from deblend.report.answer import place_link, place_text
from deblend.report.drawing import png_bytes
from deblend.words import counted


@dataclass(frozen=True)
class Picture:
    """A figure inside a page."""

    uri: str
    """The picture itself, as a ``data:`` address."""
    width: int
    height: int
    """Pixels."""
    alt: str
    """What it shows, for those who do not see it."""
    caption: str = ""
    """A sentence below it."""
    title: str = ""
    """Heading above it."""


@dataclass(frozen=True, eq=False, kw_only=True)
class ReportFigure:
    """A figure that a page, a file or a notebook may show; it is drawn when it is wanted."""

    name: str
    """Of its file, without the ending."""
    draw: Callable[[], Figure]
    """Makes the figure."""
    alt: str
    """What it shows, for those who do not see it."""
    caption: str = ""
    """A sentence below it."""
    title: str = ""
    """Heading above it."""
    place: str = ""
    """Part of the page where it stands; one without a place is in no page."""
    colour_map: bool = False
    """Whether it has colours of a map."""

    def picture(self) -> Picture:
        """The figure drawn for a page."""
        return picture(
            self.draw(), self.alt, self.caption, title=self.title, colour_map=self.colour_map
        )


def picture(
    figure: Figure, alt: str, caption: str = "", *, title: str = "", colour_map: bool = False
) -> Picture:
    """A figure as a PNG file inside the page.

    Colours are those of `deblend.report.drawing`, others become the nearest of them; with
    `colour_map` the figure has colours of its own, a map for instance.
    """
    width, height = (round(side * figure.dpi) for side in figure.get_size_inches())
    png = base64.b64encode(png_bytes(figure, colour_map=colour_map)).decode("ascii")
    return Picture(f"data:image/png;base64,{png}", width, height, alt, caption, title)


def render_page(template: str, values: Mapping[str, object]) -> str:
    """A page as text, from a file in ``templates/`` that extends ``frame.html``.

    A name that the template calls and `values` lack is an error.
    """
    return _environment().get_template(template).render(dict(values))


def write_page(html: str, path: Path) -> None:
    """Write a page; the final name appears only when it is complete."""
    with replacing(Path(path)) as stream:
        stream.write(html.encode("utf-8", "replace"))


def _shown(value: object) -> object:
    """What a template writes; that which is markup already stays as it is."""
    return value if hasattr(value, "__html__") else tables.with_minus(str(value))


@cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("deblend.report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_shown,
    )
    environment.filters |= {
        "number": tables.number,
        "decibels": tables.decibels,
        "window_text": tables.window_text,
        "band_text": tables.band_text,
        "metric_text": tables.metric_text,
        "place_text": place_text,
        "place_link": place_link,
        "counted": counted,
        "label": lambda value: "" if value is None else str(value),
    }
    return environment
