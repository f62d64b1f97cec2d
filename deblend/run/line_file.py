"""Reading the line file, and saying plainly what is wrong with it."""

from __future__ import annotations

import difflib
import glob
import math
import re
import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from deblend.errors import SettingsError
from deblend.files import read_toml
from deblend.run.line_keys import LineFile


@dataclass(frozen=True)
class Line:
    """A line file that has been read and checked.

    Parameters
    ----------
    path : Path
        The file itself; relative names in it count from its folder.
    keys : LineFile
        Its content.
    """

    path: Path
    keys: LineFile

    def resolve(self, name: str) -> Path:
        """A name in the line file as a path."""
        return self.path.parent / name

    @property
    def name(self) -> str:
        """Name of the line: as stated, or that of the file."""
        return self.keys.name or self.path.stem

    @property
    def record_patterns(self) -> list[Path]:
        """Record files and patterns; brackets in the name of the folder are no pattern."""
        return self.patterns_of(self.keys.records.files)

    def patterns_of(self, names: list[str]) -> list[Path]:
        """Files and patterns relative to the line file."""
        folder = Path(glob.escape(str(self.path.parent)))
        return [
            self.resolve(name) if self.resolve(name).exists() else folder / name for name in names
        ]

    @property
    def shots_path(self) -> Path | None:
        """The file with the shots; None where the records carry the source events."""
        name = self.keys.shots.file or self.keys.shots.navigation
        return None if name is None else self.resolve(name)

    @property
    def other_inputs(self) -> list[Path]:
        """Navigation files and source logs."""
        tables = (self.keys.navigation, self.keys.source_log)
        return [self.resolve(name) for table in tables if table for name in table.files]

    @property
    def output_folder(self) -> Path:
        """Where results go."""
        return self.resolve(self.keys.output.folder)

    def with_output(self, folder: Path) -> Line:
        """The same line with its results elsewhere."""
        output = msgspec.structs.replace(self.keys.output, folder=str(folder.absolute()))
        return Line(self.path, msgspec.structs.replace(self.keys, output=output))


@dataclass(frozen=True)
class Key:
    """One documented key of the line file."""

    table: str
    name: str
    kind: str
    unit: str
    default: str
    description: str


def read_line_file(path: str | Path) -> Line:
    """Read and check a line file.

    Parameters
    ----------
    path : str or Path
        TOML file.

    Raises
    ------
    SettingsError
        If the file cannot be read, is no TOML, holds an unknown key, lacks a needed one, or a
        value is of the wrong type or out of range.
    """
    path = Path(path)
    content = read_toml(path, "line file")
    _refuse_unknown(content, LineFile, "", path)
    _refuse_endless(content, "", path)
    try:
        return Line(path.absolute(), msgspec.convert(content, LineFile))
    except msgspec.ValidationError as error:
        raise _explained(str(error), content, path) from error


def list_keys() -> list[Key]:
    """Every key of the line file, in the order of its tables."""
    return list(keys_of(LineFile, ""))


def keys_of(struct: type[msgspec.Struct], table: str) -> Iterator[Key]:
    """Every key of a table of a file, and of the tables inside it."""
    inner = []
    for field in msgspec.structs.fields(struct):
        below = _struct_in(field.type)
        if below is not None:
            inner.append((below, field.encode_name))
            continue
        info = msgspec.inspect.type_info(field.type)
        extra: Mapping[str, Any] = getattr(info, "extra", None) or {}
        schema: Mapping[str, Any] = getattr(info, "extra_json_schema", None) or {}
        yield Key(
            table,
            field.encode_name,
            _kind(getattr(info, "type", info)),
            extra.get("unit", ""),
            _default(field),
            schema.get("description", ""),
        )
    for below, name in inner:
        yield from keys_of(below, name)


