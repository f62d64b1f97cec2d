"""Every key of a plan file, for the command line and the documentation."""

from __future__ import annotations

import msgspec

from deblend.model.key_table import Key, keys_of, struct_behind
from deblend.plan.keys import Alternative, PlanKeys

_NAMED = {"strings": "strings.NAME", "signatures": "signatures.NAME"}


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
