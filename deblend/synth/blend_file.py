"""The plan file of `deblend blend`: which gathers play which source, and when they fire."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from deblend.errors import SettingsError
from deblend.model.key_table import KeyTable, described
from deblend.model.read_keys import read_table


class SourceTable(KeyTable, frozen=True, kw_only=True):
    """One source and the unblended traces that play it."""

    source: Annotated[int | str, described("Number or name of the source.")]
    files: Annotated[
        list[str], described("SEG-Y files of its gathers, relative to the plan file.", min_length=1)
    ]
    shot_word: Annotated[str, described("Trace header word that tells its shots apart.")] = (
        "source_point"
    )
    channel_word: Annotated[
        str, described("Trace header word that tells channels apart; none for a single channel.")
    ] = "channel"
    keep: Annotated[
        dict[str, int], described("Header words and the value that a trace must have to take part.")
    ] = msgspec.field(default_factory=dict)


class FiringTable(KeyTable, frozen=True, kw_only=True):
    """When the shots fire: drawn from a law, or taken from a table."""

    table: Annotated[
        str | None,
        described("Shot table (CSV) in place of all other keys, relative to the plan file."),
    ] = None
    order: Annotated[
        Literal["near-simultaneous", "sequential", "random"],
        described("All sources at every shot point, one after the other, or at random."),
    ] = "near-simultaneous"
    interval_s: Annotated[
        Annotated[float, Meta(gt=0)] | None, described("From one shot point to the next.", "s")
    ] = None
    dither_s: Annotated[
        float,
        described(
            "Random delays lie within plus and minus this; the standard deviation of normal ones.",
            "s",
            ge=0,
            le=10,
        ),
    ] = 0.0
    dither_law: Annotated[
        Literal["uniform", "normal", "two-valued"], described("Their distribution.")
    ] = "uniform"
    seed: Annotated[int, described("Of the random delays.", ge=0)] = 0
    start: Annotated[str, described("Instant of the nominal first shot, ISO 8601.")] = (
        "2000-01-01T00:00:00"
    )


class OutputTable(KeyTable, frozen=True, kw_only=True):
    """Where the blended line goes."""

    folder: Annotated[
        str, described("New or empty folder, relative to the plan file.", min_length=1)
    ]
    slice_s: Annotated[float, described("Length of the SEG-Y files.", "s", gt=0)] = 150.0


class BlendKeys(KeyTable, frozen=True, kw_only=True):
    """A whole plan file."""

    name: Annotated[str, described("Of the line and its files.", pattern=r"^[\w.-]+$")]
    time_scale: Annotated[Literal["utc", "gps"], described("Of all instants; there is no default.")]
    sources: Annotated[list[SourceTable], Meta(min_length=1)]
    firing: FiringTable
    output: OutputTable


def read_blend_plan(path: str | Path) -> BlendKeys:
    """Read and check a plan file.

    Raises
    ------
    SettingsError
        If the file cannot be read, is no TOML, holds an unknown key, lacks a needed one, or a value
        is of the wrong type or out of range.
    """
    path = Path(path)
    plan = read_table(path, BlendKeys, "plan file")
    _check(plan, path)
    return plan


def _check(plan: BlendKeys, path: Path) -> None:
    """What types alone cannot say."""
    names = [source.source for source in plan.sources]
    if len(set(map(str, names))) < len(names):
        raise SettingsError(
            "a source is described twice",
            where=str(path),
            remedy="Name all its files in one [[sources]] table.",
        )
    if len({type(name) for name in names}) > 1:
        raise SettingsError(
            "some sources are numbers and some are names",
            where=str(path),
            remedy="Use one kind.",
        )
    if (plan.firing.table is None) == (plan.firing.interval_s is None):
        raise SettingsError(
            "the firing needs either an interval or a table",
            where=f"{path}, firing",
            remedy="Give interval_s, in seconds, or table, the name of a CSV file.",
        )
