"""Whether a velocity table fits the gathers of a line: velocities of best semblance over it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from deblend.model.findings import Finding
from deblend.model.midpoints import midpoint_m
from deblend.stack.bins import BinGrid, fold_map
from deblend.stack.moveout import semblance_panel
from deblend.stack.velocity import VelocityTable
from deblend.trial.placed_gathers import PlacedGathers

_TRIALS: Final = np.arange(0.8, 1.2501, 0.01)
"""Velocities tried, relative to the table."""
_GATHERS: Final = 3
_LEAST_SEMBLANCE: Final = 0.2
"""Below it nothing is picked (common practice, no source)."""


def velocity_rows(
    line: PlacedGathers,
    grid: BinGrid,
    velocities: VelocityTable,
    windows_s: list[tuple[float, float]],
) -> Iterator[Finding]:
    """Velocity of best semblance over that of the table, in the fullest bins along the line."""
    bins = grid.index(*midpoint_m(line.shots, line.geometry))
    folds = fold_map(grid, bins).ravel()
    full = np.flatnonzero(folds >= max(3, 0.8 * folds.max(initial=0)))
    if not len(full):
        return
    time_s = np.arange(line.length, dtype=np.float64) * line.interval_s
    for number in full[np.unique(np.linspace(0, len(full) - 1, _GATHERS).astype(int))].tolist():
        shot, channel = np.nonzero(bins == number)
        traces = line.amplitude.traces(shot, channel)
        offset_m = line.geometry.offset_m[shot, channel]
        table = velocities.at(float(grid.along_m[number]), time_s)
        panel = semblance_panel(traces, offset_m, _TRIALS[:, None] * table, line.interval_s)
        for window_s in windows_s:
            start, stop = (round(edge / line.interval_s) for edge in window_s)
            mean = panel[:, start:stop].mean(axis=1)
            best, middle = int(np.argmax(mean)), (start + stop) // 2
            if mean[best] >= _LEAST_SEMBLANCE:
                yield Finding(
                    "velocity_over_table",
                    float(_TRIALS[best]),
                    "",
                    "note",
                    f"Velocity of best semblance ({mean[best]:.2f}) over that of the table "
                    f"({table[middle]:.0f} m/s), midpoint gather of {line.name} at "
                    f"{grid.along_m[number]:.0f} m, offsets to {np.abs(offset_m).max():.0f} m.",
                    window_s=window_s,
                )
