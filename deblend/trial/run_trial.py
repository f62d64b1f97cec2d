"""A whole source test: lines opened, stacked on common bins, compared, told in a table."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from deblend.errors import InputError
from deblend.files import json_values, write_text
from deblend.model.findings import Finding, Verdict, findings_csv
from deblend.progress import Progress, Step, silent
from deblend.qc.limits import Limit, overall_verdict
from deblend.report.panels import ComparedPanel
from deblend.stack.bins import BinGrid, bin_grid
from deblend.stack.stacking import StackSums
from deblend.stack.velocity import VelocityTable, read_velocities
from deblend.trial.compare_lines import Comparison, check_comparable, compare_pair, stacked
from deblend.trial.line_stack import filled_bins, line_stack
from deblend.trial.page_content import trial_figures, trial_html, write_pictures
from deblend.trial.paired_sections import windows_of
from deblend.trial.placed_gathers import PlacedGathers
from deblend.trial.sentences import sentences
from deblend.trial.trial_file import TrialKeys, read_trial_file
from deblend.trial.trial_lines import TrialLine, open_trial_line
from deblend.trial.trial_separation import trial_separation
from deblend.trial.trial_table import (
    Row,
    StackedTrial,
    acquisition_rows,
    natural_bin_m,
    run_rows,
    stack_rows,
    table_bands,
    trial_csv,
)
from deblend.trial.trial_verdicts import stack_findings

TABLE: Final = "trial.csv"
PAGE: Final = "trial.html"
CONTENT: Final = "trial.json"
FINDINGS: Final = "findings.csv"


@dataclass(frozen=True, eq=False)
class TrialResult:
    """What a trial came to."""

    keys: TrialKeys
    lines: tuple[TrialLine, ...]
    grid: BinGrid
    stacks: Mapping[str, StackSums]
    """By the name of the line; those that could be compared."""
    rows: tuple[Row, ...]
    findings: tuple[Finding, ...]
    velocities: VelocityTable
    common_bins: int
    """Bins that all lines fill."""
    not_compared: Mapping[str, str]
    """Why a line could not be compared, by its name."""
    sentences: tuple[str, ...]

    @property
    def verdict(self) -> Verdict:
        """The worst of all findings."""
        return overall_verdict(self.findings)

    @property
    def compared(self) -> tuple[TrialLine, ...]:
        """The benchmark and the lines that could be held against it."""
        return tuple(line for line in self.lines if line.name not in self.not_compared)

    @property
    def benchmark(self) -> TrialLine:
        """The line that the others are held against."""
        return next(line for line in self.lines if line.name == self.keys.benchmark)


def run_trial(
    trial_file: Path, limits: Mapping[str, Limit], progress: Progress = silent
) -> TrialResult:
    """Compare the lines of a trial file.

    Raises
    ------
    SettingsError, InputError
        If the trial file, the benchmark or the velocities cannot be used, or no line can be
        compared; a single line that cannot be compared is left out with the reason.
    """
    keys, folder = read_trial_file(trial_file), trial_file.parent
    velocities = read_velocities(folder / keys.velocities)
    lines: list[TrialLine] = []
    for given in keys.lines:
        progress(Step("open", len(lines), len(keys.lines), given.name))
        lines.append(open_trial_line(given, folder, progress))
    benchmark = next(line for line in lines if line.name == keys.benchmark)
    missing = dict(_not_comparable(lines, benchmark))
    usable = [line for line in lines if line.name not in missing]
    if len(usable) < 2:
        raise InputError(
            "no line can be compared with the benchmark: "
            + "; ".join(f"{name}: {why}" for name, why in missing.items()),
            where=str(trial_file),
            remedy="Give lines of one sample interval, direction and place.",
        )
    grid = _common_grid(benchmark, keys)
    velocities.check_covers(0.0, float(grid.along_m[-1]))
    stacks: dict[PlacedGathers, StackSums] = {}
    for number, line in enumerate(usable):
        progress(Step("compare", number, 2 * len(usable), f"stack of {line.name}"))
        stacks[line.gathers] = stacked(line.gathers, grid, velocities)
    table = _stacked_trial(lines, missing, benchmark, stacks, grid)
    findings = [
        Finding("not_compared", float("nan"), "", "look", f"{name}: {why}")
        for name, why in missing.items()
    ]
    findings += stack_findings(table, limits)
    for number, line in enumerate(usable):
        if line is not benchmark:
            at = Step("compare", len(usable) + number, 2 * len(usable), line.name)
            findings += _pair(line, benchmark, velocities, limits, keys, grid, stacks, progress, at)
    rows = (*acquisition_rows(lines), *stack_rows(table), *run_rows(lines))
    return TrialResult(
        keys,
        tuple(lines),
        grid,
        {line.name: stacks[line.gathers] for line in usable},
        rows,
        tuple(findings),
        velocities,
        len(next(one for one in table.stacks if one is not None).fold),
        missing,
        tuple(sentences(rows, [line.name for line in lines], benchmark.name, missing)),
    )


def _common_grid(benchmark: TrialLine, keys: TrialKeys) -> BinGrid:
    """Bins of the benchmark; across, they reach as far as lines may lie apart."""
    own, inline_m = benchmark.gathers, keys.bin_m or natural_bin_m(benchmark)
    grid = bin_grid(own.shots, own.geometry, inline_m=inline_m)
    reach_m = 2.0 * keys.farthest_m
    if grid.crossline_m >= reach_m:
        return grid
    return bin_grid(own.shots, own.geometry, inline_m=inline_m, crossline_m=reach_m)


def _not_comparable(lines: Sequence[TrialLine], benchmark: TrialLine) -> Iterator[tuple[str, str]]:
    """Name of each line that cannot be held against the benchmark, and why."""
    for line in lines:
        if line is benchmark:
            continue
        try:
            check_comparable(line.gathers, benchmark.gathers, resample=False)
            _check_ground(line.gathers, benchmark.gathers)
        except InputError as error:
            yield line.name, error.what


def _check_ground(line: PlacedGathers, benchmark: PlacedGathers) -> None:
    """Refuse a line that was sailed in another direction; a stack would not show it."""
    ahead = [
        np.array(bin_grid(one.shots, one.geometry, inline_m=100.0).forward)
        for one in (line, benchmark)
    ]
    angle = np.degrees(np.arccos(np.clip(ahead[0] @ ahead[1], -1.0, 1.0)))
    if angle > LARGEST_ANGLE_DEG:
        raise InputError(
            f"{line.name} was sailed {angle:.0f} degrees from the direction of {benchmark.name}",
            remedy="Compare lines of one direction: azimuth and dip change what a trace sees.",
        )


LARGEST_ANGLE_DEG: Final = 10.0
"""Between the directions of lines that are compared (common practice, no source)."""


def _stacked_trial(
    lines: Sequence[TrialLine],
    missing: Mapping[str, str],
    benchmark: TrialLine,
    stacks: Mapping[PlacedGathers, StackSums],
    grid: BinGrid,
) -> StackedTrial:
    bands = table_bands(benchmark.gathers.interval_s)
    length = min(one.fold.shape[2] for one in stacks.values())
    filled = filled_bins(list(stacks.values()))
    if not len(filled):
        raise InputError(
            "no bin is filled by all lines",
            remedy="Give lines over one ground, or larger bins (bin_m).",
        )
    return StackedTrial(
        tuple(
            None
            if line.name in missing
            else line_stack(stacks[line.gathers], filled, grid, line.gathers, bands, length)
            for line in lines
        ),
        list(lines).index(benchmark),
        tuple(windows_of(length * benchmark.gathers.interval_s)),
        bands,
    )


def _pair(
    line: TrialLine,
    benchmark: TrialLine,
    velocities: VelocityTable,
    limits: Mapping[str, Limit],
    keys: TrialKeys,
    grid: BinGrid,
    stacks: dict[PlacedGathers, StackSums],
    progress: Progress,
    at: Step,
) -> list[Finding]:
    """The findings of one line against the benchmark, as `deblend benchmark-line` has them."""
    how = Comparison(keys.match, keys.farthest_m, grid.inline_m)
    filtered = keys.filter_benchmark and bool(line.findings)
    separation = trial_separation(line.paths[0], None, None, None) if filtered else None
    panels: list[ComparedPanel] = []

    def note(text: str) -> None:
        progress(Step("compare", at.done, at.total, text))

    with tempfile.TemporaryDirectory(prefix="deblend-trial-") as scratch:
        found = compare_pair(
            line.gathers,
            benchmark.gathers,
            velocities,
            limits,
            how,
            separation,
            Path(scratch),
            panels,
            grid=grid,
            stacks=stacks,
            note=note,
        )
    return [*(separation.findings if separation else ()), *found]


def write_trial(
    result: TrialResult, folder: Path, png: Path | None = None, progress: Progress = silent
) -> None:
    """Write table, findings, content and page into a folder, and each figure into `png`."""
    names = [line.name for line in result.lines]
    progress(Step("report", 0, 0, "tables"))
    write_text(folder / TABLE, trial_csv(result.rows, names))
    write_text(folder / FINDINGS, findings_csv(result.findings))
    write_text(folder / CONTENT, json.dumps(_content(result, names), indent=1) + "\n")
    progress(Step("report", 0, 0, "page"))
    panels, curves = trial_figures(result)
    write_text(folder / PAGE, trial_html(result, panels, curves))
    if png is not None:
        progress(Step("report", 0, 0, "pictures"))
        write_pictures(panels, curves, png)


def _content(result: TrialResult, names: list[str]) -> Any:
    return json_values(
        {
            "name": result.keys.name,
            "benchmark": result.keys.benchmark,
            "lines": names,
            "verdict": result.verdict,
            "not_compared": dict(result.not_compared),
            "sentences": list(result.sentences),
            "table": [asdict(row) for row in result.rows],
        }
    )
