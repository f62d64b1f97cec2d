"""Every key of a plan file, for the command line and the documentation."""

from __future__ import annotations

from typing import Any

import msgspec

from deblend.plan.keys import Alternative, PlanFile
from deblend.run.line_file import Key, keys_of

_NAMED = {"strings": "strings.NAME", "signatures": "signatures.NAME"}


def list_plan_keys() -> list[Key]:
    """Every key, in the order of the tables; those of tables that are named by their user too."""
    keys = []
    common = {field.encode_name: field for field in msgspec.structs.fields(Alternative)}
    for field in msgspec.structs.fields(PlanFile):
        name = field.encode_name
        kind: Any = common[name].type if name in common and name != "name" else field.type
        table = _struct_behind(kind)
        if table is None:
            keys += [key for key in keys_of(PlanFile, "") if key.name == name]
        else:
            keys += list(keys_of(table, _NAMED.get(name, name)))
    return keys


def _struct_behind(kind: Any) -> type[msgspec.Struct] | None:
    """The table of a field, or of the values of a field that holds tables by name."""
    info: Any = msgspec.inspect.type_info(kind)
    if isinstance(info, msgspec.inspect.DictType):
        info = info.value_type
    return info.cls if isinstance(info, msgspec.inspect.StructType) else None
