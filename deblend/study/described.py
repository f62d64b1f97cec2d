"""Methods and their settings in plain values, and made again from them.

What is described is kept in results as JSON: no code is stored as data, and none is run that does
not lie in a file.
"""

from __future__ import annotations

import hashlib
import inspect
import sys
import textwrap
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from functools import partial
from importlib import import_module
from pathlib import Path
from types import CodeType, FunctionType, ModuleType
from typing import Any, Final

import msgspec
import numpy as np

from deblend.errors import SettingsError
from deblend.separation.own_code import FROM_FILE, load_file

_DEEPEST: Final = 12
_PLAIN: Final = (str, int, float, bool, type(None))


def described(value: Any, depth: int = 0) -> Any:
    """A value in what JSON knows; equal values give equal descriptions, in any process."""
    if isinstance(value, _PLAIN):
        return value
    if isinstance(value, np.generic):
        return value.item()
    if depth > _DEEPEST:
        return {"kind": type(value).__qualname__}
    inner = partial(described, depth=depth + 1)
    if isinstance(value, np.ndarray):
        content = hashlib.sha256(np.ascontiguousarray(value).tobytes()).hexdigest()
        return {"array": content, "shape": list(value.shape), "dtype": str(value.dtype)}
    if isinstance(value, Path):
        return {"path": str(value)}
    if isinstance(value, Mapping):
        return {str(key): inner(part) for key, part in value.items()}
    if isinstance(value, set | frozenset):
        return sorted((inner(part) for part in value), key=repr)
    if isinstance(value, list | tuple):
        return [inner(part) for part in value]
    if isinstance(value, partial):
        return {
            "partial": inner(value.func),
            "args": inner(value.args),
            "more": inner(value.keywords),
        }
    if isinstance(value, ModuleType):
        return {"module": value.__name__}
    if isinstance(value, type) or inspect.isroutine(value):
        return _code(value, inner)
    return {"object": _code(type(value), inner), "fields": inner(_fields_of(value))}


def _fields_of(value: Any) -> dict[str, Any]:
    if is_dataclass(value):
        return {field.name: getattr(value, field.name) for field in fields(value) if field.init}
    if isinstance(value, msgspec.Struct):
        return msgspec.structs.asdict(value)
    return dict(vars(value)) if hasattr(value, "__dict__") else {"value": str(type(value))}


def _code(code: Any, inner: Callable[[Any], Any]) -> dict[str, Any]:
    """Where a function or class stands; its text where that is in no file that can be loaded."""
    module = str(getattr(code, "__module__", None) or "builtins")
    name = str(getattr(code, "__qualname__", type(code).__qualname__))
    if module.startswith(FROM_FILE):
        return {"file": Path(str(sys.modules[module].__file__)).name, "name": name}
    if module != "__main__" and "<" not in name:
        return {"module": module, "name": name}
    found: dict[str, Any] = {"name": name, "text": _text(code)}
    if isinstance(code, FunctionType):
        found["uses"] = inner(_used(code))
    return found


def _text(code: Any) -> str:
    try:
        return textwrap.dedent(inspect.getsource(code))
    except (OSError, TypeError):  # typed at a prompt: what the interpreter made of it
        made = getattr(code, "__code__", None)
        return _compiled(made) if isinstance(made, CodeType) else repr(type(code))


def _compiled(code: CodeType) -> str:
    inner = [_compiled(c) if isinstance(c, CodeType) else repr(c) for c in code.co_consts]
    return f"{code.co_code.hex()} {code.co_names} {inner}"


def _used(function: FunctionType) -> dict[str, Any]:
    """Values from outside that a function of no file depends on."""
    names = {
        name: function.__globals__[name]
        for name in function.__code__.co_names
        if name in function.__globals__ and function.__globals__[name] is not function
    }
    held = {}
    for name, cell in zip(function.__code__.co_freevars, function.__closure__ or (), strict=True):
        held[name] = cell.cell_contents
    return names | held | {"defaults": function.__defaults__ or ()}


def made_again(kept: Any, folder: Path) -> Any:
    """What was described, its code loaded from files of a folder or from installed modules.

    Raises
    ------
    SettingsError
        If its code was in no file.
    """
    if isinstance(kept, list):
        return tuple(made_again(part, folder) for part in kept)
    if not isinstance(kept, dict):
        return kept
    if "object" in kept:
        kind: Any = made_again(kept["object"], folder)
        if not is_dataclass(kind):  # a results file may come from anybody
            raise SettingsError(
                f"{kept['object'].get('name')} is no dataclass, and only those are made again",
                where=str(folder),
                remedy="Write the settings of the method as a frozen dataclass.",
            )
        values = {name: made_again(part, folder) for name, part in kept["fields"].items()}
        return kind(**values)  # type: ignore[operator]
    if "partial" in kept:
        function = made_again(kept["partial"], folder)
        more = {name: made_again(part, folder) for name, part in kept["more"].items()}
        return partial(function, *made_again(kept["args"], folder), **more)
    if "text" in kept or "array" in kept:
        raise SettingsError(
            f"{kept.get('name', 'an array')} stands in no file, only in the process that ran it",
            where=str(folder),
            remedy="Put the method into a file and name it file.py:name, to have rows that can be "
            "repeated.",
        )
    if "name" in kept and ("file" in kept or "module" in kept):
        module = (
            load_file(folder / kept["file"]) if "file" in kept else import_module(kept["module"])
        )
        found: Any = module
        for part in str(kept["name"]).split("."):
            found = getattr(found, part)
        return found
    return {name: made_again(part, folder) for name, part in kept.items()}
