"""Tables of keys, which line, plan, blend and study files are made of, and their documentation."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import msgspec


class KeyTable(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """A table of keys; one that is not listed is refused."""


def described(
    description: str,
    unit: str = "",
    *,
    gt: float | None = None,
    ge: float | None = None,
    lt: float | None = None,
    le: float | None = None,
    min_length: int | None = None,
    pattern: str | None = None,
) -> msgspec.Meta:
    """Meaning, unit and limits of a key, for its annotation; limits as in `msgspec.Meta`."""
    limits: dict[str, Any] = {"gt": gt, "ge": ge, "lt": lt, "le": le}
    limits |= {"min_length": min_length, "pattern": pattern}
    extra = {"unit": unit} if unit else None
    return msgspec.Meta(description=description, extra=extra, **limits)


@dataclass(frozen=True)
class Key:
    """One documented key of a file."""

    table: str
    name: str
    kind: str
    unit: str
    default: str
    description: str

    @property
    def kind_words(self) -> str:
        """What to give, with its unit."""
        return f"{self.kind}, in {self.unit}" if self.unit else self.kind


def keys_of(struct: type[msgspec.Struct], table: str) -> Iterator[Key]:
    """Every key of a table of a file, and of the tables inside it."""
    inner = []
    for field in msgspec.structs.fields(struct):
        below = struct_behind(msgspec.inspect.type_info(field.type))
        if below is None:
            yield key_of(field, table)
        else:
            inner.append((below, field.encode_name))
    for below, name in inner:
        yield from keys_of(below, name)


def key_of(field: msgspec.structs.FieldInfo, table: str) -> Key:
    """The documentation of one field of a table."""
    info = msgspec.inspect.type_info(field.type)
    extra: Mapping[str, Any] = getattr(info, "extra", None) or {}
    schema: Mapping[str, Any] = getattr(info, "extra_json_schema", None) or {}
    return Key(
        table,
        field.encode_name,
        _kind(getattr(info, "type", info)),
        extra.get("unit", ""),
        _default(field),
        schema.get("description", ""),
    )


def struct_behind(info: msgspec.inspect.Type) -> type[msgspec.Struct] | None:
    """The table behind a type, optional or with limits; None for a plain value."""
    while isinstance(info, msgspec.inspect.Metadata):
        info = info.type
    parts = info.types if isinstance(info, msgspec.inspect.UnionType) else (info,)
    for part in parts:
        if isinstance(part, msgspec.inspect.StructType):
            return part.cls
    return None


def _kind(info: msgspec.inspect.Type) -> str:
    """A type in plain words, with its limits."""
    match info:
        case msgspec.inspect.Metadata():
            return _kind(info.type)
        case msgspec.inspect.UnionType():
            return _kind(info.types[0])
        case msgspec.inspect.LiteralType():
            return " or ".join(f'"{value}"' for value in info.values)
        case msgspec.inspect.TupleType():
            return f"{len(info.item_types)} values, each {_kind(info.item_types[0])}"
        case msgspec.inspect.ListType():
            each = _kind(info.item_type)
            plain = "a list that is not empty" if info.min_length else "a list"
            return "a list of text" if each == "text" else f"{plain}, each {each}"
        case msgspec.inspect.DictType() | msgspec.inspect.StructType():
            return "table"
        case msgspec.inspect.BoolType():
            return "true or false"
        case msgspec.inspect.FloatType() | msgspec.inspect.IntType():
            return _number_kind(info)
        case msgspec.inspect.StrType(pattern=str(pattern)):
            return f"text that matches {pattern}"
        case _:
            return "text"


def _number_kind(info: msgspec.inspect.FloatType | msgspec.inspect.IntType) -> str:
    word = "a number" if isinstance(info, msgspec.inspect.FloatType) else "a whole number"
    low = f" above {info.gt:g}" if info.gt is not None else ""
    low = f" from {info.ge:g}" if info.ge is not None else low
    high = f" to {info.le:g}" if info.le is not None else ""
    high = f" and below {info.lt:g}" if info.lt is not None else high
    return word + low + high


def _default(field: msgspec.structs.FieldInfo) -> str:
    if field.required:
        return "required"
    value = field.default_factory() if field.default is msgspec.NODEFAULT else field.default
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    return "none" if value is None or value == {} else str(value)
