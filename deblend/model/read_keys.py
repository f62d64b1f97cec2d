"""Reading files of keys, and saying plainly what is wrong with them."""

from __future__ import annotations

import difflib
import math
import re
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from deblend.errors import SettingsError
from deblend.files import read_toml
from deblend.model.key_table import Key, key_of, keys_of, struct_behind

T = TypeVar("T", bound=msgspec.Struct)
_Step = str | int


def read_table(path: Path, kind: type[T], called: str) -> T:
    """The table that a whole TOML file holds.

    Parameters
    ----------
    kind : type
        The `KeyTable` of the file.
    called : str
        What kind of file it is, as "study file", for messages.

    Raises
    ------
    SettingsError
        If it cannot be read, is no TOML, or `convert_table` refuses it.
    """
    return convert_table(read_toml(path, called), kind, str(path))


def convert_table(content: Mapping[str, Any], kind: type[T], where: str) -> T:
    """A table of keys from plain TOML content.

    Parameters
    ----------
    content : mapping
        As read from the file.
    kind : type
        The `KeyTable` of the file.

    Raises
    ------
    SettingsError
        If a key is unknown or missing, or a value is of the wrong type, out of its limits or not
        finite. It names the key, its table, the value and what to give.
    """
    try:
        for steps in _unusable(content, ()):
            raise _unusable_value(_place(kind, steps), content, steps, where)
        return msgspec.convert(content, kind)
    except msgspec.ValidationError as error:
        raise _explained(str(error), content, kind, where) from error


def _unusable(value: Any, steps: tuple[_Step, ...]) -> Iterator[tuple[_Step, ...]]:
    """Places of infinity, of no number and of zero bytes, which TOML can say and no key can use."""
    if isinstance(value, float) and not math.isfinite(value):
        yield steps
    if isinstance(value, str) and "\0" in value:
        yield steps
    entries = value.items() if isinstance(value, Mapping) else ()
    for name, inner in enumerate(value) if isinstance(value, list) else entries:
        yield from _unusable(inner, (*steps, name))


def _unusable_value(
    place: _Place, content: Mapping[str, Any], steps: Sequence[_Step], where: str
) -> SettingsError:
    names = [step for step in steps if isinstance(step, str)]
    words = place.words if place.depth == len(steps) else f"in table [{'.'.join(names[:-1])}]"
    value = _value_at(content, steps)
    return SettingsError(
        f"{names[-1]} {words} is {textwrap.shorten(repr(value), 60)}",
        where=where,
        remedy="Give text without zero bytes."
        if isinstance(value, str)
        else "Give a finite number.",
    )


@dataclass(frozen=True)
class _Place:
    """Where in a file something is wrong.

    `table` is the innermost table around it and `words` say which one that is, `around`
    which one that is in; `field` is the key
    of it that is meant, None for the table itself. `depth` steps lead to either.
    """

    table: type[msgspec.Struct]
    words: str = "at the top of the file"
    around: str = ""
    field: msgspec.structs.FieldInfo | None = None
    depth: int = 0

    @property
    def key(self) -> Key | None:
        return None if self.field is None else key_of(self.field, "")


def _place(kind: type[msgspec.Struct], steps: Sequence[_Step]) -> _Place:
    """The place that keys and numbers of entries lead to."""
    place = _Place(kind)
    path: list[str] = []
    outer = ""
    info: Any = None
    for depth, step in enumerate(steps, start=1):
        if info is None:
            fields = {field.encode_name: field for field in msgspec.structs.fields(place.table)}
            if step not in fields:
                break
            path.append(str(step))
            place = replace(place, field=fields[str(step)], depth=depth)
            info = _bare(msgspec.inspect.type_info(fields[str(step)].type))
            words = f"in table [{'.'.join(path)}]{outer}"
        else:
            info = _bare(getattr(info, "item_type", getattr(info, "value_type", info)))
            number = f"table {step + 1} of" if isinstance(step, int) else "a table of"
            words = f"in {number} [[{'.'.join(path)}]]{outer}"
        below = None if info is None else struct_behind(info)
        if below is not None:
            if isinstance(step, int):
                path, outer = [], f" {words}"
            place, info = _Place(below, words, place.words, depth=depth), None
    return place


def _bare(info: Any) -> Any:
    """The one type behind limits and behind an optional."""
    while isinstance(info, msgspec.inspect.Metadata):
        info = info.type
    return info.types[0] if isinstance(info, msgspec.inspect.UnionType) else info


def _explained(
    message: str, content: Mapping[str, Any], kind: type[msgspec.Struct], where: str
) -> SettingsError:
    """The reader's message in our words: key, table, value and unit."""
    text, _, path = message.partition(" - at `$")
    steps = [
        int(number) if number else name
        for name, number in re.findall(r"(\w+|\[\.\.\.\])|\[(\d+)\]", path)
    ]
    place = _place(kind, steps)
    unknown = re.fullmatch(r"Object contains unknown field `(.+)`", text)
    if unknown is not None:
        value = _value_at(content, [*steps, unknown[1]])
        word = f"table [{unknown[1]}]" if isinstance(value, Mapping) else f"key {unknown[1]!r}"
        return SettingsError(
            f"unknown {word} {place.words}",
            where=where,
            remedy=_nearest(unknown[1], place, kind),
        )
    missing = re.fullmatch(r"Object missing required field `(\w+)`", text)
    if missing is None:
        return _wrong_value(place, content, steps, where)
    lacking = _place(kind, [*steps, missing[1]])
    what = f"key {missing[1]!r}" if lacking.key else f"table [{missing[1]}]"
    kind_words = f" ({lacking.key.kind_words})" if lacking.key else ""
    return SettingsError(
        f"{what} is missing {place.words}", where=where, remedy=f"Add it{kind_words}."
    )


def _wrong_value(
    place: _Place, content: Mapping[str, Any], steps: Sequence[_Step], where: str
) -> SettingsError:
    value = _value_at(content, steps[: place.depth])
    shown = textwrap.shorten(repr(value), 60)
    if place.key is None:
        name = str(steps[-1]) if steps else "the file"
        return SettingsError(
            f"{name} {place.around} is {shown}, which cannot be used",
            where=where,
            remedy=f"Write it as one table, [{name}].",
        )
    if place.key.unit and isinstance(value, int | float):
        shown += f" {place.key.unit}"
    return SettingsError(
        f"{place.key.name} {place.words} is {shown}, which cannot be used",
        where=where,
        remedy=f"Give {place.key.kind_words}.",
    )


def _value_at(content: Any, steps: Sequence[_Step]) -> Any:
    """The value at a place; None where the way to it has a step without a name."""
    for step in steps:
        entries: Any = dict(enumerate(content)) if isinstance(content, list) else content
        if not isinstance(entries, Mapping) or step not in entries:
            return None
        content = entries[step]
    return content


def _nearest(name: str, place: _Place, kind: type[msgspec.Struct]) -> str:
    """Advice that names the most similar key, one of the same table if there is one."""
    here = [field.encode_name for field in msgspec.structs.fields(place.table)]
    close = difflib.get_close_matches(name, here, n=1)
    if close:
        return f"Did you mean {close[0]!r} {place.words}?"
    tables = {key.name: key.table for key in keys_of(kind, "") if key.table}
    close = difflib.get_close_matches(name, list(tables), n=1)
    if close:
        return f"Did you mean {close[0]!r} in table [{tables[close[0]]}]?"
    return f"Keys {place.words}: {', '.join(here)}."
