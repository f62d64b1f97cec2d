"""The folder of a run opened for looking: headers and tables now, samples when they are wanted."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError, reason_of
from deblend.files import sha256_of
from deblend.line.line_file import read_line_file
from deblend.line.open_line import OpenLine, open_line
from deblend.line.prepare_line import prepare_line
from deblend.model.findings import Finding
from deblend.qc.measure_setup import MeasureSetup
from deblend.report.metric_maps import MetricMaps
from deblend.results.judge import read_findings
from deblend.results.output_folder import (
    DELIVERED,
    FINDINGS,
    FIRE_TIMES,
    MAPS,
    UNFINISHED,
    manifest_value,
)
from deblend.results.report_extras import read_maps
from deblend.run.delivery import file_name
from deblend.run.run_folder import RunFolder
from deblend.run.unfinished import UnfinishedRun, open_unfinished
from deblend.separation.fire_times import with_shifted_times
from deblend.separation.job import Job, with_usual_amplitudes
from deblend.view.delivered_file import DeliveredFile, open_delivered
from deblend.words import counted

Rows = NDArray[np.int64]
_HASHED_BYTES: Final = 16 << 20
"""Inputs up to this size are compared as a whole, larger ones by their size."""


class Estimates(Protocol):
    """What separation made of a line, as far as it is there."""

    def read(self, rows: Rows, channels: Rows) -> NDArray[np.float32]:
        """Gathers (shot, channel, time) of some rows of the shot table, all of one source."""
        ...


@dataclass(frozen=True, eq=False)
class ViewedLine:
    """What can be looked at."""

    folder: Path
    """The folder of the run."""
    opened: OpenLine
    job: Job
    """The line as it was separated, its samples unread."""
    estimates: Estimates
    """The separated gathers."""
    findings: tuple[Finding, ...]
    """The findings table; empty where the run has not come to it."""
    maps: MetricMaps | None
    """Maps of quality, where there are any."""
    state: Callable[[], str]
    """How far the run is, in words; empty where it is finished."""

    @cached_property
    def setup(self) -> MeasureSetup:
        """Which shots meet which, for the times of another source."""
        shots, length = self.job.shots, self.job.length
        every = np.ones(len(shots), np.bool_)
        return MeasureSetup(shots, every, self.job.recording.interval_s, length, [(0, length)], 1)

    @property
    def sources(self) -> list[str]:
        """Names of the sources."""
        return [str(source) for source in self.job.shots.sources]

    def rows_of(self, source: str) -> Rows:
        """All shots of a source in the order of firing, as rows of the shot table."""
        shots = self.job.shots
        rows = np.flatnonzero(shots.source.astype(str) == source)
        return rows[np.argsort(shots.fire_time_ns[rows], kind="stable")]


def open_viewed(folder: Path) -> ViewedLine:
    """Open the folder of a finished run, or of one that is under way.

    Raises
    ------
    InputError
        If it holds neither, or an input is missing or has changed since.
    """
    if manifest_value(folder, "inputs"):
        return _finished(folder)
    if RunFolder.of(folder).plan.exists():
        return _under_way(folder)
    missing = "does not exist" if not folder.exists() else "holds neither results nor a run"
    raise InputError(
        f"the folder {missing}",
        where=str(folder),
        remedy="Name the output folder of `deblend separate`.",
    )


def _finished(folder: Path) -> ViewedLine:
    refuse_changed_inputs(folder)
    line_file = folder / manifest_value(folder, "inputs")[0]["path"]
    opened = open_line(read_line_file(line_file))
    job = with_usual_amplitudes(_with_refined_times(prepare_line(opened), folder / FIRE_TIMES))
    files = {}
    for number, source in enumerate(job.shots.sources):
        rows = np.flatnonzero(job.delivered & (job.shots.source == source))
        if rows.size:
            path = folder / DELIVERED / file_name(source, number)
            files[str(source)] = open_delivered(path, job.shots.take(rows), rows, job)
    maps = folder / MAPS
    return ViewedLine(
        folder,
        opened,
        job,
        _Delivered(job, files),
        tuple(read_findings(folder / FINDINGS)),
        read_maps(maps) if maps.exists() else None,
        lambda: "",
    )


def refuse_changed_inputs(folder: Path) -> None:
    """Refuse a line whose inputs are not those that the manifest of its results names.

    Raises
    ------
    InputError
        If one is missing or has changed; says which.
    """
    for record in manifest_value(folder, "inputs"):
        path = folder / record["path"]
        try:
            size = path.stat().st_size
            same = size == record["size_bytes"] and (
                size > _HASHED_BYTES or sha256_of(path) == record["sha256"]
            )
        except OSError as error:
            raise InputError(
                f"an input of the run cannot be read ({reason_of(error)})",
                where=str(path),
                remedy="Put it back where it was: gathers before separation are cut from it.",
            ) from error
        if not same:
            raise InputError(
                "an input has changed since the line was separated",
                where=str(path),
                remedy="Put it back as it was, or separate the line again.",
            )


def _with_refined_times(job: Job, path: Path) -> Job:
    """The line with the fire times with which it was separated."""
    if not path.exists():
        return job
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        shift_s = np.array(
            [1e-3 * float(row["shift_ms"]) * (row["accepted"] == "true") for row in rows]
        )
        if len(shift_s) != len(job.shots):
            raise ValueError(f"it has {counted(len(rows), 'row')}")
    except (OSError, ValueError, KeyError) as error:
        raise InputError(
            f"the refined fire times cannot be read ({reason_of(error)})",
            where=str(path),
            remedy="Separate the line again.",
        ) from error
    return with_shifted_times(job, shift_s)


@dataclass(frozen=True, eq=False)
class _Delivered:
    """Separated gathers in the delivered files."""

    job: Job
    files: dict[str, DeliveredFile]

    def read(self, rows: Rows, channels: Rows) -> NDArray[np.float32]:
        file = self.files.get(str(self.job.shots.source[rows[0]]))
        if file is None:
            return _nothing(rows, channels, self.job)
        return file.read(rows, channels)


def _under_way(folder: Path) -> ViewedLine:
    unfinished = open_unfinished(folder / UNFINISHED)
    # What is staged may not be whole yet; the records are.
    job = with_usual_amplitudes(unfinished.job)
    verified = unfinished.folder.verified
    return ViewedLine(
        folder,
        unfinished.opened,
        job,
        _FinishedBlocks(unfinished),
        tuple(read_findings(verified)) if verified.exists() else unfinished.opened.findings,
        None,
        unfinished.finished_so_far,
    )


@dataclass(frozen=True, eq=False)
class _FinishedBlocks:
    """Separated gathers in the blocks of a run that are finished; unknown elsewhere."""

    unfinished: UnfinishedRun

    def read(self, rows: Rows, channels: Rows) -> NDArray[np.float32]:
        run = self.unfinished
        gathers = _nothing(rows, channels, run.job)
        source = run.job.shots.sources.index(run.job.shots.source[rows[0]].item())
        for block in range(run.plan.count):
            span, own = run.plan.place(block)
            here = np.isin(channels, np.asarray(own))
            mine = np.isin(rows, run.estimate_stores(source)[span].rows)
            if run.folder.is_done(block) and here.any() and mine.any():
                stored = run.estimates(source, rows[mine])
                part = stored.read(np.arange(int(mine.sum())), channels[here])
                gathers[np.ix_(mine, here)] = part
        return gathers


def _nothing(rows: Rows, channels: Rows, job: Job) -> NDArray[Any]:
    return np.full((len(rows), len(channels), job.length), np.nan, np.float32)
