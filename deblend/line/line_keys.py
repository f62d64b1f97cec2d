"""The line file: what to read, what to do and where to put it, in TOML.

Every key is a field of the tables below, with its meaning, unit and limits beside it. The reader,
``deblend check --keys`` and the documentation are all made from these.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from deblend.line.input_keys import (
    AuxiliaryTable,
    ExternalHeaderTable,
    NearFieldTable,
    NoiseTable,
    SourceLogTable,
)
from deblend.model.key_table import KeyTable, described
from deblend.separation.settings import SeparationSettings


class RecordsTable(KeyTable, frozen=True, kw_only=True):
    """Continuous records."""

    files: Annotated[
        list[str],
        described(
            "Continuous SEG-Y or SEG-D files, or patterns such as "
            '"records/*.sgy" (which also finds .SGY), relative to the line file.',
            min_length=1,
        ),
    ]
    time_scale: Annotated[
        Literal["utc", "gps"],
        described(
            "Time scale of the record starts and of the fire times. There is no "
            "default: the two differ by whole seconds."
        ),
    ]
    start_is_exact: Annotated[
        bool,
        described(
            "True if the records start exactly on the whole second that their headers "
            "state; needed for headers without a fraction of the second."
        ),
    ] = False
    start_offset_s: Annotated[
        float | None, described("Time to add to the header start, in place of start_is_exact.", "s")
    ] = None

    channel_sets: Annotated[
        list[str],
        described(
            'SEG-D: channel sets to read, by number as "2" or by type: seismic, auxiliary, or '
            'the code as "type 0x70". Seismic ones if left out.'
        ),
    ] = msgspec.field(default_factory=list)
    low_cut_hz: Annotated[
        Annotated[float, Meta(gt=0)] | None,
        described(
            "Linear low cut before separation, the frequency of -6 dB; samples near a "
            "gap become unknown.",
            "Hz",
        ),
    ] = None
    clip_level: Annotated[
        Annotated[float, Meta(gt=0)] | None,
        described(
            "Samples of this size and more are clipped and get no weight. Without it, "
            "samples of flat tops at the largest value of a channel are.",
            "recorded unit",
        ),
    ] = None
    reversed_channels: Annotated[
        list[int],
        described(
            "Numbers of channels of reversed polarity: they are turned before anything else, and "
            "delivered turned."
        ),
    ] = msgspec.field(default_factory=list)
    correct_drift: Annotated[
        bool,
        described(
            "Move the fire times to the sample clock, file by file, where timestamps "
            "of the files drift or step against their sample count."
        ),
    ] = False
    drift_ppm: Annotated[
        float | None,
        described(
            "Growth of the lag of the record behind the fire times, as `deblend check "
            "--with-samples` reports it, to be taken off; counted from the start of the record.",
            "ppm",
        ),
    ] = None


class ShotsTable(KeyTable, frozen=True, kw_only=True):
    """Fire times; leave the table out to take them from the source events of SEG-D records."""

    file: Annotated[
        Annotated[str, Meta(min_length=1)] | None,
        described(
            "CSV table with the columns source, shot_point, fire_time, relative to "
            "the line file. fire_time is the time break: sample zero of the gather. Without it "
            "the source events of SEG-D records are the shots."
        ),
    ] = None
    navigation: Annotated[
        Annotated[str, Meta(min_length=1)] | None,
        described(
            "P1/11 file whose shot times are the fire times, in place of a table. "
            "P1/90 and SPS give whole seconds and are refused."
        ),
    ] = None
    fire_time_unit: Annotated[
        Literal["iso8601", "gps_us", "unix_us"],
        described(
            "What fire_time holds: ISO 8601 text, or microseconds of GPS time since "
            "1980-01-06 or of Unix time since 1970-01-01, converted to time_scale."
        ),
    ] = "iso8601"
    pulse_delay_ms: Annotated[
        float,
        described(
            "From the fire time to the begin of the pulse, where it is known: the input check "
            "expects direct arrivals so much later. Nothing is moved.",
            "ms",
            ge=-1000,
            le=1000,
        ),
    ] = 0.0


class GeometryTable(KeyTable, frozen=True, kw_only=True):
    """Nominal streamer behind the sources; leave the table out if unknown."""

    nearest_offset_m: Annotated[
        float,
        described(
            "Inline distance from a source to the nearest receiver group.", "m", ge=0, le=50_000
        ),
    ]
    group_interval_m: Annotated[
        float, described("Distance between neighbouring groups.", "m", ge=0.1, le=1000)
    ]
    streamer_depth_m: Annotated[
        Annotated[float, Meta(ge=0, le=500)] | None, described("Depth of the streamer.", "m")
    ] = None
    crossline_m: Annotated[
        float, described("Position of the streamer to starboard of the track.", "m")
    ] = 0.0
    nearest_channel: Annotated[
        Literal["first", "last"], described("Which channel is nearest to the vessel.")
    ] = "first"


class NavigationTable(KeyTable, frozen=True, kw_only=True):
    """Positions as recorded; they take the place of the nominal streamer where they are known."""

    files: Annotated[
        list[str],
        described(
            "One P1/11 or P1/90 file, or SPS 2.1 files, relative to the line file. "
            "They give positions, never fire times.",
            min_length=1,
        ),
    ]
    source_names: Annotated[
        dict[str, str],
        described('Source of the shot table for each name of the file, as G1 = "1".'),
    ] = msgspec.field(default_factory=dict)
    first_channel: Annotated[
        dict[str, int], described("Channel of the first receiver of each streamer, as S1 = 1.")
    ] = msgspec.field(default_factory=dict)
    from_system: Annotated[
        str,
        described(
            'Coordinate system of the file, as "EPSG:32631", where it declares none; another one '
            "than it declares is refused."
        ),
    ] = ""
    to_system: Annotated[
        str, described("Coordinate system wanted; leave out to keep that of the file.")
    ] = ""


class SeparationTable(SeparationSettings, frozen=True):
    """How to separate: length, method, and the settings that every method has."""

    length_s: Annotated[
        float, described("Length of the gathers after the time break.", "s", gt=0, le=120)
    ]
    method: Annotated[
        str,
        described(
            'Name of the separator; "auto" lets deblend choose; or file.py:name, code of your own '
            "relative to this file.",
            min_length=1,
        ),
    ] = "auto"
    settings: Annotated[
        dict[str, Any], described("Settings of the named method, a table of its own.")
    ] = msgspec.field(default_factory=dict)
    first_method: Annotated[
        str,
        described("Another separator to begin with, before the one of method; none if empty."),
    ] = ""
    first_until: Annotated[
        float,
        described(
            "Threshold over the largest coefficient of the line at which method takes "
            "over from first_method.",
            gt=0,
            lt=1,
        ),
    ] = 0.05
    first_settings: Annotated[
        dict[str, Any], described("Settings of first_method, a table of its own.")
    ] = msgspec.field(default_factory=dict)


class TruthTable(KeyTable, frozen=True, kw_only=True):
    """Known answer of a made line; leave the table out for real ones."""

    folder: Annotated[
        str,
        described(
            "Folder with the true gathers of each source, relative to the line file.", min_length=1
        ),
    ]


class QualityTable(KeyTable, frozen=True, kw_only=True):
    """Judgement of the result; leave the table out for the expected error and default limits."""

    limits: Annotated[
        Annotated[str, Meta(min_length=1)] | None,
        described(
            "TOML file with limits of your own for the findings, relative to the line "
            "file; `deblend judge --show-limits` prints the default ones."
        ),
    ] = None
    expected_error: Annotated[
        bool,
        described(
            "Whether some channels are separated twice more, to say how large the error is "
            "expected to be. Without it nothing is known of the error, which asks for a look."
        ),
    ] = True


class OutputTable(KeyTable, frozen=True, kw_only=True):
    """Results."""

    folder: Annotated[
        str,
        described(
            "Folder for the results, relative to the line file; made if absent, "
            "refused if not empty.",
            min_length=1,
        ),
    ]


class RunTable(KeyTable, frozen=True, kw_only=True):
    """Memory and machines; nothing here changes what is asked for."""

    memory_gb: Annotated[
        Annotated[float, Meta(gt=0, le=1e5)] | None,
        described(
            "Memory that the whole run may take; three quarters of what is free by default.", "GB"
        ),
    ] = None
    processes: Annotated[
        Annotated[int, Meta(ge=1)] | None,
        described(
            "Local processes that separate blocks side by side; by default one for four cores, or "
            "for each card, where the records are large."
        ),
    ] = None
    scheduler: Annotated[
        Annotated[str, Meta(min_length=1)] | None,
        described(
            "Address of a dask.distributed scheduler whose workers separate the "
            "blocks, in place of local processes."
        ),
    ] = None
    stalled_after_s: Annotated[
        float,
        described("A worker that says nothing of its block for so long is given up.", "s", gt=0),
    ] = 1800.0


class LineKeys(KeyTable, frozen=True, kw_only=True):
    """One line: its records, its shots, what to do with them."""

    records: RecordsTable
    shots: ShotsTable = ShotsTable()
    separation: SeparationTable
    output: OutputTable
    geometry: GeometryTable | None = None
    navigation: NavigationTable | None = None
    source_log: SourceLogTable | None = None
    external_header: ExternalHeaderTable | None = None
    near_field: NearFieldTable | None = None
    auxiliary: AuxiliaryTable | None = None
    noise: NoiseTable | None = None
    truth: TruthTable | None = None
    quality: QualityTable | None = None
    run: RunTable = RunTable()
    name: Annotated[str, described("Name of the line, for the report and the headers.")] = ""
