"""The plan file: what could be towed, fired and recorded, in TOML.

Every key is a field of the tables below, with its meaning, unit and limits beside it. The reader,
``deblend plan --keys`` and the documentation are all made from these. Limits are wide for anything
that is towed, and narrow enough for a value in another unit (milliseconds, bar, metres for
kilometres) to be refused.
"""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal

import msgspec
from msgspec import Meta

from deblend.model.key_table import Key, KeyTable, keys_of, struct_behind

Scheme = Literal["in sequence", "near-simultaneous", "natural timing"]
Law = Literal["none", "uniform", "table"]
Positive = Annotated[float, Meta(gt=0)]


class TargetTable(KeyTable, frozen=True, kw_only=True):
    """What is to be recorded, the same for all alternatives."""

    record_length_s: Annotated[
        float,
        Meta(gt=0, le=60, description="Wanted length of a shot's record.", extra={"unit": "s"}),
    ]
    window_s: Annotated[
        tuple[float, float],
        Meta(
            description="Two-way times after firing between which the target lies.",
            extra={"unit": "s"},
        ),
    ]
    loss_db: Annotated[
        float,
        Meta(
            gt=0,
            description="Assumed decay of amplitude from the first arrivals to the end of the "
            "record; for the overlap of early on late arrivals and for the simulation.",
            extra={"unit": "dB"},
        ),
    ] = 50.0


class StreamersTable(KeyTable, frozen=True, kw_only=True):
    """The spread."""

    count: Annotated[int, Meta(ge=1, le=40, description="Number of streamers.")]
    separation_m: Annotated[
        Annotated[float, Meta(gt=0, le=2_000)] | None,
        Meta(
            description="Between neighbouring streamers; needed for two and more.",
            extra={"unit": "m"},
        ),
    ] = None
    length_m: Annotated[
        float,
        Meta(ge=50, le=20_000, description="Active length of a streamer.", extra={"unit": "m"}),
    ]
    group_interval_m: Annotated[
        float,
        Meta(gt=0, le=100, description="Between neighbouring groups.", extra={"unit": "m"}),
    ]
    nearest_offset_m: Annotated[
        float,
        Meta(
            gt=0,
            le=10_000,
            description="Inline, from the sources to the first group.",
            extra={"unit": "m"},
        ),
    ] = 150.0
    depth_m: Annotated[
        float, Meta(ge=0, le=200, description="Of the streamers.", extra={"unit": "m"})
    ] = 8.0


class SourcesTable(KeyTable, frozen=True, kw_only=True):
    """Sources abreast: with the standard separation, one of your own, or at given positions."""

    count: Annotated[int, Meta(ge=1, le=8, description="Number of sources.")]
    separation_m: Annotated[
        Positive | None,
        Meta(
            description="Between neighbouring sources; the separation of streamers over the "
            "number of sources if left out.",
            extra={"unit": "m"},
        ),
    ] = None
    positions_m: Annotated[
        list[float] | None,
        Meta(
            description="Of each source to starboard of the track, in place of separation_m.",
            extra={"unit": "m"},
        ),
    ] = None
    depth_m: Annotated[
        float, Meta(gt=0, le=50, description="Of the guns.", extra={"unit": "m"})
    ] = 6.0
    pressure_psi: Annotated[
        float, Meta(ge=300, le=10_000, description="Working pressure.", extra={"unit": "psi"})
    ] = 2000.0
    volume_cubic_inch: Annotated[
        Positive | None,
        Meta(
            description="Of one source, where no strings are described.",
            extra={"unit": "cubic inch"},
        ),
    ] = None
    strings: Annotated[
        list[list[str]] | None,
        Meta(description="Names of the strings that each source fires, one list a source."),
    ] = None


class StringTable(KeyTable, frozen=True, kw_only=True):
    """One string of guns, named by the table: [strings.NAME]."""

    guns_cubic_inch: Annotated[
        list[Positive],
        Meta(
            min_length=1,
            description="Volume of each single gun or cluster.",
            extra={"unit": "cubic inch"},
        ),
    ]
    recycle_s: Annotated[
        float,
        Meta(
            gt=0, le=600, description="Shortest time until it can fire again.", extra={"unit": "s"}
        ),
    ]


class FiringTable(KeyTable, frozen=True, kw_only=True):
    """When the sources fire."""

    scheme: Annotated[
        Scheme,
        Meta(
            description="One source after the other; all at every shot point; or one after the "
            "other without designed delays, relying on the variation of natural timing."
        ),
    ]
    shot_interval_m: Annotated[
        float,
        Meta(
            gt=0,
            le=1000,
            description="Along the track from one shot point to the next, of any source.",
            extra={"unit": "m"},
        ),
    ]
    dead_time_s: Annotated[
        float,
        Meta(
            ge=0,
            description="Of the recorder after a record; 0 for continuous recording.",
            extra={"unit": "s"},
        ),
    ] = 0.0
    natural_variation_s: Annotated[
        float,
        Meta(
            ge=0,
            description="Natural timing: standard deviation of the time from shot to shot about "
            "its trend.",
            extra={"unit": "s"},
        ),
    ] = 0.0


