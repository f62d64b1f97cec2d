"""A trial against benchmark lines: common-offset gathers, midpoint gathers and stacks.

A fair comparison is the default: the trial is also thinned to the fold of the benchmark, and the
benchmark is also put through the separation that the trial has been through, because a coherence
filter removes noise from whatever passes it. Which one that was stands in the manifest beside the
trial. Traces are read when they are needed: a channel, a midpoint or some shots at a time.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError, SettingsError
from deblend.files import make_folder, sha256_of, write_text
from deblend.model.findings import Finding, findings_csv
from deblend.model.midpoints import midpoint_m
from deblend.progress import Progress, Step, silent
from deblend.qc.limits import Limit
from deblend.report.panels import ComparedPanel, write_panels
from deblend.stack.bins import BinGrid, bin_grid, fold_map
from deblend.stack.stacking import StackSums, add_to_stack, no_stack, snr_of_halves
from deblend.stack.velocity import VelocityTable
from deblend.trial.compare_sections import compare_sections
from deblend.trial.paired_sections import (
    MatchKind,
    Section,
    compared_panel,
    has_other_interval,
    match_strength,
    pair_sections,
    thinned_shots,
    windows_of,
)
from deblend.trial.placed_gathers import PlacedGathers, read_gathers, through_separation
from deblend.trial.trial_separation import TrialSeparation, trial_separation
from deblend.trial.velocity_check import velocity_rows

EXTENTS: Final = ("near", "middle", "far")
GATHERS_COMPARED: Final = 3
PANELS_SUFFIX: Final = ".npz"


Stacks = dict[PlacedGathers, StackSums]


@dataclass(frozen=True)
class Comparison:
    """How to compare."""

    match: MatchKind = "scalar"
    """Match of source strength, applied to the trial."""
    farthest_m: float = 12.5
    """Traces farther apart are left out."""
    bin_m: float = 6.25
    """Size of the bins along the line."""
    resample: bool = False
    """Bring benchmarks of another interval to that of the trial."""
    method: str | None = None
    """Separator that the trial went through; what its manifest says by default."""
    iterations: int | None = None
    seed: int | None = None
    """Of that separation; what the manifest says by default."""


def compare_lines(
    trial_path: Path,
    benchmark_paths: Sequence[Path],
    table: Path,
    velocities: VelocityTable | None,
    limits: Mapping[str, Limit],
    how: Comparison,
    progress: Progress = silent,
) -> tuple[Finding, ...]:
    """Compare a trial with any number of benchmark lines; write findings and, beside them, panels.

    Parameters
    ----------
    table : Path
        CSV file to write. Panels for the report go into a file ``.npz`` of the same name.
    velocities : VelocityTable or None
        For moveout; without it no stack is compared.

    Raises
    ------
    InputError
        If the name of the table does not end in .csv, a file cannot be read, intervals differ
        unasked, positions are unknown or do not overlap, or the velocities miss the line.
    OutputError
        If the table cannot be written.
    """
    if table.suffix.lower() != ".csv":
        raise SettingsError(
            f"the table is to be called {table.name}",
            where=str(table),
            remedy="Give a name that ends in .csv; data are never overwritten with a table.",
        )
    make_folder(table.absolute().parent)
    trial = read_gathers(trial_path)
    separation = trial_separation(trial_path, how.method, how.iterations, how.seed)
    findings = [*separation.findings]
    panels: list[ComparedPanel] = []
    for path in benchmark_paths:
        with tempfile.TemporaryDirectory(
            dir=table.resolve().parent, prefix="unfinished-"
        ) as scratch:
            benchmark = read_gathers(path)
            findings += compare_pair(
                trial,
                benchmark,
                velocities,
                limits,
                how,
                separation,
                Path(scratch),
                panels,
                note=lambda text: progress(Step("compare", 0, 0, text)),
            )
    write_text(table, findings_csv(findings))
    checksum = sha256_of(trial_path)
    panels = [replace(panel, trial_sha256=checksum) for panel in panels]
    write_panels(panels, table.with_suffix(PANELS_SUFFIX))
    return tuple(findings)


def compare_pair(
    trial: PlacedGathers,
    benchmark: PlacedGathers,
    velocities: VelocityTable | None,
    limits: Mapping[str, Limit],
    how: Comparison,
    separation: TrialSeparation | None,
    scratch: Path,
    panels: list[ComparedPanel],
    *,
    grid: BinGrid | None = None,
    stacks: Stacks | None = None,
    note: Callable[[str], None] = lambda text: None,
) -> list[Finding]:
    """Compare a trial with one benchmark: as they are, at equal fold, and equally filtered.

    What is compared as it is is added to `panels`. `grid` is that of the trial if left out;
    `stacks` holds those of both lines where they are known, `note` hears what is being done.
    Without a `separation` the benchmark is not filtered.
    """
    check_comparable(trial, benchmark, resample=how.resample)
    grid = grid or bin_grid(trial.shots, trial.geometry, inline_m=how.bin_m)
    if velocities is not None:
        velocities.check_covers(0.0, float(grid.along_m[-1]))
    if stacks is None and velocities is not None:
        stacks = {line: stacked(line, grid, velocities) for line in (trial, benchmark)}
    stacks = stacks or {}
    folds = [_mean_fold(grid, line) for line in (trial, benchmark)]
    note(f"{trial.name} and {benchmark.name}")
    found = _compare(trial, benchmark, grid, velocities, limits, how, stacks, panels)
    if folds[0] > 1.05 * folds[1] > 0:
        rows = thinned_shots(len(trial.shots), *folds)
        thinned = trial.take(rows, f"{trial.name} thinned to the fold of {benchmark.name}")
        note(thinned.name)
        found += _compare(thinned, benchmark, grid, velocities, limits, how, stacks)
    if separation is None:
        return found
    note(f"{benchmark.name} through the separation of {trial.name}")
    filtered = through_separation(
        benchmark,
        scratch,
        method=separation.for_channels(benchmark.amplitude.shape[1]),
        iterations=separation.iterations,
        seed=separation.seed,
    )
    return found + _compare(
        trial, filtered, grid, velocities, limits, how, stacks, fold_counts=False
    )


def check_comparable(trial: PlacedGathers, benchmark: PlacedGathers, *, resample: bool) -> None:
    """Refuse lines that cannot be compared, before anything long is done."""
    for line in (trial, benchmark):
        if len(line.shots) < 2:
            raise InputError(
                f"{line.name} holds {len(line.shots)} shot",
                remedy="Give lines of at least two shots.",
            )
    has_other_interval(trial, benchmark, resample=resample)


def _mean_fold(grid: BinGrid, line: PlacedGathers) -> float:
    folds = fold_map(grid, grid.index(*midpoint_m(line.shots, line.geometry)))
    return float(folds[folds > 0].mean()) if folds.any() else 0.0


def _compare(
    trial: PlacedGathers,
    benchmark: PlacedGathers,
    grid: BinGrid,
    velocities: VelocityTable | None,
    limits: Mapping[str, Limit],
    how: Comparison,
    stacks: Stacks,
    panels: list[ComparedPanel] | None = None,
    *,
    fold_counts: bool = True,
) -> list[Finding]:
    length_s = trial.interval_s * trial.length
    windows_s = windows_of(length_s)
    found = [*_lengths(trial, benchmark)]
    pairs = [*_common_offset(trial, benchmark), *_midpoint_gathers(trial, benchmark, grid)]
    if velocities is not None:
        sections = []
        for line in (trial, benchmark):
            sums = stacks.get(line) or stacked(line, grid, velocities)
            sections.append(stack_section(sums, grid, line))
            found += _half_rows(sums, windows_s, line.interval_s, line.name)
        found += velocity_rows(trial, grid, velocities, windows_s)
        pairs.append(("stack", sections[0], sections[1]))
    missing: InputError | None = None
    for what, first, second in pairs:
        label = f"{what}: {trial.name} against {benchmark.name}"
        try:
            paired = pair_sections(first, second, farthest_m=how.farthest_m, resample=how.resample)
        except InputError as error:
            missing = missing or error
            found.append(Finding("not_compared", float("nan"), "", "note", f"{label}: {error}"))
            continue
        match = match_strength(paired, how.match)
        found += compare_sections(paired, match, windows_s, limits, label, fold_counts=fold_counts)
        if panels is not None:
            panels.append(compared_panel(what, paired, match))
    if missing is not None and not any(row.metric == "nrms" for row in found):
        raise missing
    return found


def _lengths(trial: PlacedGathers, benchmark: PlacedGathers) -> Iterator[Finding]:
    own, other = (line.length * line.interval_s for line in (trial, benchmark))
    if abs(own - other) > 0.5 * max(trial.interval_s, benchmark.interval_s):
        yield Finding(
            "length_compared",
            min(own, other),
            "s",
            "note",
            f"{trial.name} is {own:.3f} s long and {benchmark.name} {other:.3f} s: the shorter is "
            "compared.",
        )


def _common_offset(
    trial: PlacedGathers, benchmark: PlacedGathers
) -> Iterator[tuple[str, Section, Section]]:
    """Near, middle and far channel of the trial, and the benchmark's channel of that offset."""
    offset = np.nanmean(np.abs(trial.geometry.offset_m), axis=0)
    other = np.nanmean(np.abs(benchmark.geometry.offset_m), axis=0)
    for name, channel in zip(EXTENTS, channels_at(trial), strict=True):
        nearest = int(np.argmin(np.abs(other - offset[channel])))
        yield (
            f"common offset, {name}, {offset[channel]:.0f} m and {other[nearest]:.0f} m",
            channel_section(trial, channel),
            channel_section(benchmark, nearest),
        )


