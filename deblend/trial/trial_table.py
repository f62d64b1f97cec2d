"""The table of a trial, a column a line: acquisition, stack, likeness, what runs say themselves."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from deblend.decibels import decibels
from deblend.files import csv_text
from deblend.model.midpoints import midpoint_m
from deblend.qc.bands import octave_bands
from deblend.stack.bins import bin_grid, fold_map
from deblend.trial.line_stack import LineStack, Window, ratio_db, snr_db
from deblend.trial.stack_likeness import StackLikeness, stack_likeness
from deblend.trial.trial_lines import TrialLine

Cell = float | str | None
NOT_KNOWN: Final = "not known"


@dataclass(frozen=True)
class Row:
    """One quantity of all lines."""

    quantity: str
    unit: str
    values: tuple[Cell, ...]
    """A number or words for each line; None where it has none."""
    errors: tuple[float | None, ...] = ()
    """One standard error of each number; empty where the quantity has none."""
    window_s: Window | None = None
    band_hz: Window | None = None
    """Two-way times and frequencies it is about; None for all."""


def acquisition_rows(lines: Sequence[TrialLine]) -> Iterator[Row]:
    """How each line was shot, from its own headers."""

    def row(quantity: str, unit: str, values: Sequence[Cell]) -> Row:
        return Row(quantity, unit, tuple(values))

    yield row("sources", "", [float(line.source_count) for line in lines])
    volumes = [" + ".join(f"{v:g}" for v in line.volumes_in3) or NOT_KNOWN for line in lines]
    yield row("volumes", "cubic inches", volumes)
    yield row("shots", "", [float(len(line.gathers.shots)) for line in lines])
    firing = [firing_of(line) for line in lines]
    for quantity, unit in (
        ("interval between shots of a source", "s"),
        ("standard deviation of that interval", "s"),
        ("blending fold", ""),
    ):
        yield row(quantity, unit, [one.get(quantity, NOT_KNOWN) for one in firing])
    bins = [_own_bins(line) for line in lines]
    for number, (quantity, unit) in enumerate(
        (
            ("inline bin", "m"),
            ("crossline bin", "m"),
            ("fold in its own bins", ""),
            ("trace density", "traces per square kilometre"),
        )
    ):
        yield row(quantity, unit, [one[number] for one in bins])


def firing_of(line: TrialLine) -> dict[str, float]:
    """Interval, its spread, and how many shots overlap, by fire times; empty where unknown."""
    if not all(len(times) > 1 for times in line.fire_time_s):
        return {}
    steps = [np.diff(np.sort(times)) for times in line.fire_time_s]
    every = np.sort(np.concatenate(line.fire_time_s))
    length_s = line.gathers.length * line.gathers.interval_s
    before = np.searchsorted(every, every - length_s, side="right")
    after = np.searchsorted(every, every + length_s, side="left")
    return {
        "interval between shots of a source": float(np.median(np.concatenate(steps))),
        "standard deviation of that interval": float(np.mean([np.std(step) for step in steps])),
        "blending fold": float(np.mean(after - before)),
    }


def _own_bins(line: TrialLine) -> tuple[float, float, float, float]:
    """Inline and crossline bin, mean fold, and traces per square kilometre."""
    gathers = line.gathers
    inline_m = natural_bin_m(line)
    grid = bin_grid(gathers.shots, gathers.geometry, inline_m=inline_m)
    folds = fold_map(grid, grid.index(*midpoint_m(gathers.shots, gathers.geometry)))
    fold = float(folds[folds > 0].mean())
    return inline_m, grid.crossline_m, fold, 1e6 * fold / (inline_m * grid.crossline_m)


def natural_bin_m(line: TrialLine) -> float:
    """Half the group interval."""
    offset_m = np.sort(np.nanmean(np.abs(line.gathers.geometry.offset_m), axis=0))
    return round(0.5 * float(np.median(np.diff(offset_m))), 2)


@dataclass(frozen=True, eq=False)
class StackedTrial:
    """The stacks of all lines on common bins."""

    stacks: tuple[LineStack | None, ...]
    """None for a line that cannot be compared."""
    benchmark: int
    windows_s: tuple[Window, ...]
    bands_hz: tuple[Window, ...]

    @property
    def parts(self) -> Iterator[tuple[Window, int, Window | None]]:
        """Window, band number and band: all frequencies in each window, then every octave."""
        for band, band_hz in enumerate((None, *self.bands_hz)):
            for window_s in self.windows_s:
                yield window_s, band, band_hz


def stack_rows(trial: StackedTrial) -> Iterator[Row]:
    """Fold, output, signal-to-noise with its expectation, likeness; by time and octave."""
    for window_s in trial.windows_s:
        folds = tuple(None if one is None else one.effective_fold(window_s) for one in trial.stacks)
        yield Row("fold on common bins", "", folds, window_s=window_s)
    for window_s, band, band_hz in trial.parts:
        yield from _snr_rows(trial, window_s, band, band_hz)
        yield from _likeness_rows(trial, window_s, band, band_hz)


def _snr_rows(
    trial: StackedTrial, window_s: Window, band: int, band_hz: Window | None
) -> Iterator[Row]:
    benchmark = trial.stacks[trial.benchmark]
    assert benchmark is not None
    own_snr, own_error = snr_db(benchmark, window_s, band)
    if not np.isfinite(own_snr):
        return
    columns: list[list[tuple[Cell, float | None]]] = []
    for one in trial.stacks:
        if one is None:
            columns.append([(None, None)] * 5)
            continue
        output = ratio_db(one, benchmark, window_s, band)
        measured = snr_db(one, window_s, band)
        fold_db = decibels(one.effective_fold(window_s), benchmark.effective_fold(window_s))
        noise = ratio_db(one, benchmark, window_s, band, noise=True)
        expected = own_snr + fold_db + output[0], float(np.hypot(own_error, output[1]))
        # The noise of one trace, not of the stack: what fold and strength do not explain.
        columns.append(
            [
                output,
                measured,
                expected,
                (measured[0] - expected[0], noise[1]),
                (noise[0] + fold_db, noise[1]),
            ]
        )
    quantities = (
        "output relative to the benchmark",
        "signal-to-noise of the stack",
        "expected from fold and strength",
        "signal-to-noise that remains unexplained",
        "noise of a trace relative to the benchmark",
    )
    for number, quantity in enumerate(quantities):
        cells = [column[number] for column in columns]
        yield Row(
            quantity,
            "dB",
            tuple(value for value, _ in cells),
            tuple(error for _, error in cells),
            window_s,
            band_hz,
        )


def _likeness_rows(
    trial: StackedTrial, window_s: Window, band: int, band_hz: Window | None
) -> Iterator[Row]:
    benchmark = trial.stacks[trial.benchmark]
    assert benchmark is not None
    found: list[StackLikeness | None] = [
        None if one is None or one is benchmark else stack_likeness(one, benchmark, window_s, band)
        for one in trial.stacks
    ]
    if not any(found):
        return
    for quantity, unit, name, factor in (
        ("correlation with the benchmark", "", "correlation", 1.0),
        ("time shift against the benchmark", "ms", "shift_s", 1e3),
        ("NRMS against the benchmark", "%", "nrms_percent", 1.0),
        ("NRMS that noise explains", "%", "noise_percent", 1.0),
        ("NRMS that positions explain", "%", "position_percent", 1.0),
        ("NRMS that remains unexplained", "%", "unexplained_percent", 1.0),
    ):
        values = tuple(None if one is None else factor * getattr(one, name) for one in found)
        yield Row(quantity, unit, values, window_s=window_s, band_hz=band_hz)


def run_rows(lines: Sequence[TrialLine]) -> Iterator[Row]:
    """Expected error and crosstalk by window, the worst source, from each run's findings."""
    for metric, quantity in (
        ("expected_error", "expected error of the separation"),
        ("crosstalk", "crosstalk"),
    ):
        own = [
            {
                (row.window_s, row.band_hz): max(
                    other.value
                    for other in line.findings
                    if (other.metric, other.window_s, other.band_hz)
                    == (metric, row.window_s, row.band_hz)
                )
                for row in line.findings
                if row.metric == metric
            }
            for line in lines
        ]
        places = sorted({key for one in own for key in one}, key=lambda key: key[0] or (0, 0))
        for window_s, band_hz in places:
            values = tuple(one.get((window_s, band_hz)) for one in own)
            yield Row(quantity, "dB", values, window_s=window_s, band_hz=band_hz)


def trial_csv(rows: Sequence[Row], names: Sequence[str]) -> str:
    """The table as CSV, a column a line and one for its standard error."""
    header = ["quantity", "unit", "window_s", "band_hz"]
    for name in names:
        header += [name, f"{name}: error"]
    return csv_text(header, (_cells(row, len(names)) for row in rows))


def _cells(row: Row, count: int) -> list[str]:
    cells = [row.quantity, row.unit, _span(row.window_s), _span(row.band_hz)]
    errors = row.errors or (None,) * count
    for value, error in zip(row.values, errors, strict=True):
        cells += [_text(value), _text(error)]
    return cells


def _span(span: Window | None) -> str:
    return "" if span is None else ":".join(f"{edge:.6g}" for edge in span)


def _text(value: Cell) -> str:
    if value is None:
        return ""
    return value if isinstance(value, str) else f"{value:.6g}"


def table_bands(interval_s: float) -> tuple[Window, ...]:
    """Octaves from 3 to 128 Hz; those beyond hold nothing that a source radiates."""
    return tuple(band for band in octave_bands(interval_s) if band[0] > 2.0 and band[0] < 100.0)
