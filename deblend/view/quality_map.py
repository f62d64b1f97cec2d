"""The map of quality of a source: what it shows, and the gather to which a click on it leads."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final

import numpy as np
from bokeh.events import Tap
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.model.place import Place
from deblend.report import tables
from deblend.report.metric_maps import MetricMaps, cells, metric_meaning
from deblend.view import models as page
from deblend.view.viewed_line import ViewedLine

_MAP_OF: Final = {
    "interference_left": "interference_weight",
    "crosstalk": "interference_weight",
    "signal_removed": "orthogonalisation_weight",
    "coherent_removed": "orthogonalisation_weight",
    "alike_windows": "local_similarity",
}
"""Which map shows where a finding about a source is worst; else that of the energy removed."""
_USUAL: Final = "removed_over_kept"


class QualityMap:
    """Map with its controls."""

    def __init__(self, line: ViewedLine, go: Callable[[Place], None]) -> None:
        assert line.maps is not None
        self._maps: MetricMaps = line.maps
        self._go = go
        self._place = Place()
        self._shown: tuple[object, ...] = ()
        metrics = [(name, metric_meaning(name)) for name in self._maps.values]
        windows = [tables.window_text(window) for window in self._maps.windows_s]
        self.whole, self._parts = page.map_of_quality(metrics, windows)
        for name in ("metric", "window"):
            self._parts[name].on_change("value", lambda _, __, ___: self.follow(self._place))
        self._parts["plot"].on_event(Tap, self._tapped)

    def _rows(self, source: str) -> NDArray[np.int64]:
        return np.flatnonzero(self._maps.source.astype(str) == source)

    def follow(self, place: Place) -> None:
        """Draw the map of the source that is shown, and mark where its gather is."""
        self._place = place
        metric, window = self._parts["metric"].value, int(self._parts["window"].value)
        if (place.source, metric, window) != self._shown:
            self._draw(place.source, metric, window)
            self._shown = (place.source, metric, window)
        points = self._maps.shot_point[self._rows(place.source)]
        at = {
            "channel": (place.near, place.number),
            "shot_point": (place.number, place.near),
        }.get(place.kind, (place.near, None))
        for line, numbers, number in zip(
            self._parts["marks"], (points, self._maps.channel), at, strict=True
        ):
            if number is None or not len(numbers):
                line.visible = False
            else:
                line.update(visible=True, location=int(np.argmin(np.abs(numbers - number))))

    def _draw(self, source: str, metric: str, window: int) -> None:
        rows, maps, plot = self._rows(source), self._maps, self._parts["plot"]
        cell, step = cells(maps.values[metric][rows, :, window])
        low, high = maps.limits(metric)
        self._parts["colours"].update(low=low, high=high)
        shots, channels = cell.shape[0] * step[0], cell.shape[1] * step[1]
        self._parts["source"].data = {
            "image": [np.ascontiguousarray(cell.T)],
            "x": [-0.5], "y": [-0.5], "dw": [shots], "dh": [channels],
        }  # fmt: skip
        ends = (-0.5, len(rows) - 0.5), (len(maps.channel) - 0.5, -0.5)
        for span, (start, end) in zip((plot.x_range, plot.y_range), ends, strict=True):
            span.update(start=start, end=end, reset_start=start, reset_end=end)
        for axis, numbers, count in (
            (plot.xaxis[0], maps.shot_point[rows], 10),
            (plot.yaxis[0], maps.channel, 5),
        ):
            places = np.arange(0, len(numbers), -(-len(numbers) // count) or 1)
            page.set_ticks(axis, places.tolist(), [str(number) for number in numbers[places]])

    def _tapped(self, event: Any) -> None:
        rows = self._rows(self._place.source)
        shot, channel = int(np.rint(event.x)), int(np.rint(event.y))
        if 0 <= shot < len(rows) and 0 <= channel < len(self._maps.channel):
            window = self._maps.windows_s[int(self._parts["window"].value)]
            self._go(self._to(self._place, int(rows[shot]), channel, window))

    def _to(
        self, place: Place, row: int, channel: int, window_s: tuple[float, float] | None
    ) -> Place:
        return replace(
            place,
            kind="channel",
            number=float(self._maps.channel[channel]),
            near=int(self._maps.shot_point[row]),
            window_s=window_s,
            time_s=None,
        )

    def worst_of(self, finding: Finding) -> Place | None:
        """Where the map says that what a finding speaks of is worst; None without a source."""
        metric = _MAP_OF.get(finding.metric, _USUAL)
        if finding.source is None or metric not in self._maps.values:
            return None
        rows = self._rows(str(finding.source))
        values = self._maps.values[metric][rows]
        if finding.window_s is not None:
            window = self._maps.nearest_window(finding.window_s)
            values = values[:, :, window : window + 1]
        if not np.isfinite(values).any():
            return None
        shot, channel, _ = np.unravel_index(
            int(np.nanargmax(np.where(np.isfinite(values), values, np.nan))), values.shape
        )
        place = Place(source=str(finding.source))
        return self._to(place, int(rows[shot]), int(channel), finding.window_s)
