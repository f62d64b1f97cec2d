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

from deblend.model.key_table import Key, KeyTable, described, keys_of, struct_behind

Scheme = Literal["in sequence", "near-simultaneous", "natural timing"]
Law = Literal["none", "uniform", "table"]
Positive = Annotated[float, Meta(gt=0)]


class TargetTable(KeyTable, frozen=True, kw_only=True):
    """What is to be recorded, the same for all alternatives."""

    record_length_s: Annotated[
        float, described("Wanted length of a shot's record.", "s", gt=0, le=60)
    ]
    window_s: Annotated[
        tuple[float, float],
        described("Two-way times after firing between which the target lies.", "s"),
    ]
    loss_db: Annotated[
        float,
        described(
            "Assumed decay of amplitude from the first arrivals to the end of the "
            "record; for the overlap of early on late arrivals and for the simulation.",
            "dB",
            gt=0,
        ),
    ] = 50.0


class StreamersTable(KeyTable, frozen=True, kw_only=True):
    """The spread."""

    count: Annotated[int, described("Number of streamers.", ge=1, le=40)]
    separation_m: Annotated[
        Annotated[float, Meta(gt=0, le=2_000)] | None,
        described("Between neighbouring streamers; needed for two and more.", "m"),
    ] = None
    length_m: Annotated[float, described("Active length of a streamer.", "m", ge=50, le=20_000)]
    group_interval_m: Annotated[float, described("Between neighbouring groups.", "m", gt=0, le=100)]
    nearest_offset_m: Annotated[
        float, described("Inline, from the sources to the first group.", "m", gt=0, le=10_000)
    ] = 150.0
    depth_m: Annotated[float, described("Of the streamers.", "m", ge=0, le=200)] = 8.0


class SourcesTable(KeyTable, frozen=True, kw_only=True):
    """Sources abreast: with the standard separation, one of your own, or at given positions."""

    count: Annotated[int, described("Number of sources.", ge=1, le=8)]
    separation_m: Annotated[
        Positive | None,
        described(
            "Between neighbouring sources; the separation of streamers over the "
            "number of sources if left out.",
            "m",
        ),
    ] = None
    positions_m: Annotated[
        list[float] | None,
        described("Of each source to starboard of the track, in place of separation_m.", "m"),
    ] = None
    depth_m: Annotated[float, described("Of the guns.", "m", gt=0, le=50)] = 6.0
    pressure_psi: Annotated[float, described("Working pressure.", "psi", ge=300, le=10_000)] = (
        2000.0
    )
    volume_cubic_inch: Annotated[
        Positive | None, described("Of one source, where no strings are described.", "cubic inch")
    ] = None
    strings: Annotated[
        list[list[str]] | None,
        described("Names of the strings that each source fires, one list a source."),
    ] = None


class StringTable(KeyTable, frozen=True, kw_only=True):
    """One string of guns, named by the table: [strings.NAME]."""

    guns_cubic_inch: Annotated[
        list[Positive],
        described("Volume of each single gun or cluster.", "cubic inch", min_length=1),
    ]
    recycle_s: Annotated[
        float, described("Shortest time until it can fire again.", "s", gt=0, le=600)
    ]


class FiringTable(KeyTable, frozen=True, kw_only=True):
    """When the sources fire."""

    scheme: Annotated[
        Scheme,
        described(
            "One source after the other; all at every shot point; or one after the "
            "other without designed delays, relying on the variation of natural timing."
        ),
    ]
    shot_interval_m: Annotated[
        float,
        described(
            "Along the track from one shot point to the next, of any source.", "m", gt=0, le=1000
        ),
    ]
    first_shot_point: Annotated[
        int, described("Number of the first shot point in the firing table.", ge=0, le=10**9)
    ] = 1
    shot_point_step: Annotated[
        int,
        described(
            "From one shot point to the next in the firing table; negative where the line is shot "
            "downwards.",
            ge=-1000,
            le=1000,
        ),
    ] = 1
    dead_time_s: Annotated[
        float, described("Of the recorder after a record; 0 for continuous recording.", "s", ge=0)
    ] = 0.0
    natural_variation_s: Annotated[
        float,
        described(
            "Natural timing: standard deviation of the time from shot to shot about its trend.",
            "s",
            ge=0,
        ),
    ] = 0.0


class DitherTable(KeyTable, frozen=True, kw_only=True):
    """Designed random delays."""

    law: Annotated[
        Law, described("No delays, seeded uniform random ones, or those of a table.")
    ] = "none"
    range_s: Annotated[float, described("Delays lie within plus and minus this.", "s", ge=0)] = 0.0
    seed: Annotated[int, described("Of the delays.", ge=0)] = 0
    seeds_tried: Annotated[
        int,
        described(
            "Seeds from `seed` on, of which the one with the best diagnostics is kept.",
            ge=1,
            le=1000,
        ),
    ] = 1
    smallest_gap_s: Annotated[
        float, described("Between any two shots of any sources, at the highest speed.", "s", ge=0)
    ] = 0.0
    largest_change_s: Annotated[
        Positive | None, described("Of the delay from one shot of a source to its next.", "s")
    ] = None
    resolution_s: Annotated[float, described("Delays are multiples of this.", "s", gt=0)] = 0.001
    table: Annotated[
        str | None, described("CSV file with a table of delays, relative to the plan file.")
    ] = None
    may_swap_order: Annotated[
        bool, described("True if delays may be so large that shots change places in time.")
    ] = False


