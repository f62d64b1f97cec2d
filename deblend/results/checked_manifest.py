"""The manifest of a finished folder held against its files, and brought up to date with them."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.deliver.manifest import file_record
from deblend.errors import InputError, reason_of
from deblend.files import json_values, sha256_of, write_text
from deblend.results.output_folder import MANIFEST

_WORDS: Final = {"path", "size_bytes", "sha256"}


def recorded_outputs(folder: Path) -> dict[str, dict[str, Any]]:
    """Path, size and checksum of every file of a run, by path.

    Raises
    ------
    InputError
        If there is no manifest, or it is damaged.
    """
    return {record["path"]: record for record in _read(folder)["outputs"]}


def refuse_damaged(folder: Path) -> None:
    """Refuse a folder whose files are not those that its manifest records.

    Raises
    ------
    InputError
        If the manifest is missing or damaged, or a file is missing or another one.
    """
    for name, record in recorded_outputs(folder).items():
        path = folder / name
        try:
            size_bytes = path.stat().st_size
            same = size_bytes == record["size_bytes"] and sha256_of(path) == record["sha256"]
        except OSError as error:
            raise _damaged(path, f"cannot be read ({reason_of(error)})") from error
        if not same:
            raise _damaged(path, "is not the file that the manifest records: its checksum differs")


def renew_record(folder: Path, path: Path) -> None:
    """Record a file that was written again, such as the page.

    Raises
    ------
    InputError
        If there is no manifest, or it is damaged.
    """
    content = _read(folder)
    record = file_record(path, relative_to=folder)
    others = [one for one in content["outputs"] if one["path"] != record.path]
    content["outputs"] = [*others, vars(record)]
    text = json.dumps(json_values(content), indent=2, ensure_ascii=False)
    write_text(folder / MANIFEST, text + "\n")


def line_identity(
    source: NDArray[np.generic], shot_point: NDArray[np.generic], record_start_ns: int
) -> str:
    """What tells a line from others: a checksum of its shots and the start of its record."""
    told = [int(record_start_ns), [str(one) for one in source.tolist()], shot_point.tolist()]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()


def _read(folder: Path) -> dict[str, Any]:
    path = folder / MANIFEST
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        if not all(set(record) >= _WORDS for record in content["outputs"]):
            raise ValueError("an output lacks path, size or checksum")
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise _damaged(path, f"cannot be read ({reason_of(error)})") from error
    return dict(content)


def _damaged(path: Path, what: str) -> InputError:
    return InputError(
        what, where=str(path), remedy="Name the folder of a finished run, or run the line again."
    )
