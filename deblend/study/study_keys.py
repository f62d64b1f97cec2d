"""Every key of a study file, for the command line and the documentation."""

from __future__ import annotations

import msgspec

from deblend.model.key_table import Key, keys_of
from deblend.study.keys import BlendTable, MethodTable, NoiseTable, SceneTable, StudyFile

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
