"""One open page: what it shows, and what follows from a choice, a click, a key or a link."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from importlib.resources import files
from typing import Any, Final, cast

import numpy as np
from bokeh import models
from bokeh.document import Document
from bokeh.events import Tap
from jinja2 import Template
from markupsafe import escape

from deblend.errors import DeblendError
from deblend.model.place import KINDS, VERSIONS, GatherKind, Place, place_of_finding, read_place
from deblend.model.timebase import format_instant
from deblend.report import tables
from deblend.report.drawing import trace_ticks
from deblend.view import models as page
from deblend.view.drawn import draw_gather
from deblend.view.gathers import RECORD_S, Gather, Gathers
from deblend.view.quality_map import QualityMap
from deblend.view.record import draw_record

MOST_FINDINGS: Final = 5000
"""Rows of the table; the worst come first."""
UNITS: Final[dict[GatherKind, str]] = {
    "channel": "channel number",
    "shot_point": "shot point",
    "offset_m": "offset (m)",
    "midpoint_m": "midpoint along line (m)",
    "record_s": "begin (s of the record)",
}


def fill_document(document: Document, gathers: Gathers, start: Place) -> None:
    """Make the page of one reader; `start` is shown where its address names nothing."""
    context = document.session_context
    query = "" if context is None else _query(context)
    Session(document, gathers).begin(query, start)


def _query(context: Any) -> str:
    arguments = context.request.arguments
    return "&".join(
        f"{name}={values[-1].decode('utf-8', 'replace')}"
        for name, values in arguments.items()
        if not name.startswith("bokeh-")
    )


class Session:
    """The page of one reader."""

    def __init__(self, document: Document, gathers: Gathers) -> None:
        self.document, self.gathers, self.line = document, gathers, gathers.line
        job = self.line.job
        self.place = Place()
        self.earlier: str = "after"
        self.gather: Gather | None = None
        self._drawn: Place | None = None
        self._quiet = False
        self.controls, control_rows = page.controls(
            self.line.sources, gathers.kinds(), job.length * job.recording.interval_s
        )
        self.plot, self.picture = page.picture()
        self.message = models.Div(sizing_mode="stretch_width", min_height=22)
        self.caption = models.Div(sizing_mode="stretch_width")
        # Texts that the script of the page watches: the link of what is shown, and keys typed.
        self.address = models.TextInput(name="address", visible=False)
        self.typed = models.TextInput(name="typed", visible=False)
        self.findings = tables.by_severity(self.line.findings)[:MOST_FINDINGS]
        found, self.table = page.findings_table(
            self._finding_columns(), tables.verdict_counts(self.findings)
        )
        self.map = QualityMap(self.line, self.go) if self.line.maps is not None else None
        self._connect()  # clicks are sent only of what a document finds connected
        parts = [control_rows, self.message, self.plot, self.caption]
        parts += [] if self.map is None else [self.map.whole]
        for name, root in (
            ("gather", models.Column(children=parts, sizing_mode="stretch_width")),
            ("findings", found),
            ("hidden", models.Column(children=[self.address, self.typed])),
        ):
            root.name = name
            document.add_root(root)

    def begin(self, query: str, start: Place) -> None:
        """Show the first gather, and give the document its frame."""
        assets = files("deblend.view").joinpath("assets")
        self.document.template = Template(
            assets.joinpath("page.html").read_text("utf-8"), autoescape=True
        )
        self.document.template_variables.update(
            line=self.line.opened.line.name,
            folder=str(self.line.folder),
            findings=len(self.findings),
            script=assets.joinpath("page.js").read_text("utf-8"),
        )
        self.document.title = f"{self.line.opened.line.name} – deblend view"
        self._filter("", None, None)
        try:
            place = read_place("?" + query) if query else start
        except DeblendError as error:
            self.go(start)
            self._say(str(error))
            return
        self.go(place)

    # ---- going somewhere ----

    def go(self, place: Place) -> None:
        """Show a place; one that the line does not have is said, and nothing changes."""
        try:
            place = self.gathers.settled(place)
            if place.times and place.times not in self.gathers.alignments(place.source):
                place = replace(place, times="")
            if self._drawn is None or replace(place, show="before") != self._drawn:
                self._draw(place)
                self._drawn = replace(place, show="before")
        except (DeblendError, OSError) as error:
            self._say(str(error))
            if self._drawn is None and place != Place():
                self.go(Place())
                self._say(str(error))
            return
        if place.show != self.place.show:
            self.earlier = self.place.show
        self.place = place
        for show, image in self.picture["images"].items():
            image.visible = show == place.show or place.kind == "record_s"
        self._say("")
        self._follow()
        self.address.value = place.link()

    def _say(self, text: str) -> None:
        self.message.text = f'<p class="message" role="alert">{escape(text)}</p>' if text else ""

    def _draw(self, place: Place) -> None:
        if place.kind == "record_s":
            self.gather = None
            self._draw_record(place)
            return
        self.gather = gather = self.gathers.read(place)
        drawn = draw_gather(self.gathers, place, gather)
        count = len(gather.traces.rows)
        self._put(drawn.shades, count, drawn.begin_s, drawn.end_s)
        self.clip = drawn.clip
        page.set_ticks(self.plot.xaxis[0], *trace_ticks(gather.traces.axis))
        self.plot.xaxis.axis_label = gather.traces.axis_label
        times = self._times_words(place)
        self.plot.yaxis.axis_label = f"time after {times} (s)"
        at = self.gathers.marked(place, gather.traces)
        self._mark(self.picture["mark"], at)
        for line, second in zip(
            self.picture["window"], place.window_s or (None, None), strict=True
        ):
            self._mark(line, second)
        self.picture["shots"].data = {"x": [], "y": [], "end": [], "text": []}

    def _draw_record(self, place: Place) -> None:
        drawn = draw_record(self.line, place)
        self._put(dict.fromkeys(VERSIONS, drawn.shades), len(drawn.channels), *drawn.span_s)
        self.clip = drawn.clip
        page.set_ticks(self.plot.xaxis[0], *trace_ticks(drawn.channels.astype(float)))
        self.plot.xaxis.axis_label = "channel"
        self.plot.yaxis.axis_label = "time after the begin of the record (s)"
        for line in (self.picture["mark"], *self.picture["window"]):
            self._mark(line, None)
        count = len(drawn.fired_s)
        self.picture["shots"].data = {
            "x": [-0.5] * count,
            "end": [len(drawn.channels) - 0.5] * count,
            "y": drawn.fired_s,
            "text": drawn.fired_words,
        }

    def _put(self, shades: Any, count: int, begin_s: float, end_s: float) -> None:
        place = {"x": [-0.5], "y": [begin_s], "dw": [count], "dh": [end_s - begin_s]}
        self.picture["source"].data = {show: [shades[show]] for show in VERSIONS} | place
        limits = (-0.5, count - 0.5), (end_s, begin_s)
        for span, (low, high) in zip((self.plot.x_range, self.plot.y_range), limits, strict=True):
            span.update(start=low, end=high, reset_start=low, reset_end=high)

    def _mark(self, line: models.Span, at: float | None) -> None:
        line.update(visible=at is not None, location=0 if at is None else at)

    # ---- words ----

    def _times_words(self, place: Place) -> str:
        if not place.times:
            return "firing"
        return f"the firing of {self.gathers.alignments(place.source)[place.times][0]}"

    def _caption_text(self) -> str:
        place, unit = self.place, self.line.job.recording.amplitude_unit
        level = tables.number(self.clip, 3)
        scale = f"Black is +{level}, white is −{level} ({unit}); positive as recorded is black."
        if place.kind == "record_s":
            recording = self.line.job.recording
            begin = recording.start_ns + round((place.number or 0.0) * 1e9)
            instant = format_instant(begin, recording.scale, 3)
            return f"The record as recorded, from {recording.scale.upper()} {instant}. {scale}"
        assert self.gather is not None
        traces = self.gather.traces
        number = tables.with_minus(f"{place.number:.6g}")
        parts = [
            f"Source {place.source}, {KINDS[place.kind]} {number}: {place.show}.",
            scale,
            f"The same for before, after and removed: percentile {place.clip:g} of before.",
        ]
        if place.power:
            parts.append(f"Gain: amplitudes times (t / 1 s) to the power {place.power:g}.")
        if traces.whole > len(traces.rows):
            last = traces.first + len(traces.rows)
            parts.append(f"Traces {traces.first + 1} to {last} of {traces.whole}.")
        if place.window_s:
            parts.append(f"Dotted: {tables.window_text(place.window_s)}.")
        if (self.gather.before.shape[0]) and not np.isfinite(self.gather.after).all():
            parts.append("Pale blue: not known, or not separated.")
        return " ".join(parts)

    def _follow(self) -> None:
        """Let controls, caption and map say what is shown."""
        self._quiet = True
        place, control = self.place, self.controls
        control["source"].value = place.source
        control["kind"].value = place.kind
        control["number"].title = UNITS[place.kind]
        control["number"].value = f"{place.number:.10g}"
        control["show"].active = VERSIONS.index(place.show)
        others = self.gathers.alignments(place.source)
        control["times"].options = [("", "its own firing"), *((k, v[0]) for k, v in others.items())]
        control["times"].value = place.times
        control["power"].value = min(page.POWERS, key=lambda one: abs(float(one) - place.power))
        control["clip"].value = min(page.CLIPS, key=lambda one: abs(float(one) - place.clip))
        job = self.line.job
        longest = RECORD_S if place.kind == "record_s" else job.length * job.recording.interval_s
        control["time"].update(end=longest, step=longest / 200)
        control["time"].value = place.time_s or (0.0, longest)
        many = self.gather is not None and self.gather.traces.whole > len(self.gather.traces.rows)
        control["earlier"].visible = control["later"].visible = many
        state = self.line.state()
        state = f"<b>Run under way: {escape(state)}.</b> " if state else ""
        self.caption.text = f'<p class="caption">{state}{escape(self._caption_text())}</p>'
        for name in ("show", "times", "power"):
            control[name].disabled = place.kind == "record_s"
        if self.map is not None:
            self.map.follow(place)
        self._quiet = False

    # ---- findings ----

    def _finding_columns(self) -> dict[str, list[Any]]:
        return {
            "verdict": [one.verdict for one in self.findings],
            "metric": [tables.metric_text(one.metric) for one in self.findings],
            "place": [_place_words(one) for one in self.findings],
            "value": [f"{tables.number(one.value)} {one.unit}" for one in self.findings],
            "message": [tables.with_minus(one.message) for one in self.findings],
        }

    def _filter(self, _: str, __: object, ___: object) -> None:
        table = self.table
        chosen = {tables.SEVERITY[k] for k in table["verdicts"].active}
        words = table["words"].value_input.lower().split()
        columns = table["source"].data
        texts = [" ".join(row).lower() for row in zip(*columns.values(), strict=True)]
        table["shown"].booleans = [
            verdict in chosen and all(word in text for word in words)
            for verdict, text in zip(columns["verdict"], texts, strict=True)
        ]

    def _chosen_finding(self, _: str, __: object, chosen: list[int]) -> None:
        if not chosen:
            return
        finding = self.findings[chosen[0]]
        place = place_of_finding(finding)
        if place is None and self.map is not None:
            place = self.map.worst_of(finding)
        if place is not None:
            now = self.place
            self.go(replace(place, show=now.show, power=now.power, clip=now.clip))
        if place is None or not self.message.text:
            self._say(f"{finding.verdict}: {tables.with_minus(finding.message)}")

    def _next_finding(self, step: int) -> None:
        shown = np.flatnonzero(self.table["shown"].booleans)
        if not shown.size:
            return
        chosen = self.table["source"].selected.indices
        at = int(np.searchsorted(shown, chosen[0])) + step if chosen else 0
        self.table["source"].selected.indices = [int(shown[min(max(at, 0), len(shown) - 1)])]

    # ---- what the reader does ----

    def _connect(self) -> None:
        control = self.controls

        def on(name: str, property_: str, place: Callable[[Any], Place]) -> None:
            def changed(_: str, __: object, value: Any) -> None:
                if not self._quiet:
                    self.go(place(value))

            control[name].on_change(property_, changed)

        on("source", "value", lambda value: replace(self.place, source=value, times=""))
        on("kind", "value", self._other_kind)
        on("number", "value", self._typed_number)
        on("show", "active", lambda at: replace(self.place, show=VERSIONS[at]))
        on("times", "value", lambda value: replace(self.place, times=value))
        on("power", "value", lambda value: replace(self.place, power=float(value)))
        on("clip", "value", lambda value: replace(self.place, clip=float(value)))
        on("time", "value_throttled", self._time_drawn)
        control["back"].on_click(lambda: self._step(-1))
        control["on"].on_click(lambda: self._step(1))
        control["earlier"].on_click(lambda: self._other_traces(-1))
        control["later"].on_click(lambda: self._other_traces(1))
        self.plot.on_event(Tap, self._tapped)
        self.typed.on_change("value", self._key)
        self.table["source"].selected.on_change("indices", self._chosen_finding)
        self.table["verdicts"].on_change("active", self._filter)
        self.table["words"].on_change("value_input", self._filter)

    def _typed_number(self, text: str) -> Place:
        try:
            return replace(self.place, number=float(text.replace("−", "-")))
        except ValueError:
            return self.place

    def _time_drawn(self, span: tuple[float, float]) -> Place:
        low, high = span
        whole = low <= 0 and high >= self.controls["time"].end
        return replace(self.place, time_s=None if whole or high <= low else (low, high))

    def _other_kind(self, kind: str) -> Place:
        """Another kind of gather, through the trace that is marked or else the middle one."""
        wanted = cast(GatherKind, kind)
        place = replace(self.place, kind=wanted, number=None, near=None, window_s=None, time_s=None)
        if self.gather is None or not len(self.gather.traces.rows):
            return place
        traces = self.gather.traces
        at = self.gathers.marked(self.place, traces)
        at = len(traces.rows) // 2 if at is None else at
        return self.gathers.through(place, int(traces.rows[at]), int(traces.channels[at]))

    def _step(self, step: int) -> None:
        self.go(self.gathers.beside(self.place, step))

    def _other_traces(self, step: int) -> None:
        if self.gather is None or self.gather.traces.whole == len(self.gather.traces.rows):
            return
        self.go(self.gathers.other_stretch(self.place, step))

    def _tapped(self, event: Any) -> None:
        """Mark the trace, and say what its samples are there."""
        gather = self.gather
        if gather is None or not -0.5 <= event.x < len(gather.traces.rows) - 0.5:
            return
        at, job = int(np.rint(event.x)), self.line.job
        row, channel = int(gather.traces.rows[at]), int(gather.traces.channels[at])
        point, number = int(job.shots.shot_point[row]), int(job.recording.channel_numbers[channel])
        by_channel = self.place.kind == "shot_point"
        self.go(replace(self.place, near=number if by_channel else point))
        said = f"Shot point {point}, channel {number}, {event.y:.3f} s"
        if not self.place.times:
            sample = int(np.clip(np.rint(event.y / job.recording.interval_s), 0, job.length - 1))
            values = (
                f"{show} {tables.number(float(gather.version(show)[at, sample]), 3)}"
                for show in VERSIONS
            )
            said += f": {', '.join(values)} {job.recording.amplitude_unit}"
        self._say(said)

    def _key(self, _: str, __: object, typed: str) -> None:
        """A key; the number behind it makes two of the same kind differ."""
        key = typed.rpartition(" ")[0]
        if key.startswith("go "):
            self.go(read_place(key.removeprefix("go ")))
        elif key in ("b", "a", "r"):
            self.go(replace(self.place, show=VERSIONS["bar".index(key)]))
        elif key == "space":
            self.go(replace(self.place, show=cast(Any, self.earlier)))
        elif key in ("ArrowRight", "ArrowLeft"):
            self._step(1 if key == "ArrowRight" else -1)
        elif key in ("PageUp", "PageDown"):
            self._other_traces(1 if key == "PageDown" else -1)
        elif key in ("j", "k"):
            self._next_finding(1 if key == "j" else -1)
        elif key in ("c", "s", "o", "m", "t"):
            kind = list(KINDS)["csomt".index(key)]
            if kind in self.gathers.kinds() and kind != self.place.kind:
                self.go(self._other_kind(kind))


def _place_words(finding: Any) -> str:
    """Where a finding leads, in words."""
    parts = [] if finding.source is None else [f"source {finding.source}"]
    if finding.channel is not None:
        parts.append(f"channel {finding.channel}")
    if finding.shot_point is not None:
        parts.append(f"shot {finding.shot_point}")
    if finding.window_s is not None:
        parts.append(tables.window_text(finding.window_s))
    return ", ".join(parts)
