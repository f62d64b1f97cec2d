"""Reading the plan file: alternatives put together, and what types alone cannot say checked."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from deblend.errors import SettingsError
from deblend.files import read_toml
from deblend.model.read_keys import convert_table
from deblend.plan.delay_table import DelayTable, read_delay_table
from deblend.plan.keys import (
    COMMON,
    Alternative,
    PlanKeys,
    SignatureTable,
    SimulationTable,
    TargetTable,
)
from deblend.words import counted

KNOT_M_S: Final = 1852.0 / 3600.0
REFERENCE_NAME: Final = "reference: two sources"
REFERENCE_INTERVAL_M: Final = 18.75
"""Common practice, no source: two sources in sequence, 37.5 m from shot to shot of each."""

SPEED_LIMITS_KN: Final = (1.0, 10.0)
"""Beyond these a spread is not towed (common practice, no source)."""

TAKE_TURNS: Final = (
    ("sources", "positions_m", "separation_m"),
    ("sources", "separation_m", "positions_m"),
    ("sources", "count", "positions_m"),
    ("dither", "law", "range_s"),
    ("dither", "law", "table"),
)
"""Table, key that an alternative gives, key of the base that it makes void."""

EDGE_TOLERANCE_M: Final = 1e-6


@dataclass(frozen=True)
class Plan:
    """A plan file that has been read and checked."""

    path: Path
    """The file; relative names in it count from its folder."""
    name: str
    """Of the plan."""
    target: TargetTable
    """What is to be recorded."""
    reference: Alternative
    """The conventional two-source line."""
    alternatives: tuple[Alternative, ...]
    """At least one."""
    simulation: SimulationTable
    """The made scene."""
    signatures: Mapping[str, SignatureTable]
    """Those to be read."""
    tables: Mapping[str, DelayTable]
    """Delays read in, by the name of the alternative."""

    @property
    def columns(self) -> tuple[Alternative, ...]:
        """The reference first, then the alternatives."""
        return (self.reference, *self.alternatives)

    def resolve(self, name: str) -> Path:
        """A name in the plan file as a path."""
        return self.path.parent / name


def read_plan(path: str | Path) -> Plan:
    """Read and check a plan file.

    Parameters
    ----------
    path : str or Path
        TOML file.

    Raises
    ------
    SettingsError
        If the file cannot be read, is no TOML, holds an unknown key, lacks a needed one, or a
        value is of the wrong type, out of range, or contradicts another.
    """
    path = Path(path)
    content = read_toml(path, "plan file")
    file = convert_table(content, PlanKeys, str(path))
    _check_target(file.target, str(path))
    base: dict[str, Any] = {name: content[name] for name in COMMON if name in content}
    changes = file.alternatives or [{"name": file.name}]
    alternatives = tuple(
        _alternative(base, change, f"{path}, common tables with alternative {number}")
        for number, change in enumerate(changes, start=1)
    )
    names = [REFERENCE_NAME, *(alternative.name for alternative in alternatives)]
    double = next((name for name in names if names.count(name) > 1), None)
    if double is not None:
        raise SettingsError(
            f"two alternatives are called {double!r}",
            where=str(path),
            remedy="Give each a name of its own.",
        )
    reference = _reference(alternatives[0], content.get("reference", {}), str(path))
    tables: dict[str, DelayTable] = {}
    columns = tuple(
        _with_table(alternative, path, tables) for alternative in (reference, *alternatives)
    )
    for alternative in columns:
        _check(alternative, f"{path}, {alternative.name}")
    return Plan(
        path.absolute(),
        file.name,
        file.target,
        columns[0],
        columns[1:],
        file.simulation,
        file.signatures,
        tables,
    )


def _with_table(alternative: Alternative, path: Path, tables: dict[str, DelayTable]) -> Alternative:
    """The alternative with the range of its table of delays, which goes into `tables`."""
    name = alternative.dither.table
    if name is None or alternative.dither.law != "table":
        return alternative
    table = read_delay_table(path.parent / name)
    tables[alternative.name] = table
    dither = msgspec.structs.replace(alternative.dither, range_s=0.5 * float(np.ptp(table.delay_s)))
    return msgspec.structs.replace(alternative, dither=dither)


def source_positions_m(alternative: Alternative) -> NDArray[np.float64]:
    """Sources to starboard of the track, shape (source,)."""
    sources, streamers = alternative.sources, alternative.streamers
    if sources.positions_m is not None:
        return np.array(sources.positions_m, dtype=np.float64)
    separation_m = sources.separation_m
    if separation_m is None:
        separation_m = (streamers.separation_m or 0.0) / sources.count
    places = np.arange(sources.count, dtype=np.float64) - 0.5 * (sources.count - 1)
    return np.asarray(separation_m * places, dtype=np.float64)


def streamer_positions_m(alternative: Alternative) -> NDArray[np.float64]:
    """Streamers to starboard of the track, shape (streamer,)."""
    streamers = alternative.streamers
    place = np.arange(streamers.count, dtype=np.float64) - 0.5 * (streamers.count - 1)
    return np.asarray((streamers.separation_m or 0.0) * place, dtype=np.float64)


def channel_count(alternative: Alternative) -> int:
    """Groups of one streamer."""
    return round(alternative.streamers.length_m / alternative.streamers.group_interval_m)


def speeds_m_s(alternative: Alternative) -> tuple[float, float, float]:
    """Lowest, usual and highest speed over ground: knots times 1852/3600."""
    low, usual, high = (knots * KNOT_M_S for knots in alternative.vessel.speed_kn)
    return low, usual, high


def together(alternative: Alternative) -> bool:
    """Whether all sources fire at every shot point."""
    return alternative.firing.scheme == "near-simultaneous"


def _alternative(base: Mapping[str, Any], change: Mapping[str, Any], where: str) -> Alternative:
    merged = _merged(base, {key: value for key, value in change.items() if key != "name"})
    if "name" in change:
        merged["name"] = change["name"]
    return convert_table(merged, Alternative, where)


def _merged(base: Mapping[str, Any], change: Mapping[str, Any]) -> dict[str, Any]:
    """Tables with some keys replaced; keys that rule each other out take turns."""
    out = dict(base)
    for key, value in change.items():
        old = out.get(key)
        out[key] = (
            _merged(old, value) if isinstance(old, dict) and isinstance(value, dict) else value
        )
        if isinstance(value, dict) and isinstance(out[key], dict):
            for table, new, replaced in TAKE_TURNS:
                changed = new in value and not (
                    isinstance(old, dict) and old.get(new) == value[new]
                )
                if key == table and changed and replaced not in value:
                    out[key].pop(replaced, None)
    return out


def _reference(first: Alternative, change: Mapping[str, Any], where: str) -> Alternative:
    """Two sources in sequence behind the same vessel, with the strings of the first two."""
    usual: dict[str, Any] = {
        "sources": {
            "count": 2,
            "depth_m": first.sources.depth_m,
            "pressure_psi": first.sources.pressure_psi,
        },
        "firing": {"scheme": "in sequence", "shot_interval_m": REFERENCE_INTERVAL_M},
    }
    strings, volumes = first.sources.strings, volumes_cubic_inch(first)
    if strings is not None and len(strings) > 1:
        usual["sources"]["strings"] = [list(names) for names in strings[:2]]
    elif volumes is not None and len(volumes):
        usual["sources"]["volume_cubic_inch"] = float(volumes[0])
    kept = ("streamers", "vessel", "limits", "trial", "strings")
    base = {name: msgspec.to_builtins(getattr(first, name)) for name in kept}
    base["trial"]["reconfiguration_h"] = 0.0
    changes = {"name": REFERENCE_NAME} | dict(change)
    return _alternative(base | usual, changes, f"{where}, reference")


def volumes_cubic_inch(alternative: Alternative) -> NDArray[np.float64] | None:
    """Of each source, shape (source,); None where neither strings nor a volume are given."""
    sources = alternative.sources
    if sources.strings is None:
        if sources.volume_cubic_inch is None:
            return None
        return np.full(sources.count, sources.volume_cubic_inch)
    return np.array(
        [
            sum(sum(alternative.strings[name].guns_cubic_inch) for name in of_source)
            for of_source in sources.strings
            if all(name in alternative.strings for name in of_source)
        ]
    )


def _check_target(target: TargetTable, where: str) -> None:
    first, last = target.window_s
    if not 0.0 <= first < last:
        raise SettingsError(
            f"a target window from {first} to {last} s is none",
            where=f"{where}, target",
            remedy="Give two rising times from 0.",
        )
    if last > target.record_length_s:
        raise SettingsError(
            f"the record of {target.record_length_s} s ends before the target window, {last} s",
            where=f"{where}, target",
            remedy="Lengthen record_length_s or shorten window_s.",
        )


def _check(alternative: Alternative, where: str) -> None:
    _check_streamers(alternative, where)
    _check_sources(alternative, where)
    _check_strings(alternative, where)
    _check_speed(alternative, where)
    _check_dither(alternative, where)


def _check_streamers(alternative: Alternative, where: str) -> None:
    streamers = alternative.streamers
    if streamers.count > 1 and streamers.separation_m is None:
        raise SettingsError(
            f"{streamers.count} streamers have no separation",
            where=f"{where}, streamers",
            remedy="Give separation_m.",
        )
    groups = streamers.length_m / streamers.group_interval_m
    if abs(groups - round(groups)) > 1e-3 or round(groups) < 1:
        raise SettingsError(
            f"a length of {streamers.length_m:g} m is no whole number of groups of "
            f"{streamers.group_interval_m:g} m",
            where=f"{where}, streamers",
            remedy="Give the active length: groups times their interval.",
        )


def _check_sources(alternative: Alternative, where: str) -> None:
    sources = alternative.sources
    place = f"{where}, sources"
    if sources.positions_m is not None:
        if sources.separation_m is not None:
            raise SettingsError(
                "sources have positions and a separation", where=place, remedy="Give one of them."
            )
        if len(sources.positions_m) != sources.count:
            raise SettingsError(
                f"{counted(sources.count, 'source')} and "
                f"{counted(len(sources.positions_m), 'position')}",
                where=place,
                remedy="Give one position a source.",
            )
    if alternative.streamers.count == 1 and sources.count > 1 and not _placed(alternative):
        raise SettingsError(
            "one streamer sets no standard separation of sources",
            where=place,
            remedy="Give separation_m or positions_m.",
        )
    positions = source_positions_m(alternative)
    widest = float(np.abs(positions).max())
    edge = float(np.abs(streamer_positions_m(alternative)).max())
    if alternative.streamers.count > 1 and widest > edge + EDGE_TOLERANCE_M:
        raise SettingsError(
            f"a source is towed {widest:g} m off the track and the outermost streamer {edge:g} m",
            where=place,
            remedy="Keep the sources inside the spread.",
        )


def _placed(alternative: Alternative) -> bool:
    sources = alternative.sources
    return sources.positions_m is not None or sources.separation_m is not None


def _check_strings(alternative: Alternative, where: str) -> None:
    sources = alternative.sources
    if sources.strings is None:
        return
    place = f"{where}, sources, strings"
    if len(sources.strings) != sources.count:
        raise SettingsError(
            f"{counted(sources.count, 'source')} and "
            f"{counted(len(sources.strings), 'list of strings', 'lists of strings')}",
            where=place,
            remedy="Give one list a source.",
        )
    if sources.volume_cubic_inch is not None:
        raise SettingsError(
            "sources have strings and a volume", where=place, remedy="Give one of them."
        )
    for number, names in enumerate(sources.strings, start=1):
        unknown = [name for name in names if name not in alternative.strings]
        if unknown or not names or len(set(names)) < len(names):
            what = f"fires string {unknown[0]!r}, which is not described" if unknown else ""
            raise SettingsError(
                f"source {number} {what or 'fires no string, or one twice'}",
                where=place,
                remedy=f"Strings: {', '.join(alternative.strings) or 'none; add [strings.NAME]'}.",
            )
    shared = _shared_string(sources.strings)
    if together(alternative) and shared is not None:
        name, first, second = shared
        raise SettingsError(
            f"sources {first} and {second} share string {name!r} and are to fire "
            "near-simultaneously",
            where=place,
            remedy="Give each source strings of its own, or fire in sequence.",
        )


def _shared_string(strings: list[list[str]]) -> tuple[str, int, int] | None:
    owner: dict[str, int] = {}
    for number, names in enumerate(strings, start=1):
        for name in names:
            if name in owner:
                return name, owner[name], number
            owner[name] = number
    return None


def _check_speed(alternative: Alternative, where: str) -> None:
    speeds = alternative.vessel.speed_kn
    low, high = SPEED_LIMITS_KN
    if any(a > b for a, b in pairwise(speeds)) or not low <= speeds[0] or not speeds[-1] <= high:
        raise SettingsError(
            f"speeds of {', '.join(f'{speed:g}' for speed in speeds)} knots are impossible",
            where=f"{where}, vessel",
            remedy=f"Give lowest, usual and highest between {low:g} and {high:g} knots.",
        )


def _check_dither(alternative: Alternative, where: str) -> None:
    dither, firing = alternative.dither, alternative.firing
    place = f"{where}, dither"
    if (dither.law == "table") != (dither.table is not None):
        raise SettingsError(
            f"the law is {dither.law!r} and the table {dither.table!r}",
            where=place,
            remedy='Use law = "table" together with table = "FILE.csv".',
        )
    if (dither.law == "uniform") != (dither.range_s > 0.0) and dither.law != "table":
        raise SettingsError(
            f"the law is {dither.law!r} and the range {dither.range_s:g} s",
            where=place,
            remedy='Give law = "uniform" and a range_s above 0, or law = "none" and no range.',
        )
    if firing.scheme == "natural timing" and dither.law != "none":
        raise SettingsError(
            "natural timing has no designed delays",
            where=place,
            remedy='Use scheme = "in sequence" with delays, or law = "none".',
        )
    if firing.scheme != "natural timing" and firing.natural_variation_s > 0.0:
        raise SettingsError(
            f"natural_variation_s is {firing.natural_variation_s:g} s and the scheme "
            f"{firing.scheme!r}",
            where=f"{where}, firing",
            remedy='It belongs to scheme = "natural timing".',
        )
    if dither.law == "uniform" and dither.range_s < dither.resolution_s:
        raise SettingsError(
            f"delays within {dither.range_s:g} s cannot be multiples of {dither.resolution_s:g} s",
            where=place,
            remedy="Widen range_s or refine resolution_s.",
        )
    shortest_s = firing.shot_interval_m / speeds_m_s(alternative)[2]
    check_order(dither.range_s, shortest_s, allowed=dither.may_swap_order, where=place)


def check_order(range_s: float, shortest_s: float, *, allowed: bool, where: str) -> None:
    """Refuse delays within plus and minus `range_s` that can swap shots, unless that is allowed.

    Raises
    ------
    SettingsError
        If twice the range exceeds the shortest time between shot points.
    """
    if 2.0 * range_s > shortest_s and not allowed and math.isfinite(shortest_s):
        raise SettingsError(
            f"delays within plus and minus {range_s:g} s can swap shots that are "
            f"{shortest_s:.3f} s apart at the highest speed",
            where=where,
            remedy="Narrow range_s, or say may_swap_order = true.",
        )
