"""Tables of the line file about what came with the records: logs, headers, hydrophones, noise."""

from __future__ import annotations

from typing import Annotated

import msgspec
from msgspec import Meta

from deblend.model.key_table import KeyTable, described


class SourceLogTable(KeyTable, frozen=True, kw_only=True):
    """Log of the source controller or the observer: which shots were fired in full."""

    files: Annotated[
        list[str],
        described("CSV files with a header line, relative to the line file.", min_length=1),
    ]
    columns: Annotated[
        dict[str, str],
        described(
            "Header in the files for source, shot_point and any of fire_time, state, "
            "guns_out, timing_error_ms, pressure, depth_m.",
            min_length=2,
        ),
    ]
    states: Annotated[
        dict[str, str],
        described(
            "State for each word of the log: full, reduced, misfired or autofire, as "
            'MISF = "misfired".'
        ),
    ] = msgspec.field(default_factory=dict)
    source_names: Annotated[
        dict[str, str],
        described('Source of the shot table for each name of the log, as P = "1".'),
    ] = msgspec.field(default_factory=dict)


class ExternalHeaderTable(KeyTable, frozen=True, kw_only=True):
    """Where the external headers of SEG-D records say how shots were fired."""

    fields: Annotated[
        dict[str, str],
        described(
            "Bytes and kind for source, shot_point and any of the other names of "
            '[source_log], as guns_out = "41-42 unsigned"; bytes count from 1, kinds are '
            "unsigned, signed, float (all big-endian), decimal (packed digits) and text. A factor "
            'may follow: "43-44 signed 0.1".',
            min_length=2,
        ),
    ]
    entry_bytes: Annotated[
        Annotated[int, Meta(ge=1)] | None,
        described(
            "Length of one entry where the header holds one after another; blank ones "
            "are passed over. Without it the header is one entry.",
            "bytes",
        ),
    ] = None
    first_byte: Annotated[
        int, described("Byte of the external header at which the first entry begins.", ge=1)
    ] = 1
    fire_time_unit: Annotated[
        str, described("What fire_time holds, as in table [shots]: text, gps_us or unix_us.")
    ] = "iso8601"


class NearFieldTable(KeyTable, frozen=True, kw_only=True):
    """Hydrophones beside the sources, which say what each shot was really like."""

    channels: Annotated[
        dict[str, list[int]],
        described(
            'Channel numbers of the near-field hydrophones of each source, as "1" = '
            "[481, 482]. Channels of the records themselves are not separated.",
            min_length=1,
        ),
    ]
    files: Annotated[
        list[str],
        described(
            "Continuous records with those channels, where they are not among the "
            "records themselves; read with the same time scale and start."
        ),
    ] = msgspec.field(default_factory=list)
    channel_sets: Annotated[
        list[str],
        described(
            "SEG-D: channel sets with the hydrophones, as in [records]; channels are counted "
            "through from 1. Without files, the records themselves are read for them."
        ),
    ] = msgspec.field(default_factory=list)


class AuxiliaryTable(KeyTable, frozen=True, kw_only=True):
    """Auxiliary traces with time breaks, which say when each source fired by the recorder."""

    time_breaks: Annotated[
        dict[str, int],
        described(
            'Channel with the time breaks of each source, as "1" = 3; several may share one. The '
            "fire times are held against them, and nothing is moved.",
            min_length=1,
        ),
    ]
    channel_sets: Annotated[
        list[str],
        described(
            "SEG-D: channel sets with these traces, as in [records]; channels are counted through "
            "from 1. Without files, the records themselves are read for them."
        ),
    ] = msgspec.field(default_factory=list)
    files: Annotated[
        list[str],
        described(
            "Continuous records with those channels, where they are not among the records "
            "themselves; read with the same time scale and start."
        ),
    ] = msgspec.field(default_factory=list)


class NoiseTable(KeyTable, frozen=True, kw_only=True):
    """Records of noise alone; without them the record before the first and after the last shot."""

    files: Annotated[
        list[str],
        described(
            "Start- and end-of-line noise records with the channels of the records, "
            "or patterns, relative to the line file.",
            min_length=1,
        ),
    ]