def _struct_in(kind: Any) -> type[msgspec.Struct] | None:
    """The table behind a field, optional or not; None for a plain value."""
    info = msgspec.inspect.type_info(kind)
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
            return f"a list of {_kind(info.item_type)}"
        case msgspec.inspect.DictType():
            return "table"
        case msgspec.inspect.BoolType():
            return "true or false"
        case msgspec.inspect.FloatType() | msgspec.inspect.IntType():
            word = "a number" if isinstance(info, msgspec.inspect.FloatType) else "a whole number"
            if info.gt is not None:
                return f"{word} above {info.gt:g}"
            return f"{word} from {info.ge:g}" if info.ge is not None else word
        case _:
            return "text"


def _default(field: msgspec.structs.FieldInfo) -> str:
    if field.required:
        return "required"
    value = field.default_factory() if field.default is msgspec.NODEFAULT else field.default
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    return "none" if value is None or value == {} else str(value)


def _refuse_unknown(
    content: Mapping[str, Any], struct: type[msgspec.Struct], table: str, path: Path
) -> None:
    fields = {field.encode_name: field for field in msgspec.structs.fields(struct)}
    for name, value in content.items():
        if name not in fields:
            word = f"table [{name}]" if isinstance(value, dict) else f"key {name!r}"
            raise SettingsError(
                f"unknown {word} {_table_words(table)}",
                where=str(path),
                remedy=_nearest(name, table, list(fields)),
            )
        below = _struct_in(fields[name].type)
        if below is not None and isinstance(value, dict):
            _refuse_unknown(value, below, name, path)


def _nearest(name: str, table: str, here: list[str]) -> str:
    """Advice that names the most similar key, one of the same table if there is one."""
    close = difflib.get_close_matches(name, here, n=1)
    if close:
        return f"Did you mean {close[0]!r} {_table_words(table)}?"
    places = {key.name: key.table for key in list_keys()}
    close = difflib.get_close_matches(name, list(places), n=1)
    if close:
        return f"Did you mean {close[0]!r} {_table_words(places[close[0]])}?"
    return f"Keys {_table_words(table)}: {', '.join(here)}."


def _table_words(table: str) -> str:
    return f"in table [{table}]" if table else "at the top of the file"


def _refuse_endless(content: Mapping[str, Any], table: str, path: Path) -> None:
    """TOML has words for infinity and for no number; no key here can use them."""
    for name, value in content.items():
        if isinstance(value, dict):
            _refuse_endless(value, f"{table}.{name}".lstrip("."), path)
        elif isinstance(value, float) and not math.isfinite(value):
            raise SettingsError(
                f"{name} {_table_words(table)} is {value}",
                where=str(path),
                remedy="Give a finite number.",
            )


def _explained(message: str, content: Mapping[str, Any], path: Path) -> SettingsError:
    """The reader's message in our words: key, table, value and unit."""
    text, _, place = message.partition(" - at `$")
    names = re.findall(r"\.(\w+)", place)
    missing = re.fullmatch(r"Object missing required field `(\w+)`", text)
    if missing is not None:
        table = names[-1] if names else ""
        key = _find_key(missing[1], table)
        what = f"key {missing[1]!r}" if key else f"table [{missing[1]}]"
        words = f" ({_kind_words(key)})" if key else ""
        return SettingsError(
            f"{what} is missing {_table_words(table)}",
            where=str(path),
            remedy=f"Add it{words}; `deblend check --keys` lists every key.",
        )
    value: Any = content
    for name in names:
        value = value[name]
    table, name = (["", *names])[-2:] if names else ("", "")
    key = _find_key(name, table)
    shown = textwrap.shorten(repr(value), 60)
    if key and key.unit and isinstance(value, int | float):
        shown += f" {key.unit}"
    return SettingsError(
        f"{name} {_table_words(table)} is {shown}, which cannot be used",
        where=str(path),
        remedy=f"Give {_kind_words(key)}." if key else f"Write it as one table, [{name}].",
    )


def _kind_words(key: Key) -> str:
    return f"{key.kind}, in {key.unit}" if key.unit else key.kind


def _find_key(name: str, table: str) -> Key | None:
    return next((key for key in list_keys() if (key.table, key.name) == (table, name)), None)