def channels_at(line: PlacedGathers) -> list[int]:
    """The near, the middle and the far channel."""
    offset = np.nanmean(np.abs(line.geometry.offset_m), axis=0)
    order = np.argsort(offset, kind="stable")
    return [int(order[place]) for place in np.linspace(0, len(order) - 1, 3).astype(int)]


def channel_section(line: PlacedGathers, channel: int) -> Section:
    """A channel of all shots with midpoints and offsets."""
    offset = np.abs(line.geometry.offset_m[:, channel, None])
    place = np.concatenate([line.midpoint_m[:, channel], offset], axis=1)
    return Section(line.of_channel(channel), place, line.interval_s, 1.0, line.name)


def _midpoint_gathers(
    trial: PlacedGathers, benchmark: PlacedGathers, grid: BinGrid
) -> Iterator[tuple[str, Section, Section]]:
    """Gathers of full bins along the line, paired by midpoint and offset."""
    bins = grid.index(*midpoint_m(trial.shots, trial.geometry))
    theirs = grid.index(*midpoint_m(benchmark.shots, benchmark.geometry))
    folds = np.minimum(fold_map(grid, bins).ravel(), fold_map(grid, theirs).ravel())
    full = np.flatnonzero(folds >= max(2, 0.8 * folds.max(initial=0)))
    spread = np.unique(np.linspace(0, max(len(full) - 1, 0), GATHERS_COMPARED).astype(int))
    for number in full[spread].tolist() if len(full) else []:
        yield (
            f"midpoint gather at {grid.along_m[number]:.0f} m",
            _bin_section(trial, bins == number),
            _bin_section(benchmark, theirs == number),
        )


