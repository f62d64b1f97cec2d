"""The folder of results: nothing is overwritten unasked, nothing half-written is left in it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from deblend.errors import OutputError

DELIVERED: Final = "delivered"
FINDINGS: Final = "findings.csv"
SAMPLES: Final = "report-samples.npz"
PAGE: Final = "report.html"
MAPS: Final = "quality-maps.npz"
MANIFEST: Final = "manifest.json"
UNFINISHED: Final = "unfinished"
RESULTS: Final = (DELIVERED, FINDINGS, MAPS, SAMPLES, PAGE, MANIFEST)
"""Names of the results, in the order in which they appear; the manifest last."""


def check_output_folder(folder: Path, line_file: Path, *, overwrite: bool) -> None:
    """Refuse a folder that holds anything but what may be replaced.

    Parameters
    ----------
    folder : Path
        Where results shall go; need not exist.
    line_file : Path
        A subfolder that holds it (the demo keeps its line there) is no obstacle.
    overwrite : bool
        Whether results of an earlier run may be replaced.

    Raises
    ------
    OutputError
        If the folder is in the way of results or cannot be read.
    """
    try:
        entries = sorted(folder.iterdir()) if folder.exists() else []
    except OSError as error:
        raise OutputError(
            f"the output folder cannot be read ({error.strerror})",
            where=str(folder),
            remedy="Name a folder.",
        ) from error
    home = line_file.resolve().parent
    others = [
        entry for entry in entries if not (entry.is_dir() and home.is_relative_to(entry.resolve()))
    ]
    foreign = [entry.name for entry in others if entry.name not in (*RESULTS, UNFINISHED)]
    if foreign or (others and not overwrite):
        names = foreign or [entry.name for entry in others]
        more = f" and {len(names) - 3} more" if len(names) > 3 else ""
        raise OutputError(
            f"the output folder is not empty: it holds {', '.join(names[:3])}{more}",
            where=str(folder),
            remedy="Name another folder, or empty this one."
            if foreign
            else "Name another folder, or replace the earlier results with --overwrite.",
        )


@contextmanager
def unfinished(folder: Path) -> Iterator[Path]:
    """A work folder inside the output folder; gone afterwards, whatever happens.

    Raises
    ------
    OutputError
        If it cannot be made.
    """
    missing = _missing_part(folder)
    work = folder / UNFINISHED
    try:
        shutil.rmtree(work, ignore_errors=True)
        work.mkdir(parents=True)
    except OSError as error:
        raise OutputError(
            f"the output folder cannot be made ({error.strerror})",
            where=str(folder),
            remedy="Name a folder that can be written.",
        ) from error
    try:
        yield work
    finally:
        shutil.rmtree(work, ignore_errors=True)
        if missing is not None:
            _remove_if_empty(folder, missing)


def publish(work: Path, folder: Path) -> None:
    """Move finished results from the work folder to their final names, the manifest last.

    Raises
    ------
    OutputError
        If a result cannot be moved.
    """
    earlier = work / "earlier"
    earlier.mkdir()
    # The earlier manifest goes first and the new one comes last: a folder with one is complete.
    moves = [(folder / name, earlier / name) for name in reversed(RESULTS)]
    moves = [(old, new) for old, new in moves if old.exists()]
    moves += [(work / name, folder / name) for name in RESULTS]
    done: list[tuple[Path, Path]] = []
    try:
        for old, new in moves:
            old.rename(new)
            done.append((old, new))
    except BaseException as error:
        for old, new in reversed(done):
            new.rename(old)
        if isinstance(error, OSError):
            raise OutputError(
                f"a result cannot be moved to its final name ({error.strerror})",
                where=str(folder),
                remedy="Check the permissions of the folder; nothing else should write to it.",
            ) from error
        raise


def _missing_part(folder: Path) -> Path | None:
    """The outermost folder on the way to `folder` that does not exist yet."""
    missing = None
    for part in (folder, *folder.parents):
        if part.exists():
            break
        missing = part
    return missing


def _remove_if_empty(folder: Path, last: Path) -> None:
    """Remove empty folders from `folder` up to and including `last`."""
    for part in (folder, *folder.parents):
        try:
            part.rmdir()
        except OSError:
            return
        if part == last:
            return
