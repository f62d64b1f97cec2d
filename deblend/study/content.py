"""What a row stands for: everything that may change a score, and the key made of it.

A label says nothing of what it stands for: rows are known by their content. What is in a file
counts by the SHA-256 of the file, this package by that of its own sources, so that a row is never
taken for one of another version, of changed code or of other samples.
"""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.metadata import PackageNotFoundError, packages_distributions, version
from pathlib import Path
from typing import Any, Final

import msgspec
import numpy as np
from numpy.typing import NDArray

import deblend
from deblend.errors import InputError, reason_of
from deblend.files import sha256_of
from deblend.separation.choose import METHODS, PUBLISHED
from deblend.separation.own_code import module_of, own_sources
from deblend.study.array_scene import ArrayScene
from deblend.study.described import described
from deblend.study.keys import BlendTable, NoiseTable
from deblend.study.lines import GathersScene, Scene
from deblend.study.study import StudyMethod, StudyRun
from deblend.synth.blend_file import BlendKeys, read_blend_plan

Content = dict[str, Any]
Files = dict[str, Path | NDArray[np.float32]]
"""Files and arrays that a row was made from, by the name under which they are kept."""

_PACKAGE: Final = Path(deblend.__file__).parent
SOURCES: Final[dict[str, tuple[str, ...]]] = {
    "line_code": (
        "blending",
        "model",
        "records",
        "plan/delay_table.py",
        "study/array_scene.py",
        "study/lines.py",
        "synth",
    ),
    "separation_code": (
        "arrays.py",
        "blending",
        "line/method_settings.py",
        "model",
        "separation",
        "vector_transforms",
    ),
    "scoring": ("decibels.py", "qc/bands.py", "qc/scores.py", "study/scores.py"),
}
"""Parts of this package that make the line, separate it and score the result."""
WORDS: Final = {
    "scene": "scene",
    "blend": "blend",
    "noise": "noise",
    "seed": "seed",
    "method": "method",
    "settings": "settings of the method",
    "separation": "settings of the separation",
    "iterations": "iterations",
    "own_code": "own code",
    "packages": "version of the method's package",
    "line_code": "code of this package that makes lines",
    "separation_code": "code of this package that separates",
    "scoring": "scoring",
}
"""What the entries of a content are called."""


@dataclass(frozen=True)
class RowContent:
    """Content of one row."""

    entries: Content
    """By the names of `WORDS`, in what JSON knows."""
    files: Files = field(compare=False)
    """What must be kept so that the row can be made again from its folder alone."""

    @property
    def text(self) -> str:
        """As it stands in the results."""
        return content_text(self.entries)

    @property
    def key(self) -> str:
        """Key of the row."""
        return key_of_text(self.text)


def content_text(entries: Content) -> str:
    """Entries as JSON, always in one order."""
    return json.dumps(entries, sort_keys=True, ensure_ascii=False)


def key_of_text(text: str) -> str:
    """Key of a content in its JSON form."""
    return hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()[:16]


def content_of(run: StudyRun, folder: Path) -> RowContent:
    """Content of the row that a run leaves; file names of the study count from `folder`."""
    scene, files = _scene(run.scene, folder)
    method, more = _method(run.method)
    blend, tables = _blend(run.blend, folder)
    entries = {
        "scene": scene,
        "blend": blend,
        "noise": _without_label(run.noise),
        "seed": run.seed,
        "iterations": run.iterations,
        **method,
        **{name: _digest_of_parts(parts) for name, parts in SOURCES.items()},
    }
    return RowContent(entries, files | more | tables)


def changed_entries(one: Content, other: Content) -> list[str]:
    """In words, where two contents differ."""
    return [words for name, words in WORDS.items() if one.get(name) != other.get(name)]


def _without_label(table: BlendTable | NoiseTable) -> Content:
    given = msgspec.structs.asdict(table)
    return {name: described(v) for name, v in given.items() if name != "label" and v is not None}


def _blend(blend: BlendTable, folder: Path) -> tuple[Content, Files]:
    """Keys of a blend; its tables are named by what they hold."""
    entries, files = _without_label(blend), Files()
    for name in ("fire_times_file", "delays_file"):
        if name in entries:
            path = folder / entries[name]
            entries[name] = _called(path)
            files[entries[name]] = path
    return entries, files


