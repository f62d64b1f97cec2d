"""The study file: which methods are compared, on what, and how often."""

from __future__ import annotations

from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from deblend.model.key_table import Key, KeyTable, keys_of
from deblend.separation.settings import DEFAULTS, SeparationSettings

Positive = Annotated[float, Meta(gt=0)]
Label = Annotated[str, Meta(min_length=1, description="Name in tables and pictures.")]


class SceneTable(KeyTable, frozen=True, kw_only=True):
    """A line with a known answer: a standard scene, a scene file, or recorded gathers."""

    name: Annotated[str, Meta(min_length=1, description="Of a standard scene, or any other name.")]
    size: Annotated[Literal["small", "full"], Meta(description="Of a standard scene.")] = "small"
    scene_file: Annotated[
        str | None, Meta(description="Scene file (TOML), relative to the study file.")
    ] = None
    gathers_file: Annotated[
        str | None,
        Meta(
            description="Plan file of `deblend blend`; or gathers as netCDF (.nc) or NumPy (.npy: "
            "source, shot, channel, time); relative to the study file."
        ),
    ] = None
    sample_interval_s: Annotated[
        Positive | None, Meta(description="Of a NumPy file of gathers.", extra={"unit": "s"})
    ] = None
    gathers_folder: Annotated[
        str | None, Meta(description="Folder of the gathers, relative to the study file.")
    ] = None


class MethodTable(SeparationSettings, frozen=True, kw_only=True):
    """A method with settings, and those of the separation around it."""

    label: Annotated[str, Meta(description="Name in tables; the method's if left out.")] = ""
    method: Annotated[
        str,
        Meta(
            min_length=1,
            description="Name of a built-in or published method, or package.module:name, or "
            "file.py:name relative to the study file.",
        ),
    ]
    whole_line: Annotated[
        bool,
        Meta(
            description="Whether the method is a function of record, operator and length in place "
            "of patches, with a loop of its own."
        ),
    ] = False
    settings: Annotated[dict[str, Any], Meta(description="Settings of the method.")] = (
        msgspec.field(default_factory=dict)
    )
    iterations: Annotated[
        Annotated[int, Meta(ge=1)] | None,
        Meta(description="In place of those of the study."),
    ] = None  # type: ignore[assignment]


class BlendTable(KeyTable, frozen=True, kw_only=True):
    """Firing that differs from that of the scene; what is left out stays as it is there."""

    label: Label
    order: Annotated[
        Literal["near-simultaneous", "sequential", "random"] | None,
        Meta(description="All sources at every shot point, one after the other, or at random."),
    ] = None
    interval_s: Annotated[
        Positive | None,
        Meta(description="From one shot point to the next.", extra={"unit": "s"}),
    ] = None
    dither_s: Annotated[
        Annotated[float, Meta(ge=0, le=10)] | None,
        Meta(description="Random delays lie within plus and minus this.", extra={"unit": "s"}),
    ] = None
    sources: Annotated[
        Annotated[int, Meta(ge=1)] | None, Meta(description="Only the first so many sources.")
    ] = None
    shots_per_source: Annotated[
        Annotated[int, Meta(ge=1)] | None, Meta(description="How often each source fires.")
    ] = None
    fire_times_file: Annotated[
        str | None,
        Meta(
            description="Shot table (CSV: source, shot_point, fire_time) in place of all other "
            "keys, relative to the study file."
        ),
    ] = None
    delays_file: Annotated[
        str | None,
        Meta(
            description="Table of delays (CSV: shot_point, source, delay_ms) in place of drawn "
            "ones, the k-th row of a source for its k-th shot, relative to the study file."
        ),
    ] = None


class NoiseTable(KeyTable, frozen=True, kw_only=True):
    """Noise in place of that of the scene."""

    label: Label
    pieces: Annotated[
        list[dict[str, Any]] | None,
        Meta(description="As [[noise]] of a scene file; an empty list for none."),
    ] = None


class StudyFile(KeyTable, frozen=True, kw_only=True):
    """A whole study file."""

    name: Annotated[str, Meta(min_length=1, description="Of the study.")]
    description: Annotated[str, Meta(description="A sentence for the page.")] = ""
    seeds: Annotated[
        list[Annotated[int, Meta(ge=0)]],
        Meta(min_length=1, description="Of firing and noise; one run each."),
    ]
    iterations: Annotated[int, Meta(ge=1, description="Of every method.")] = DEFAULTS.iterations
    limit_s: Annotated[
        float,
        Meta(gt=0, description="Longest time for a separation.", extra={"unit": "s"}),
    ] = 1800.0
    scenes: Annotated[list[SceneTable], Meta(min_length=1)]
    methods: Annotated[list[MethodTable], Meta(min_length=1)]
    blends: list[BlendTable] = msgspec.field(default_factory=list)
    noises: list[NoiseTable] = msgspec.field(default_factory=list)


_TABLES: dict[str, type[msgspec.Struct]] = {
    "scenes": SceneTable,
    "methods": MethodTable,
    "blends": BlendTable,
    "noises": NoiseTable,
}


def list_study_keys() -> list[Key]:
    """Every key, those of the study first; the tables stand for lists of them."""
    keys = [key for key in keys_of(StudyFile, "") if key.name not in _TABLES]
    for name, table in _TABLES.items():
        keys += list(keys_of(table, f"[{name}]"))
    return keys
