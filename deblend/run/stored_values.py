"""Dataclasses of arrays as files: their arrays and a description in JSON, no code.

What a block measured has to outlive the process. A file names the dataclasses that it holds; only
dataclasses of deblend are made again from one.
"""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from importlib import import_module
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.array_file import json_array, json_value, read_arrays, write_arrays
from deblend.errors import InputError

_TREE: Final = "tree"
_PACKAGE: Final = "deblend"
_DAMAGED: Final = (InputError, ValueError, KeyError, TypeError, AttributeError, ImportError)


def write_value(path: Path, value: Any) -> None:
    """Write a dataclass; the file appears only when it is complete and on disk.

    It holds arrays, numbers, texts, tuples, ranges, mappings, None, and dataclasses of deblend.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    arrays: list[NDArray[Any]] = []
    tree = json_array(_described(value, arrays))
    named = {f"a{number}": array for number, array in enumerate(arrays)}
    write_arrays({_TREE: tree, **named}, path, compressed=False)


def read_value(path: Path) -> Any:
    """Read back what `write_value` wrote.

    Raises
    ------
    InputError
        If the file cannot be read or is damaged.
    """
    try:
        arrays = read_arrays(path, most_bytes=None)
        return _made(json_value(arrays[_TREE]), arrays)
    except _DAMAGED as error:
        reason = error.what if isinstance(error, InputError) else error
        raise InputError(
            f"the result of a block cannot be read ({reason})",
            where=str(path),
            remedy="Remove the file: the block is then separated again.",
        ) from error


def _described(value: Any, arrays: list[NDArray[Any]]) -> Any:
    if isinstance(value, np.ndarray):
        arrays.append(value)
        return {"array": len(arrays) - 1}
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, bool | int | float | str):
        return {"value": value}
    if isinstance(value, range):
        return {"range": [value.start, value.stop]}
    if isinstance(value, tuple | list):
        return {"tuple": [_described(part, arrays) for part in value]}
    if isinstance(value, dict):
        pairs = [[_described(key, arrays), _described(part, arrays)] for key, part in value.items()]
        return {"dict": pairs}
    if is_dataclass(value) and not isinstance(value, type):
        parts = {part.name: _described(getattr(value, part.name), arrays) for part in fields(value)}
        return {"class": f"{type(value).__module__}:{type(value).__qualname__}", "fields": parts}
    raise TypeError(f"a {type(value).__name__} cannot be stored")


def _made(tree: Any, arrays: dict[str, NDArray[Any]]) -> Any:
    ((kind, content),) = ((name, part) for name, part in tree.items() if name != "fields")
    match kind:
        case "array":
            return arrays[f"a{content}"]
        case "value":
            return content
        case "range":
            return range(*content)
        case "tuple":
            return tuple(_made(part, arrays) for part in content)
        case "dict":
            return {_made(key, arrays): _made(part, arrays) for key, part in content}
        case "class":
            parts = {name: _made(part, arrays) for name, part in tree["fields"].items()}
            return _dataclass_named(content)(**parts)
    raise ValueError(f"unknown entry {kind!r}")


def _dataclass_named(name: str) -> Any:
    module, _, qualified = name.partition(":")
    if module.partition(".")[0] != _PACKAGE:
        raise ValueError(f"{module} is not part of {_PACKAGE}")
    found: Any = import_module(module)
    for part in qualified.split("."):
        found = getattr(found, part)
    if not (isinstance(found, type) and is_dataclass(found)):
        raise ValueError(f"{name} is no dataclass")
    return found
