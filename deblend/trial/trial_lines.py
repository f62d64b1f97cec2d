"""The lines of a trial, opened: gathers of all sources with positions, firing, own findings."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError, reason_of
from deblend.line.line_file import read_line_file
from deblend.model.findings import Finding
from deblend.model.geometry import Geometry
from deblend.model.shots import make_shots
from deblend.progress import Progress
from deblend.records.segy.gathers import open_trace_file
from deblend.results.judge import read_findings
from deblend.results.output_folder import DELIVERED, FINDINGS, MANIFEST
from deblend.trial.placed_gathers import Amplitudes, PlacedGathers, Rows, read_gathers
from deblend.trial.trial_file import LineTable

Floats = NDArray[np.float64]

_CLOCK = ("field_record", "year", "day_of_year", "hour", "minute", "second")
_MICROSECONDS = "unassigned_233"


@dataclass(frozen=True, eq=False)
class Signature:
    """Far-field signature of a source."""

    time_s: Floats
    amplitude: Floats
    """(time,): At equal steps."""


@dataclass(frozen=True, eq=False)
class TrialLine:
    """One line of a trial."""

    name: str
    gathers: PlacedGathers
    """Shots of all sources, source after source, each in the order of its file."""
    paths: tuple[Path, ...]
    """Files of the sources, in that order."""
    fire_time_s: tuple[Floats, ...]
    """(shot,) for each source: Seconds on one clock, from the trace headers; empty if unknown."""
    findings: tuple[Finding, ...]
    """Of the run that it comes from; none for gathers."""
    volumes_in3: tuple[float, ...]
    signature: Signature | None

    @property
    def source_count(self) -> int:
        """How many sources fired."""
        return len(self.paths)


def open_trial_line(table: LineTable, folder: Path, progress: Progress) -> TrialLine:
    """A line as the trial file, which lies in `folder`, gives it.

    Raises
    ------
    InputError
        If files are missing, or sources of one line differ in channels, length or interval.
    """
    run_folder, paths = _files_of(table, folder, progress)
    parts = [read_gathers(path) for path in paths]
    return TrialLine(
        name=table.name,
        gathers=together(parts, table.name),
        paths=tuple(paths),
        fire_time_s=tuple(_fire_times_s(path) for path in paths),
        findings=() if run_folder is None else tuple(read_findings(run_folder / FINDINGS)),
        volumes_in3=tuple(table.volumes_in3),
        signature=None if table.signature is None else read_signature(folder / table.signature),
    )


def _files_of(table: LineTable, folder: Path, progress: Progress) -> tuple[Path | None, list[Path]]:
    """Folder of the finished run, if there is one, and the files of gathers."""
    if table.gathers:
        return None, [folder / name for name in table.gathers]
    if table.line is not None:
        line = read_line_file(folder / table.line)
        run_folder = line.output_folder
        if not (run_folder / MANIFEST).exists():
            from deblend.run.pipeline import run_line  # loads the store, which gathers do not need

            run_line(line, progress)
    else:
        run_folder = folder / str(table.folder)
    paths = sorted((run_folder / DELIVERED).glob("*.sgy"))
    if not (paths and (run_folder / MANIFEST).exists()):
        raise InputError(
            f"line {table.name!r} is not there",
            where=str(run_folder),
            remedy="Give the folder of a finished deblend separate, or the line file as line.",
        )
    return run_folder, paths


@dataclass(frozen=True, eq=False)
class _Joined:
    """Shots of several sources, one after the other."""

    parts: tuple[Amplitudes, ...]
    first: Rows
    """(part,): Number of the first shot of each."""

    @property
    def shape(self) -> tuple[int, int, int]:
        return sum(part.shape[0] for part in self.parts), *self.parts[0].shape[1:]

    def traces(self, shots: Rows, channels: Rows) -> NDArray[np.float32]:
        out = np.empty((len(shots), self.shape[2]), np.float32)
        which = np.searchsorted(self.first, shots, side="right") - 1
        for number, part in enumerate(self.parts):
            own = which == number
            out[own] = part.traces(shots[own] - self.first[number], channels[own])
        return out


def together(parts: Sequence[PlacedGathers], name: str) -> PlacedGathers:
    """Gathers of several sources as those of one line; sources are numbered from 1."""
    like = {(part.amplitude.shape[1:], round(part.interval_s * 1e9)) for part in parts}
    if len(like) > 1:
        raise InputError(
            f"sources of {name} differ in channels, samples or sample interval",
            remedy="Give the gathers of one line, cut to one length.",
        )
    counts = [len(part.shots) for part in parts]
    shots = make_shots(
        np.repeat(np.arange(len(parts)) + 1, counts),
        np.concatenate([part.shots.shot_point for part in parts]),
        np.concatenate([part.shots.fire_time_ns for part in parts]),
        "utc",
        x_m=np.concatenate([part.shots.x_m for part in parts]),
        y_m=np.concatenate([part.shots.y_m for part in parts]),
    )
    geometry = Geometry(
        np.concatenate([part.geometry.offset_m for part in parts]),
        np.concatenate([part.geometry.receiver_x_m for part in parts]),
        np.concatenate([part.geometry.receiver_y_m for part in parts]),
        parts[0].geometry.receiver_depth_m,
    )
    first = np.cumsum([0, *counts[:-1]])
    joined = _Joined(tuple(part.amplitude for part in parts), first)
    return replace(parts[0], name=name, amplitude=joined, shots=shots, geometry=geometry)


def _fire_times_s(path: Path) -> Floats:
    """Fire time of each field record, to the second or finer; empty where the file has none."""
    words = open_trace_file(path, (*_CLOCK, _MICROSECONDS)).words
    _, one = np.unique(words["field_record"], return_index=True)
    if not np.all(words["year"][one] > 0):
        return np.empty(0)
    return _seconds({name: words[name][one] for name in words})


def _seconds(words: Mapping[str, NDArray[np.int64]]) -> Floats:
    year = words["year"] - 1970
    days = np.array(year, "datetime64[Y]").astype("datetime64[D]").astype(np.int64)
    days = days + words["day_of_year"] - 1
    whole = ((days * 24 + words["hour"]) * 60 + words["minute"]) * 60 + words["second"]
    part = words[_MICROSECONDS]  # of our own files; others may have anything there
    return np.asarray(whole + 1e-6 * np.where((part >= 0) & (part < 10**6), part, 0), np.float64)


def read_signature(path: Path) -> Signature:
    """A signature from a CSV table with the columns time_s and amplitude, at equal steps."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = [(float(row["time_s"]), float(row["amplitude"])) for row in csv.DictReader(file)]
        time_s, amplitude = np.array(rows).T
        if len(rows) < 2 or np.ptp(np.diff(time_s)) > 1e-6:
            raise ValueError("its times are not at equal steps")
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(
            f"the signature cannot be read ({reason_of(error)})",
            where=str(path),
            remedy="Give a CSV table of numbers with the columns time_s and amplitude.",
        ) from error
    return Signature(time_s, amplitude)