def _bin_section(line: PlacedGathers, inside: NDArray[np.bool_]) -> Section:
    shot, channel = np.nonzero(inside)
    offset = np.abs(line.geometry.offset_m[inside])
    order = np.argsort(offset, kind="stable")
    place = np.concatenate([line.midpoint_m[inside], offset[:, None]], axis=1)
    traces = line.amplitude.traces(shot[order], channel[order])
    return Section(traces, place[order], line.interval_s, 1.0, line.name)


def stacked(line: PlacedGathers, grid: BinGrid, velocities: VelocityTable) -> StackSums:
    """The stack of a line, read some shots at a time."""
    sums = no_stack(grid, line.length)
    bins = grid.index(*midpoint_m(line.shots, line.geometry))
    for rows in line.shot_blocks():
        add_to_stack(
            sums,
            line.of_shots(rows).reshape(-1, line.length),
            bins[rows].ravel(),
            line.geometry.offset_m[rows].ravel(),
            grid,
            velocities,
            line.interval_s,
        )
    return sums


def mean_midpoints(grid: BinGrid, line: PlacedGathers) -> NDArray[np.float64]:
    """Mean midpoint of the traces in each bin, (bin, 2), along and across; NaN where empty."""
    x_m, y_m = midpoint_m(line.shots, line.geometry)
    bins = grid.index(x_m, y_m)
    inside = bins >= 0
    count = fold_map(grid, bins).ravel()
    out = np.full((grid.count, 2), np.nan)
    for column, place in enumerate(grid.along_across(x_m, y_m)):
        total = np.bincount(bins[inside], place[inside], minlength=grid.count)
        np.divide(total, count, out=out[:, column], where=count > 0)
    return out


def stack_section(sums: StackSums, grid: BinGrid, line: PlacedGathers) -> Section:
    """Bins that hold something, in order along the line, at the mean of their midpoints."""
    fold = sums.fold.sum(axis=0).max(axis=1)
    filled = np.flatnonzero(fold > 0)
    along, across = mean_midpoints(grid, line)[filled].T
    forward = np.array(grid.forward)
    starboard = np.array([forward[1], -forward[0]])
    place = np.array(grid.origin_m) + along[:, None] * forward + across[:, None] * starboard
    order = np.lexsort((along, filled % grid.shape[1]))
    mean = float(fold[filled].mean()) if len(filled) else 0.0
    return Section(sums.stack[filled][order], place[order], line.interval_s, mean, line.name)


def _half_rows(
    sums: StackSums, windows_s: list[tuple[float, float]], interval_s: float, name: str
) -> Iterator[Finding]:
    for window_s in windows_s:
        start, stop = (round(edge / interval_s) for edge in window_s)
        value = snr_of_halves(sums, start, stop)
        if np.isfinite(value):
            yield Finding(
                "stack_snr_of_halves",
                value,
                "dB",
                "note",
                f"Signal over noise of the stack of {name}, from its two halves.",
                window_s=window_s,
            )