class DitherTable(KeyTable, frozen=True, kw_only=True):
    """Designed random delays."""

    law: Annotated[
        Law, Meta(description="No delays, seeded uniform random ones, or those of a table.")
    ] = "none"
    range_s: Annotated[
        float,
        Meta(ge=0, description="Delays lie within plus and minus this.", extra={"unit": "s"}),
    ] = 0.0
    seed: Annotated[int, Meta(ge=0, description="Of the delays.")] = 0
    seeds_tried: Annotated[
        int,
        Meta(
            ge=1,
            le=1000,
            description="Seeds from `seed` on, of which the one with the best diagnostics is kept.",
        ),
    ] = 1
    smallest_gap_s: Annotated[
        float,
        Meta(
            ge=0,
            description="Between any two shots of any sources, at the highest speed.",
            extra={"unit": "s"},
        ),
    ] = 0.0
    largest_change_s: Annotated[
        Positive | None,
        Meta(
            description="Of the delay from one shot of a source to its next.",
            extra={"unit": "s"},
        ),
    ] = None
    resolution_s: Annotated[
        float,
        Meta(gt=0, description="Delays are multiples of this.", extra={"unit": "s"}),
    ] = 0.001
    table: Annotated[
        str | None,
        Meta(description="CSV file with a table of delays, relative to the plan file."),
    ] = None
    may_swap_order: Annotated[
        bool,
        Meta(description="True if delays may be so large that shots change places in time."),
    ] = False


class VesselTable(KeyTable, frozen=True, kw_only=True):
    """Speed over ground."""

    speed_kn: Annotated[
        tuple[float, float, float],
        Meta(description="Lowest, usual and highest.", extra={"unit": "knots"}),
    ] = (4.0, 4.5, 5.0)


class LimitsTable(KeyTable, frozen=True, kw_only=True):
    """Limits of the permit and of the machinery."""

    smallest_shot_spacing_m: Annotated[
        Positive | None,
        Meta(description="Between any two shots along the track, by permit.", extra={"unit": "m"}),
    ] = None
    smallest_shot_spacing_s: Annotated[
        Positive | None,
        Meta(description="Between any two shots, by permit.", extra={"unit": "s"}),
    ] = None
    largest_volume_cubic_inch: Annotated[
        Positive | None,
        Meta(
            description="Fired within one second, by permit.",
            extra={"unit": "cubic inch"},
        ),
    ] = None
    compressor_m3_per_min: Annotated[
        Positive | None,
        Meta(
            description="Free air that the compressors deliver for good.",
            extra={"unit": "m³/min"},
        ),
    ] = None


class TrialTable(KeyTable, frozen=True, kw_only=True):
    """How much is to be shot, for its hours."""

    lines: Annotated[int, Meta(ge=1, description="Sail lines.")] = 1
    line_length_km: Annotated[
        float,
        Meta(gt=0, le=1000, description="Of each at full fold.", extra={"unit": "km"}),
    ] = 10.0
    run_in_and_out_km: Annotated[
        float,
        Meta(ge=0, le=1000, description="Shot beyond both ends together.", extra={"unit": "km"}),
    ] = 0.0
    line_change_h: Annotated[
        float, Meta(ge=0, description="Of one turn to the next line.", extra={"unit": "h"})
    ] = 3.0
    reconfiguration_h: Annotated[
        float,
        Meta(
            ge=0,
            description="To rig the sources for this alternative.",
            extra={"unit": "h"},
        ),
    ] = 0.0
    standby_share: Annotated[
        float,
        Meta(
            ge=0,
            lt=1,
            description="Part of the whole time lost to weather, traffic and mitigation.",
        ),
    ] = 0.0


class SimulationTable(KeyTable, frozen=True, kw_only=True):
    """The small made scene on which the separation is tried."""

    seeds: Annotated[int, Meta(ge=1, le=20, description="Draws of the delays.")] = 3
    shots: Annotated[int, Meta(ge=16, le=200, description="Of each source.")] = 24
    channels: Annotated[int, Meta(ge=4, le=64, description="Of one streamer.")] = 8
    iterations: Annotated[int, Meta(ge=1, description="Of the separation.")] = 40
    noise: Annotated[
        float, Meta(ge=0, le=1, description="White noise, part of the rms of the record.")
    ] = 0.01