class VesselTable(KeyTable, frozen=True, kw_only=True):
    """Speed over ground."""

    speed_kn: Annotated[
        tuple[float, float, float], described("Lowest, usual and highest.", "knots")
    ] = (4.0, 4.5, 5.0)


class LimitsTable(KeyTable, frozen=True, kw_only=True):
    """Limits of the permit and of the machinery."""

    smallest_shot_spacing_m: Annotated[
        Positive | None, described("Between any two shots along the track, by permit.", "m")
    ] = None
    smallest_shot_spacing_s: Annotated[
        Positive | None, described("Between any two shots, by permit.", "s")
    ] = None
    largest_volume_cubic_inch: Annotated[
        Positive | None, described("Fired within one second, by permit.", "cubic inch")
    ] = None
    compressor_m3_per_min: Annotated[
        Positive | None, described("Free air that the compressors deliver for good.", "m³/min")
    ] = None


class TrialTable(KeyTable, frozen=True, kw_only=True):
    """How much is to be shot, for its hours."""

    lines: Annotated[int, described("Sail lines.", ge=1)] = 1
    line_length_km: Annotated[float, described("Of each at full fold.", "km", gt=0, le=1000)] = 10.0
    run_in_and_out_km: Annotated[
        float, described("Shot beyond both ends together.", "km", ge=0, le=1000)
    ] = 0.0
    line_change_h: Annotated[float, described("Of one turn to the next line.", "h", ge=0)] = 3.0
    reconfiguration_h: Annotated[
        float, described("To rig the sources for this alternative.", "h", ge=0)
    ] = 0.0
    standby_share: Annotated[
        float,
        described("Part of the whole time lost to weather, traffic and mitigation.", ge=0, lt=1),
    ] = 0.0


class SimulationTable(KeyTable, frozen=True, kw_only=True):
    """The small made scene on which the separation is tried."""

    seeds: Annotated[int, described("Draws of the delays.", ge=1, le=20)] = 3
    shots: Annotated[int, described("Of each source.", ge=16, le=200)] = 24
    channels: Annotated[int, described("Of one streamer.", ge=4, le=64)] = 8
    iterations: Annotated[int, described("Of the separation.", ge=1)] = 40
    noise: Annotated[
        float, described("White noise, part of the rms of the record.", ge=0, le=1)
    ] = 0.01


class SignatureTable(KeyTable, frozen=True, kw_only=True):
    """One far-field signature to be read, named by the table: [signatures.NAME]."""

    file: Annotated[
        str, described("Text with a header, or SEG-Y; relative to the plan.", min_length=1)
    ]
    trace: Annotated[int, described("SEG-Y: which trace of the file.", ge=1)] = 1
    unit: Annotated[
        Literal["bar-m", "bar", "Pa", "µPa·m"] | None,
        described("Of the samples; text files state their own."),
    ] = None
    range_m: Annotated[
        Positive | None,
        described("Distance of the hydrophone, for pressures that are not yet those at 1 m.", "m"),
    ] = None
    positive_is: Annotated[
        Literal["compression", "rarefaction"], described("What a positive sample means.")
    ] = "compression"
    ghost: Annotated[
        Literal["with source ghost", "without ghost"] | None,
        described("Whether the signature holds the source ghost; text files state it."),
    ] = None
    filter: Annotated[
        str | None, described("In words: which filter the signature has been through.")
    ] = None
    depth_m: Annotated[
        Positive | None, described("Of the source, for the notches to be expected.", "m")
    ] = None
    gate_s: Annotated[
        Positive | None,
        described("Length used, from the first sample; the whole signature if left out.", "s"),
    ] = None
    low_cut_hz: Annotated[
        Positive | None, described("Filter applied before measuring, zero phase, -3 dB.", "Hz")
    ] = None
    high_cut_hz: Annotated[
        Positive | None, described("Filter applied before measuring, zero phase, -3 dB.", "Hz")
    ] = None
    reference: Annotated[bool, described("True for the one that all others are held against.")] = (
        False
    )


class Alternative(KeyTable, frozen=True, kw_only=True):
    """One way to shoot: the tables of the file with what this alternative changes."""

    name: Annotated[str, described("Of the alternative.", min_length=1)]
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

    name: Annotated[str, described("Of the plan.", min_length=1)]
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
        described("Each a name and the tables, or parts of tables, that it changes."),
    ] = msgspec.field(default_factory=list)
    reference: Annotated[
        dict[str, Any],
        described(
            "Changes to the conventional two-source line that alternatives are held against."
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
