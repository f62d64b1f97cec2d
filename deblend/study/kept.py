"""What results keep beside them, so that each row can be repeated from their folder alone."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sys
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError, SettingsError
from deblend.files import make_folder, replacing, sha256_of
from deblend.model.read_keys import convert_table
from deblend.separation.settings import SeparationSettings
from deblend.study.array_scene import ArrayScene
from deblend.study.child import Child
from deblend.study.content import RowContent, changed_entries, code_folder, content_of
from deblend.study.described import made_again
from deblend.study.keys import BlendTable, NoiseTable, SceneTable
from deblend.study.lines import GathersScene, Scene
from deblend.study.results import COLUMNS, VARIES, Row, read_results
from deblend.study.study import Study, StudyMethod, StudyRun
from deblend.synth.blend_file import BlendKeys

RESULTS_FILE: Final = "results.parquet"
KEPT: Final = "kept"
"""Folder of own code, scene files and gathers, beside the results."""
STUDY_FILE: Final = "study.toml"
"""Copy of the study file."""
_COPIED_BYTES: Final = 64 << 20
"""Larger files are linked where they can be."""


def keep_files(study: Study, contents: Iterable[RowContent], folder: Path) -> None:
    """Copy study file, own code and input into the folder of the results."""
    for content in contents:
        for name, path in content.files.items():
            _keep(path, folder / KEPT / name)
    if study.file is not None and study.file.resolve() != (folder / STUDY_FILE).resolve():
        _copy(study.file, folder / STUDY_FILE)


def folder_digest(folder: Path) -> str:
    """SHA-256 of what results are: rows, study file, and all that is kept for repeating them."""
    kept = (path for path in (folder / KEPT).rglob("*") if path.is_file())
    files = [folder / RESULTS_FILE, folder / STUDY_FILE, *sorted(kept)]
    lines = (
        f"{sha256_of(path)}  {path.relative_to(folder).as_posix()}\n"
        for path in files
        if path.is_file()
    )
    return hashlib.sha256("".join(lines).encode("utf-8", "backslashreplace")).hexdigest()


def _keep(path: Path | NDArray[np.float32], kept: Path) -> None:
    """Keep a file or an array under a name that says what it holds."""
    if kept.exists():
        return
    make_folder(kept.parent)
    if isinstance(path, np.ndarray):
        with replacing(kept) as stream:
            np.save(stream, path, allow_pickle=False)
        return
    if path.stat().st_size > _COPIED_BYTES:
        with suppress(OSError):  # another file system
            os.link(path.resolve(), kept)
            return
    _copy(path, kept)


def _copy(path: Path, copy: Path) -> None:
    with path.open("rb") as source, replacing(copy) as target:
        shutil.copyfileobj(source, target)


@dataclass(frozen=True)
class Repeated:
    """A row that was computed again."""

    kept: Row
    again: Row
    """As it stands in the results, and as it is now."""
    different: tuple[str, ...]
    """Columns that differ in any digit, but for times, machine and versions."""
    changed: tuple[str, ...]
    """What is no longer as it was, in words; then other digits are no surprise."""


def repeat_row(folder: str | Path, key: str, *, limit_s: float = 7200.0) -> Repeated:
    """Compute one row of a study again, from the folder of its ``results.parquet`` alone.

    Own code and input come from what the folder keeps. Code in such a folder runs as any method
    does: repeat rows of people whom you would let run a program. `key` is the column of that name,
    or how it begins; `limit_s` is the longest time for each phase.

    Raises
    ------
    InputError
        If no row has such a key or several have, or the results cannot be read.
    SettingsError
        If the method stood in no file, or its code cannot be loaded as it was.
    """
    folder = Path(folder)
    row = _row(folder, key)
    entries: dict[str, Any] = msgspec.json.decode(row["content"])
    kept = folder.resolve() / KEPT
    code = kept / code_folder(entries["own_code"])
    sys.path.insert(0, str(code))
    try:
        run = run_of(row, entries, kept, code)
        now = content_of(run, kept)
        changed = changed_entries(entries, now.entries)
        if entries["own_code"] != now.entries["own_code"]:
            raise SettingsError(
                f"the code of {row['method']} that this process has is not that of the row",
                where=str(code),
                remedy="Repeat the row in a new process, with the version that it was made with.",
            )
        with Child(kept, more_path=code) as child:
            again = child.row(run, limit_s)
    finally:
        sys.path.remove(str(code))
    again |= {"key": now.key, "content": now.text}
    same = {*VARIES, "key", "content", "traceback"}
    different = tuple(
        name
        for name in COLUMNS
        if name not in same and json.dumps(row[name]) != json.dumps(again.get(name))
    )
    return Repeated(row, again, different, tuple(changed) + _other_versions(row, again))


def _row(folder: Path, key: str) -> Row:
    rows = read_results(folder / RESULTS_FILE)
    found = [row for row in rows if key and row["key"].startswith(key)]
    if len({row["key"] for row in found}) != 1:
        raise InputError(
            f"{len(found) or 'no'} rows have a key that begins with {key!r}",
            where=str(folder),
            remedy="Give the whole key, as the column key of the results has it.",
        )
    return found[0]


def _other_versions(row: Row, again: Row) -> tuple[str, ...]:
    before, now = (msgspec.json.decode(one["versions"]) for one in (row, again))
    return tuple(
        f"{name} {now.get(name, 'absent')}, then {value}"
        for name, value in before.items()
        if now.get(name) != value
    )


def run_of(row: Row, entries: dict[str, Any], kept: Path, code: Path) -> StudyRun:
    """The run that left a row."""
    where = f"row {row['key']}"
    separation = SeparationSettings(**entries["separation"])
    choice, whole = made_again(entries["method"], code), False
    if isinstance(choice, dict):
        choice, whole = choice["whole_line"], True
    method = StudyMethod(row["method"], choice, entries["settings"], None, separation, whole)
    return StudyRun(
        _scene(row, entries["scene"], kept),
        convert_table(entries["blend"] | {"label": row["blend"]}, BlendTable, where),
        convert_table(entries["noise"] | {"label": row["noise"]}, NoiseTable, where),
        row["seed"],
        method,
        row["iterations"],
    )


def _scene(row: Row, scene: dict[str, Any], kept: Path) -> Scene:
    if "arrays" in scene:
        parts = [np.load(kept / f"{d[:16]}.npy", allow_pickle=False) for d in scene["arrays"]]
        return ArrayScene(row["scene"], tuple(parts), scene["interval_ns"], row["size"])
    if "gathers" in scene:
        output = {"output": {"folder": "unused"}}
        plan = convert_table(scene["gathers"] | output, BlendKeys, f"row {row['key']}")
        return GathersScene(row["scene"], plan, row["size"])
    if "scene_file" in scene:
        begins = scene["scene_file"][:16]
        name = next((path.name for path in kept.glob(f"{begins}-*")), f"{begins}-scene.toml")
        return SceneTable(name=row["scene"], size=row["size"], scene_file=name)
    return SceneTable(name=scene["name"], size=scene["size"])
