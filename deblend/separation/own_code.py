"""Methods that are code of one's own: loaded by ``file.py:name``, and what they are made of."""

from __future__ import annotations

import ast
import hashlib
import importlib.util
import sys
import sysconfig
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any, Final

from deblend.errors import SettingsError, reason_of
from deblend.files import sha256_of
from deblend.separation.choose import MethodChoice, method_names
from deblend.words import did_you_mean

FROM_FILE: Final = "deblend_own_code_"
_DIGITS: Final = 16


def found_method(name: str, folder: Path) -> MethodChoice:
    """What a study file or a line file calls a method.

    A name, ``package.module:name``, or ``file.py:name`` below `folder`; the last two may be a
    settings class, a settings object or a function.

    Raises
    ------
    SettingsError
        If there is no such method, or its code cannot be loaded.
    """
    place, _, attribute = name.partition(":")
    if not attribute:
        if name != "auto" and name not in method_names():
            raise SettingsError(
                f"separator method {name!r} is not known",
                remedy=did_you_mean(name, method_names(), f"Methods: {method_names()}."),
            )
        return name
    remedy = "Give package.module:name or file.py:name, relative to the file that names it."
    try:
        module = load_file(folder / place) if place.endswith(".py") else import_module(place)
    except Exception as error:  # code of others: anything may come
        why = reason_of(error) if isinstance(error, OSError) else f"{type(error).__name__}: {error}"
        raise SettingsError(f"method {name!r} cannot be loaded ({why})", remedy=remedy) from error
    if not hasattr(module, attribute):
        raise SettingsError(
            f"method {name!r} cannot be loaded: {place} has no {attribute!r}",
            remedy=did_you_mean(attribute, dir(module), remedy),
        )
    found: Any = getattr(module, attribute)
    made: MethodChoice = found() if isinstance(found, type) else found
    return made


def load_file(path: Path) -> ModuleType:
    """A module from a file, known to the process by a name that belongs to place and content."""
    path = path.resolve()
    known_by = f"{path}\n{sha256_of(path)}".encode("utf-8", "backslashreplace")
    name = FROM_FILE + hashlib.sha256(known_by).hexdigest()[:_DIGITS]
    if name in sys.modules:
        return sys.modules[name]
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise FileNotFoundError(str(path))
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # dataclasses look up the module that they are made in
    _forget_imported(path)
    beside = str(path.parent)
    sys.path.insert(0, beside)  # as for a program: what lies beside it can be imported
    try:
        spec.loader.exec_module(module)
    except BaseException:
        del sys.modules[name]
        raise
    finally:
        sys.path.remove(beside)
    return module


def _forget_imported(path: Path) -> None:
    """Let what a file imports from beside it be read anew: another folder may have such names."""
    for name in _imported_by("", path):
        beside = path.with_name(f"{name}.py")
        known = getattr(sys.modules.get(name), "__file__", None)
        if known and beside.is_file() and _is_own(Path(known)):
            del sys.modules[name]
            _forget_imported(beside)


def module_of(code: Any) -> str:
    """Name of the module in which a function, a class or the class of an object stands."""
    kind = code if callable(code) and not hasattr(code, "keep") else type(code)
    return str(getattr(kind, "__module__", ""))


def code_name(code: Any) -> str:
    """``file.py:name`` or ``package.module:name`` of a function, a class or an object's class."""
    module = module_of(code)
    if module.startswith(FROM_FILE):
        module = Path(str(sys.modules[module].__file__)).name
    named = code if hasattr(code, "__qualname__") else type(code)
    return f"{module}:{named.__qualname__}"


def file_of(choice: MethodChoice) -> Path | None:
    """The file that a method was loaded from by ``file.py:name``; None for all other methods."""
    module = module_of(choice)
    return Path(str(sys.modules[module].__file__)) if module.startswith(FROM_FILE) else None


def own_sources(module: str) -> dict[str, Path]:
    """Files of a module and of all of one's own that it imports, by their place among modules.

    One's own is what lies neither with Python nor with its installed packages nor in deblend.
    """
    found: dict[str, Path] = {}
    waiting = [module]
    while waiting:
        name = waiting.pop()
        path = _source_of(name)
        if path is None or path in found.values() or not _is_own(path):
            continue
        found[_place_of(name, path)] = path
        waiting += _imported_by(name, path)
    return dict(sorted(found.items()))


def _source_of(name: str) -> Path | None:
    module = sys.modules.get(name)
    file = getattr(module, "__file__", None)
    if module is None:
        try:
            spec = importlib.util.find_spec(name)
        except (ImportError, AttributeError, ValueError):
            return None
        file = spec.origin if spec else None
    path = Path(str(file)) if file else None
    return path if path is not None and path.suffix == ".py" and path.is_file() else None


def _is_own(path: Path) -> bool:
    path = path.resolve()
    package = Path(__file__).resolve().parents[1]
    return not any(path.is_relative_to(folder) for folder in (*_installed(), package))


def _installed() -> Iterator[Path]:
    for name in ("stdlib", "platstdlib", "purelib", "platlib"):
        yield Path(sysconfig.get_path(name)).resolve()


def _place_of(name: str, path: Path) -> str:
    if name.startswith(FROM_FILE):
        return path.name
    parts = name.split(".")
    return "/".join([*parts, path.name] if path.name == "__init__.py" else [*parts[:-1], path.name])


def _imported_by(name: str, path: Path) -> Iterator[str]:
    """Names of modules that the source of one may import, those above it among them."""
    package = name if path.name == "__init__.py" else name.rpartition(".")[0]
    while package:
        yield package
        package = package.rpartition(".")[0]
    above = name if path.name == "__init__.py" else name.rpartition(".")[0]
    for node in ast.walk(ast.parse(path.read_bytes())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(above.split(".")[: len(above.split(".")) - node.level + 1])
            start = ".".join(part for part in (base if node.level else "", node.module) if part)
            yield from (start, *(f"{start}.{alias.name}" for alias in node.names))
