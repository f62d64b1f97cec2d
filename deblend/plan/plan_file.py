"""Reading the plan file: alternatives put together and checked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import msgspec
import numpy as np

from deblend.errors import SettingsError
from deblend.files import read_toml
from deblend.model.read_keys import convert_table
from deblend.plan.alternative import volumes_cubic_inch
from deblend.plan.check_plan import check_alternative, check_target
from deblend.plan.delay_table import DelayTable, read_delay_table
from deblend.plan.keys import (
    COMMON,
    Alternative,
    PlanKeys,
    SignatureTable,
    SimulationTable,
    TargetTable,
)

REFERENCE_NAME: Final = "reference: two sources"
REFERENCE_INTERVAL_M: Final = 18.75
"""Common practice, no source: two sources in sequence, 37.5 m from shot to shot of each."""

TAKE_TURNS: Final = (
    ("sources", "positions_m", "separation_m"),
    ("sources", "separation_m", "positions_m"),
    ("sources", "count", "positions_m"),
    ("dither", "law", "range_s"),
    ("dither", "law", "table"),
)
"""Table, key that an alternative gives, key of the base that it makes void."""


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

    Raises
    ------
    SettingsError
        If the file cannot be read, is no TOML, holds an unknown key, lacks a needed one, or a
        value is of the wrong type, out of range, or contradicts another.
    """
    path = Path(path)
    content = read_toml(path, "plan file")
    file = convert_table(content, PlanKeys, str(path))
    check_target(file.target, str(path))
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
        check_alternative(alternative, f"{path}, {alternative.name}")
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