class SignatureTable(KeyTable, frozen=True, kw_only=True):
    """One far-field signature to be read, named by the table: [signatures.NAME]."""

    file: Annotated[
        str, Meta(min_length=1, description="Text with a header, or SEG-Y; relative to the plan.")
    ]
    trace: Annotated[int, Meta(ge=1, description="SEG-Y: which trace of the file.")] = 1
    unit: Annotated[
        Literal["bar-m", "bar", "Pa", "µPa·m"] | None,
        Meta(description="Of the samples; text files state their own."),
    ] = None
    range_m: Annotated[
        Positive | None,
        Meta(
            description="Distance of the hydrophone, for pressures that are not yet those at 1 m.",
            extra={"unit": "m"},
        ),
    ] = None
    positive_is: Annotated[
        Literal["compression", "rarefaction"],
        Meta(description="What a positive sample means."),
    ] = "compression"
    ghost: Annotated[
        Literal["with source ghost", "without ghost"] | None,
        Meta(description="Whether the signature holds the source ghost; text files state it."),
    ] = None
    filter: Annotated[
        str | None,
        Meta(description="In words: which filter the signature has been through."),
    ] = None
    depth_m: Annotated[
        Positive | None,
        Meta(description="Of the source, for the notches to be expected.", extra={"unit": "m"}),
    ] = None
    gate_s: Annotated[
        Positive | None,
        Meta(
            description="Length used, from the first sample; the whole signature if left out.",
            extra={"unit": "s"},
        ),
    ] = None
    low_cut_hz: Annotated[
        Positive | None,
        Meta(
            description="Filter applied before measuring, zero phase, -3 dB.", extra={"unit": "Hz"}
        ),
    ] = None
    high_cut_hz: Annotated[
        Positive | None,
        Meta(
            description="Filter applied before measuring, zero phase, -3 dB.", extra={"unit": "Hz"}
        ),
    ] = None
    reference: Annotated[
        bool, Meta(description="True for the one that all others are held against.")
    ] = False


class Alternative(KeyTable, frozen=True, kw_only=True):
    """One way to shoot: the tables of the file with what this alternative changes."""

    name: Annotated[str, Meta(min_length=1, description="Of the alternative.")]
    streamers: StreamersTable
    sources: SourcesTable
    firing: FiringTable
    dither: DitherTable = DitherTable()
    vessel: VesselTable = VesselTable()
    strings: dict[str, StringTable] = msgspec.field(default_factory=dict)
    limits: LimitsTable = LimitsTable()
    trial: TrialTable = TrialTable()


class PlanKeys(KeyTable, frozen=True, kw_only=True):
    """The whole file before alternatives are put together."""

    name: Annotated[str, Meta(min_length=1, description="Of the plan.")]
    target: TargetTable
    streamers: dict[str, Any] = msgspec.field(default_factory=dict)
    sources: dict[str, Any] = msgspec.field(default_factory=dict)
    firing: dict[str, Any] = msgspec.field(default_factory=dict)
    dither: dict[str, Any] = msgspec.field(default_factory=dict)
    vessel: dict[str, Any] = msgspec.field(default_factory=dict)
    strings: dict[str, Any] = msgspec.field(default_factory=dict)
    limits: dict[str, Any] = msgspec.field(default_factory=dict)
    trial: dict[str, Any] = msgspec.field(default_factory=dict)
    simulation: SimulationTable = SimulationTable()
    signatures: dict[str, SignatureTable] = msgspec.field(default_factory=dict)
    alternatives: Annotated[
        list[dict[str, Any]],
        Meta(description="Each a name and the tables, or parts of tables, that it changes."),
    ] = msgspec.field(default_factory=list)
    reference: Annotated[
        dict[str, Any],
        Meta(
            description="Changes to the conventional two-source line that alternatives are held "
            "against."
        ),
    ] = msgspec.field(default_factory=dict)


COMMON: Final = (
    *("streamers", "sources", "firing", "dither"),
    *("vessel", "strings", "limits", "trial"),
)
"""Tables that an alternative may change."""
_NAMED: Final = {"strings": "strings.NAME", "signatures": "signatures.NAME"}


def list_plan_keys() -> list[Key]:
    """Every key, in the order of the tables; those of tables that are named by their user too."""
    keys = []
    common = {field.encode_name: field for field in msgspec.structs.fields(Alternative)}
    for field in msgspec.structs.fields(PlanKeys):
        name = field.encode_name
        kind = common[name].type if name in common and name != "name" else field.type
        info = msgspec.inspect.type_info(kind)
        # Tables named by their user are described by what each of them holds.
        table = struct_behind(getattr(info, "value_type", info))
        if table is None:
            keys += [key for key in keys_of(PlanKeys, "") if key.name == name]
        else:
            keys += list(keys_of(table, _NAMED.get(name, name)))
    return keys
