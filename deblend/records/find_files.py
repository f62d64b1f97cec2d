"""The files of a line: names and patterns to paths."""

from __future__ import annotations

import glob
import os
from collections.abc import Sequence
from fnmatch import fnmatchcase
from pathlib import Path

from deblend.errors import RecordError
from deblend.files import refuse_odd_name


def find_files(paths: str | Path | Sequence[str | Path]) -> list[Path]:
    """Files that `paths` name, each once, in the order given; of a pattern in that of their names.

    Patterns find their extension in capitals, too: ``*.sgy`` also stands for ``A.SGY``.
    """
    names = [paths] if isinstance(paths, str | Path) else list(paths)
    if not names:
        raise RecordError("no record file was given", remedy="Name at least one SEG-Y file.")
    found: dict[Path, Path] = {}
    for name in names:
        matches = [Path(name)] if Path(name).exists() else _expand(str(name))
        files = [path for path in matches if path.is_file()]
        if not files:
            reason = "is a folder" if Path(name).is_dir() else "no file matches"
            # Names of a line file come here with its folder; only others count from this one.
            place = "" if Path(name).is_absolute() else f", relative to the folder {Path.cwd()}"
            raise RecordError(
                f"{reason}: {name}",
                remedy=f"Name files, or a pattern such as line/*.sgy{place}.",
            )
        for path in files:
            refuse_odd_name(path)
            found.setdefault(path.resolve(), path)
    return list(found.values())


def _expand(pattern: str) -> list[Path]:
    names = set(glob.glob(pattern, recursive=True))  # noqa: PTH207
    stem, extension = os.path.splitext(pattern)  # noqa: PTH122
    if extension and glob.has_magic(Path(pattern).name):
        names |= {
            name
            for name in glob.glob(f"{stem}.*", recursive=True)  # noqa: PTH207
            if fnmatchcase(Path(name).suffix.lower(), extension.lower())
        }
    return [Path(name) for name in sorted(names)]