def _scene(scene: Scene, folder: Path) -> tuple[Content, Files]:
    if isinstance(scene, ArrayScene):
        arrays = dict(zip(scene.digests, scene.gathers, strict=True))
        entries = {"arrays": scene.digests, "interval_ns": scene.interval_ns}
        return entries, {f"{digest[:16]}.npy": part for digest, part in arrays.items()}
    if isinstance(scene, GathersScene):
        return _gathers(scene.plan, folder)
    if scene.gathers_file is not None:
        plan = read_blend_plan(folder / scene.gathers_file)
        return _gathers(plan, folder / (scene.gathers_folder or ""))
    if scene.scene_file is not None:
        path = folder / scene.scene_file
        return {"scene_file": _digest_of_file(path)}, {_called(path): path}
    return {"name": scene.name, "size": scene.size}, {}


def _gathers(plan: BlendKeys, folder: Path) -> tuple[Content, Files]:
    """The plan itself, its files named by what they hold."""
    files: Files = {}

    def kept(name: str) -> str:
        path = folder / name
        called = _called(path)
        files[called] = path
        return called

    entries = msgspec.to_builtins(plan)
    for source in entries["sources"]:
        source["files"] = [kept(name) for name in source["files"]]
    if plan.firing.table is not None:
        entries["firing"]["table"] = kept(plan.firing.table)
    return {"gathers": {name: v for name, v in entries.items() if name != "output"}}, files


def _called(path: Path) -> str:
    """Name of a kept file, which says what it holds; that of a kept one stays as it is."""
    begins = f"{_digest_of_file(path)[:16]}-"
    return begins + path.name.removeprefix(begins)


def _method(method: StudyMethod) -> tuple[Content, Files]:
    separation = msgspec.to_builtins(method.separation)
    separation.pop("iterations", None)
    module = _module_of_method(method.choice)
    own = own_sources(module) if module else {}
    digests = {name: _digest_of_file(path) for name, path in own.items()}
    choice = described(method.choice)
    entries = {
        "method": {"whole_line": choice} if method.whole_line else choice,
        "settings": described(method.settings),
        "separation": separation,
        "own_code": digests,
        "packages": _package_of(module) if module else {},
    }
    folder = code_folder(digests)
    return entries, {f"{folder}/{name}": path for name, path in own.items()}


def code_folder(digests: Mapping[str, str]) -> str:
    """Folder in which own code is kept, each state of it in one of its own."""
    return f"code-{key_of_text(content_text(dict(digests)))}"


def _module_of_method(choice: Any) -> str:
    """Module of a method that is none of this package."""
    if isinstance(choice, str):
        if choice in METHODS or choice == "auto":
            return ""
        choice = PUBLISHED.load(choice)
    function = getattr(choice, "function", None) or getattr(choice, "func", None)
    module = module_of(choice)
    if module.split(".")[0] in ("deblend", "functools") and callable(function):
        module = module_of(function)
    return "" if module.split(".")[0] in ("deblend", "__main__", "builtins") else module


def _package_of(module: str) -> dict[str, str]:
    """Version of the package in which a module is installed, and what its file holds."""
    found = {}
    for name in _distributions().get(module.split(".")[0], []):
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    file = getattr(sys.modules.get(module), "__file__", None)
    if found and file and Path(file).is_file():
        found["file"] = _digest_of_file(Path(file))
    return found


@cache
def _distributions() -> Mapping[str, list[str]]:
    return packages_distributions()


def _digest_of_file(path: Path) -> str:
    try:
        about = path.stat()
        return _digest_of_state(path, about.st_mtime_ns, about.st_size)
    except OSError as error:
        raise InputError(
            f"the file cannot be read ({reason_of(error)})",
            where=str(path),
            remedy="Correct its name in the study, or put it there.",
        ) from error


@cache
def _digest_of_state(path: Path, changed_ns: int, size: int) -> str:
    return sha256_of(path)


def _digest_of_parts(parts: Iterable[str]) -> str:
    """Of all sources of some parts of this package."""
    digest = hashlib.sha256()
    for part in parts:
        place = _PACKAGE / part
        for path in sorted(place.rglob("*.py")) if place.is_dir() else [place]:
            digest.update(f"{path.relative_to(_PACKAGE)} {_digest_of_file(path)}\n".encode())
    return digest.hexdigest()
