"""Dataclasses in a file of arrays: fields that are arrays apart from those that are text.

What a field may hold is read from its type, so that a new field needs nothing here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

import msgspec
import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError

T = TypeVar("T")
Arrays = dict[str, NDArray[Any]]


def texts_of(thing: object) -> dict[str, Any]:
    """Fields of a dataclass that are no arrays."""
    return {name: getattr(thing, name) for name, hint in _hints(type(thing)) if not _types_in(hint)}


def arrays_of(thing: object, part: str) -> Arrays:
    """Arrays of a dataclass under the names ``part.field``; those that are None are left out."""
    found = {
        f"{part}.{name}": (getattr(thing, name), _types_in(hint))
        for name, hint in _hints(type(thing))
    }
    return {
        name: _in_type(column, types)
        for name, (column, types) in found.items()
        if types and column is not None
    }


def restore(kind: type[T], part: str, texts: Mapping[str, Any], arrays: Arrays) -> T:
    """The dataclass that `texts_of` and `arrays_of` took apart."""
    values: dict[str, Any] = {}
    for name, hint in _hints(kind):
        types, place = _types_in(hint), f"{part}.{name}"
        if not types and name in texts:
            values[name] = msgspec.convert(texts[name], hint)
        elif types and place in arrays:
            if arrays[place].dtype.kind not in {np.dtype(one).kind for one in types}:
                raise InputError(f"{place} has type {arrays[place].dtype}")
            values[name] = _in_type(arrays[place], types)
        elif types and type(None) not in get_args(hint):
            raise InputError(f"{place} is missing")
        elif types:
            values[name] = None
    unknown = texts.keys() - values.keys()
    if unknown:
        raise InputError(f"{part} holds {', '.join(sorted(unknown))}")
    return kind(**values)


def _hints(kind: type) -> list[tuple[str, Any]]:
    hints = get_type_hints(kind)
    return [(field.name, hints[field.name]) for field in fields(kind)]


def _types_in(hint: Any) -> tuple[type, ...]:
    """The types that the numbers of an array may have; none where the field is no array."""
    if get_origin(hint) is np.ndarray:
        return get_args(get_args(hint)[1])
    return tuple(one for part in get_args(hint) for one in _types_in(part))


def _in_type(column: NDArray[Any], types: tuple[type, ...]) -> NDArray[Any]:
    """In the type of its field; as it is where the field allows several."""
    return np.asarray(column, dtype=types[0] if len(types) == 1 else None)
