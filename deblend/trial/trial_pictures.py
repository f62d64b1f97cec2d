"""Pictures of a trial: all lines on the places of the benchmark, and their spectra."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft, rfftfreq
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from deblend.decibels import amplitude_decibels
from deblend.model.midpoints import midpoint_m
from deblend.report.page_frame import ReportFigure
from deblend.report.trial_page import Curves, LinesPanel, curves_figure
from deblend.stack.bins import BinGrid, fold_map
from deblend.stack.moveout import flatten
from deblend.trial.compare_lines import EXTENTS, channel_section, channels_at, stack_section
from deblend.trial.likeness import rms
from deblend.trial.paired_sections import SMOOTHED_HZ, Section, windows_of
from deblend.trial.placed_gathers import PlacedGathers

if TYPE_CHECKING:
    from deblend.trial.run_trial import TrialResult

Floats = NDArray[np.float64]
Traces = NDArray[np.float32]

MOST_TRACES: Final = 300
GAIN_POWER: Final = 1.5
"""Of the time, in all pictures alike; no number is taken from them."""
LOWEST_DB: Final = -60.0


def trial_panels(result: TrialResult) -> Iterator[LinesPanel]:
    """Stack, common offsets, midpoint gathers after moveout, and a shot of all lines."""
    yield _stack_panel(result)
    yield from _offset_panels(result)
    yield from _midpoint_panels(result)
    yield _shot_panel(result)


def _panel(
    result: TrialResult,
    title: str,
    about: str,
    sections: Mapping[str, Section],
    axis: tuple[Floats, str],
    farthest_m: float,
) -> LinesPanel:
    """Sections of all lines on the traces of the benchmark, each by one factor at its rms."""
    own = sections[result.keys.benchmark]
    length = min(one.traces.shape[1] for one in sections.values())
    level = rms(own.traces[:, :length])
    traces, factors = {}, []
    for name, section in sections.items():
        placed = on_places(section, own.place_m, farthest_m)[:, :length]
        known = placed[np.isfinite(placed).all(axis=1)]
        factor = level / rms(known) if rms(known) > 0.0 else 1.0
        traces[name] = placed * np.float32(factor)
        factors.append(f"{name} {amplitude_decibels(factor):+.1f} dB")
    gain = (np.arange(1, length + 1) / length) ** GAIN_POWER
    traces = {name: (one * gain).astype(np.float32) for name, one in traces.items()}
    return LinesPanel(
        title=title,
        caption=f"{about} Shown with a gain of time to the power {GAIN_POWER:g}. Each line by one "
        f"factor at the rms of the benchmark: "
        f"{', '.join(factors)}. Scale: black and white are the 99th percentile of the benchmark.",
        traces=traces,
        benchmark=result.keys.benchmark,
        axis=axis[0],
        axis_label=axis[1],
        interval_s=own.interval_s,
    )


def on_places(section: Section, place_m: Floats, farthest_m: float) -> Traces:
    """The nearest trace of a section for each place, NaN where none is near enough."""
    out = np.full((len(place_m), section.traces.shape[1]), np.nan, np.float32)
    known = np.flatnonzero(np.isfinite(section.place_m).all(axis=1))
    wanted = np.flatnonzero(np.isfinite(place_m).all(axis=1))
    if len(known) and len(wanted):
        found = cKDTree(section.place_m[known]).query(place_m[wanted])
        apart, nearest = np.asarray(found[0], np.float64), np.asarray(found[1], np.int64)
        near = apart <= farthest_m
        out[wanted[near]] = section.traces[known[nearest[near]]]
    return out


def _stack_panel(result: TrialResult) -> LinesPanel:
    grid = result.grid
    fold = result.stacks[result.keys.benchmark].fold.sum(axis=0).max(axis=1)
    filled = np.asarray(fold.reshape(grid.shape) > 0)
    column = int(np.argmax(filled.sum(axis=0)))
    sections, folds = {}, []
    for line in result.compared:
        sums = result.stacks[line.name]
        section = stack_section(sums, grid, line.gathers)
        sections[line.name] = section
        folds.append(f"{line.name} {section.fold:.1f}")
    own = sections[result.keys.benchmark]
    rows = _of_column(own, grid, column)
    sections[result.keys.benchmark] = rows
    along, _ = grid.along_across(rows.place_m[:, 0], rows.place_m[:, 1])
    about = (
        f"Stack of the bins along the line at {column * grid.crossline_m:.1f} m across, bins of "
        f"{grid.inline_m:g} m by {grid.crossline_m:.1f} m; fold: {', '.join(folds)}."
    )
    axis = along, "distance along the line (m)"
    return _panel(
        result, "Stack", about, sections, axis, 0.6 * max(grid.inline_m, grid.crossline_m)
    )


def _of_column(section: Section, grid: BinGrid, column: int) -> Section:
    """The bins of one row along the line."""
    _, across = grid.along_across(section.place_m[:, 0], section.place_m[:, 1])
    rows = np.flatnonzero(np.rint(across / grid.crossline_m) == column)
    return replace(section, traces=section.traces[rows], place_m=section.place_m[rows])


def _offset_panels(result: TrialResult) -> Iterator[LinesPanel]:
    benchmark = result.benchmark.gathers
    first = benchmark.shots.rows_of(benchmark.shots.sources[0])[:MOST_TRACES]
    for extent, channel in zip(EXTENTS, channels_at(benchmark), strict=True):
        offset_m = float(np.nanmean(np.abs(benchmark.geometry.offset_m[:, channel])))
        sections = {}
        for line in result.compared:
            mean = np.nanmean(np.abs(line.gathers.geometry.offset_m), axis=0)
            nearest = int(np.argmin(np.abs(mean - offset_m)))
            sections[line.name] = channel_section(line.gathers, nearest)
        own = sections[result.keys.benchmark]
        own = replace(own, traces=own.traces[first], place_m=own.place_m[first])
        sections[result.keys.benchmark] = own
        along, _ = result.grid.along_across(own.place_m[:, 0], own.place_m[:, 1])
        about = (
            f"Common offset of about {offset_m:.0f} m, one trace a shot of the first source of "
            f"the benchmark; the nearest trace of each line within {_reach(result):g} m, fold 1."
        )
        yield _panel(
            result,
            f"Common offset, {extent}",
            about,
            sections,
            (along, "distance along the line (m)"),
            _reach(result),
        )


def _reach(result: TrialResult) -> float:
    """Lines of more or fewer sources have midpoints up to a bin apart."""
    return max(result.keys.farthest_m, result.grid.crossline_m)


def _midpoint_panels(result: TrialResult) -> Iterator[LinesPanel]:
    grid = result.grid
    numbers = {}
    for line in result.compared:
        gathers = line.gathers
        numbers[line.name] = grid.index(*midpoint_m(gathers.shots, gathers.geometry))
    folds = np.minimum.reduce([fold_map(grid, bins).ravel() for bins in numbers.values()])
    full = np.flatnonzero(folds >= max(1, 0.8 * folds.max(initial=0)))
    for number in full[np.unique(np.linspace(0, len(full) - 1, 2).astype(int))].tolist():
        sections = {
            line.name: _flat_gather(result, line.gathers, numbers[line.name] == number, number)
            for line in result.compared
        }
        own = sections[result.keys.benchmark]
        count = [f"{name} {len(one.traces)}" for name, one in sections.items()]
        yield _panel(
            result,
            f"Midpoint gather after moveout at {grid.along_m[number]:.0f} m",
            f"Traces of one bin of {grid.inline_m:g} m by {grid.crossline_m:.1f} m after moveout "
            f"and mute, nearest in offset to those of the benchmark; fold: {', '.join(count)}.",
            sections,
            (own.place_m[:, 0], "offset (m)"),
            np.inf,
        )


def _flat_gather(
    result: TrialResult, line: PlacedGathers, inside: NDArray[np.bool_], number: int
) -> Section:
    shot, channel = np.nonzero(inside)
    offset_m = np.abs(line.geometry.offset_m[inside])
    order = np.argsort(offset_m, kind="stable")
    time_s = np.arange(line.length, dtype=np.float64) * line.interval_s
    velocity = result.velocities.at(float(result.grid.along_m[number]), time_s)
    traces = line.amplitude.traces(shot[order], channel[order])
    flat, _ = flatten(traces, offset_m[order], velocity, line.interval_s)
    return Section(flat, offset_m[order, None], line.interval_s, 1.0, line.name)


def _shot_panel(result: TrialResult) -> LinesPanel:
    """The shot in the middle of the first source of the benchmark and the nearest of each line."""
    own = result.benchmark.gathers
    rows = own.shots.rows_of(own.shots.sources[0])
    wanted = int(rows[len(rows) // 2])
    at_m = np.array([own.shots.x_m[wanted], own.shots.y_m[wanted]])
    sections, apart = {}, []
    for line in result.compared:
        shots = line.gathers.shots
        distance = np.hypot(shots.x_m - at_m[0], shots.y_m - at_m[1])
        shot = int(np.nanargmin(distance))
        apart.append(f"{line.name} {distance[shot]:.1f} m")
        offset_m = np.abs(line.gathers.geometry.offset_m[shot])
        traces = line.gathers.of_shots(np.array([shot]))[0]
        sections[line.name] = Section(
            traces, offset_m[:, None], line.gathers.interval_s, 1.0, line.name
        )
    place = sections[result.keys.benchmark].place_m[:, 0]
    return _panel(
        result,
        "Shot gather",
        f"The nearest shot of each line, fold 1; source positions apart: {', '.join(apart)}.",
        sections,
        (place, "offset (m)"),
        np.inf,
    )


def trial_curves(result: TrialResult) -> Iterator[ReportFigure]:
    """Spectra of the stacks in windows, and signatures with their spectra."""
    yield ReportFigure(
        name="spectra",
        draw=partial(curves_figure, _spectra(result)),
        title="Spectra of the stacks",
        alt="Amplitude spectra of the stacks of all lines in windows of time.",
        caption=f"Root mean square over the common bins, smoothed over {SMOOTHED_HZ:g} Hz, in dB "
        "relative to the highest of the benchmark in the window; not matched in strength.",
    )
    signatures = _signatures(result)
    if signatures:
        yield ReportFigure(
            name="signatures",
            draw=partial(curves_figure, signatures),
            title="Signatures",
            alt="Far-field signatures of the lines and their spectra.",
            caption="As handed over, on one scale; the spectrum in dB relative to the highest of "
            "all.",
        )


def _spectra(result: TrialResult) -> list[Curves]:
    own = result.stacks[result.keys.benchmark]
    interval_s = result.benchmark.gathers.interval_s
    filled = np.flatnonzero(
        np.logical_and.reduce([s.fold.any(axis=(0, 2)) for s in result.stacks.values()])
    )
    panels = []
    for window_s in windows_of(own.fold.shape[2] * interval_s):
        start, stop = (round(edge / interval_s) for edge in window_s)
        curves = {}
        for name, sums in result.stacks.items():
            part = sums.stack[filled, start:stop] * np.hanning(stop - start)
            curves[name] = _spectrum(part, interval_s)
        top = max(curves[result.keys.benchmark][1].max(), 1e-30)
        panels.append(
            Curves(
                f"{window_s[0]:.2f}–{window_s[1]:.2f} s",
                "frequency (Hz)",
                "amplitude (dB)",
                {name: (x, _level_db(y, top)) for name, (x, y) in curves.items()},
            )
        )
    return panels


def _spectrum(traces: NDArray[np.floating], interval_s: float) -> tuple[Floats, Floats]:
    padded = max(512, traces.shape[-1])
    power = np.mean(np.abs(rfft(traces, padded, axis=-1)) ** 2, axis=0)
    smooth = gaussian_filter1d(
        power.astype(np.float64), max(SMOOTHED_HZ * padded * interval_s, 0.5)
    )
    return np.asarray(rfftfreq(padded, interval_s), np.float64), np.sqrt(smooth)


def _level_db(values: Floats, top: float) -> Floats:
    return np.asarray(20.0 * np.log10(np.maximum(values / top, 10.0 ** (LOWEST_DB / 20.0))))


def _signatures(result: TrialResult) -> list[Curves]:
    held = {line.name: line.signature for line in result.lines if line.signature is not None}
    if not held:
        return []
    spectra = {}
    for name, one in held.items():
        step_s = float(one.time_s[1] - one.time_s[0])
        amplitude = np.abs(rfft(one.amplitude, 2048)) * step_s
        spectra[name] = np.asarray(rfftfreq(2048, step_s), np.float64), amplitude
    top = max(float(amplitude.max()) for _, amplitude in spectra.values())
    return [
        Curves(
            "signature",
            "time (s)",
            "amplitude",
            {name: (one.time_s, one.amplitude) for name, one in held.items()},
        ),
        Curves(
            "its spectrum (dB)",
            "frequency (Hz)",
            "amplitude (dB)",
            {name: (x, _level_db(y, top)) for name, (x, y) in spectra.items()},
        ),
    ]
