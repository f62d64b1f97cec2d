"""The trial file of `deblend trial`: which lines are held against which benchmark, and how."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from deblend.errors import SettingsError
from deblend.model.key_table import Key, KeyTable, described, keys_of
from deblend.model.read_keys import read_table
from deblend.words import did_you_mean


class LineTable(KeyTable, frozen=True, kw_only=True):
    """One line: a finished folder, gathers, or a line file; one of the three."""

    name: Annotated[str, described("What it is called in tables and pictures.", min_length=1)]
    folder: Annotated[
        str | None,
        described("Finished output folder of deblend separate, relative to the trial file."),
    ] = None
    gathers: Annotated[
        list[str],
        described("Unblended gathers as SEG-Y, one file a source, relative to the trial file."),
    ] = msgspec.field(default_factory=list)
    line: Annotated[
        str | None,
        described(
            "Line file, relative to the trial file: its finished results are taken, else it is "
            "separated first; a line in sequence is cut by its fire times that way."
        ),
    ] = None
    volumes_in3: Annotated[
        list[Annotated[float, Meta(gt=0)]], described("Volume of each source.", "cubic inches")
    ] = msgspec.field(default_factory=list)
    signature: Annotated[
        str | None,
        described("Far-field signature, CSV with the columns time_s and amplitude."),
    ] = None


class TrialKeys(KeyTable, frozen=True, kw_only=True):
    """A whole trial file."""

    name: Annotated[str, described("Title of the page.", min_length=1)]
    benchmark: Annotated[str, described("Name of the line that the others are held against.")]
    velocities: Annotated[
        str,
        described(
            "CSV table position_m, time_s, rms_velocity_m_s, relative to the trial file; positions "
            "count from the first midpoint of the benchmark."
        ),
    ]
    match: Annotated[
        Literal["none", "scalar", "spectral"],
        described("Match of source strength, applied to the lines."),
    ] = "scalar"
    farthest_m: Annotated[
        float, described("Traces farther apart are not compared one by one.", "m", ge=0)
    ] = 12.5
    bin_m: Annotated[
        Annotated[float, Meta(gt=0)] | None,
        described("Size of bins along the line; half the group interval if left out.", "m"),
    ] = None
    filter_benchmark: Annotated[
        bool,
        described("Also put the benchmark through the separation of each line, which takes time."),
    ] = True
    lines: Annotated[list[LineTable], Meta(min_length=2)]


def read_trial_file(path: str | Path) -> TrialKeys:
    """Read and check a trial file.

    Raises
    ------
    SettingsError
        If it cannot be read, holds an unknown key, a line is given in no way or in two, two lines
        have one name, or the benchmark is none of them.
    """
    path = Path(path)
    keys = read_table(path, TrialKeys, "trial file")
    names = [line.name for line in keys.lines]
    for line in keys.lines:
        _check_line(line, names, str(path))
    if keys.benchmark not in names:
        raise SettingsError(
            f"the benchmark is {keys.benchmark!r}, which is none of the lines",
            where=str(path),
            remedy=did_you_mean(keys.benchmark, names, f"Lines: {', '.join(names)}."),
        )
    return keys


def _check_line(line: LineTable, names: list[str], where: str) -> None:
    ways = [line.folder is not None, bool(line.gathers), line.line is not None]
    if sum(ways) != 1:
        raise SettingsError(
            f"line {line.name!r} is given in {sum(ways)} ways",
            where=where,
            remedy="Give one of folder, gathers and line.",
        )
    if names.count(line.name) > 1:
        raise SettingsError(
            f"two lines are called {line.name!r}", where=where, remedy="Give each its own name."
        )


def list_trial_keys() -> list[Key]:
    """Every key of a trial file."""
    return list(keys_of(TrialKeys, ""))
