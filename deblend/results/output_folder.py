"""The folder of results: nothing is overwritten unasked, nothing half-written is left in it."""

from __future__ import annotations

import json
from pathlib import Path
from tempfile import TemporaryFile
from typing import Any, Final

from deblend.errors import OutputError, reason_of
from deblend.files import sync

DELIVERED: Final = "delivered"
FINDINGS: Final = "findings.csv"
SAMPLES: Final = "report-samples.npz"
PAGE: Final = "report.html"
FIRE_TIMES: Final = "fire-times.csv"
"""There only where fire times were refined."""
MAPS: Final = "quality-maps.npz"
MANIFEST: Final = "manifest.json"
UNFINISHED: Final = "unfinished"
INJECTION: Final = "injection.csv"
INJECTION_FINDINGS: Final = "injection-findings.csv"
"""Tables that `deblend inject` writes in a folder of its own."""
INJECTION_LINE: Final = "injection-line.txt"
"""Beside them: which line it was, see `line_identity`."""
RESULTS: Final = (DELIVERED, FINDINGS, MAPS, SAMPLES, PAGE, MANIFEST)
"""Names of the results, in the order in which they appear; the manifest last."""


def check_output_folder(
    folder: Path, line_file: Path, *, overwrite: bool, published: bool = False
) -> None:
    """Refuse a folder that holds anything but what may be replaced, or an unfinished run.

    Parameters
    ----------
    line_file : Path
        A subfolder that holds it (the demo keeps its line there) is no obstacle.
    published : bool, optional
        Whether the results are those of the unfinished run itself: it was stopped in its last step,
        the removal of its work.

    Raises
    ------
    OutputError
        If the folder is in the way of results or cannot be read.
    """
    try:
        entries = sorted(folder.iterdir()) if folder.exists() else []
    except OSError as error:
        raise OutputError(
            f"the output folder cannot be read ({reason_of(error)})",
            where=str(folder),
            remedy="Name a folder.",
        ) from error
    home = line_file.resolve().parent
    others = [
        entry for entry in entries if not (entry.is_dir() and home.is_relative_to(entry.resolve()))
    ]
    ours = (*RESULTS, FIRE_TIMES, UNFINISHED)
    foreign = [entry.name for entry in others if entry.name not in ours]
    results = [entry.name for entry in others if entry.name in RESULTS]
    # Results without a manifest beside an unfinished run are some that it was moving into place.
    halfway = published or ((folder / UNFINISHED).exists() and MANIFEST not in results)
    if foreign or (results and not overwrite and not halfway):
        names = foreign or results
        more = f" and {len(names) - 3} more" if len(names) > 3 else ""
        raise OutputError(
            f"the output folder is not empty: it holds {', '.join(names[:3])}{more}"
            f"{'' if foreign else _ended(folder)}",
            where=str(folder),
            remedy="Name another folder, or empty this one."
            if foreign
            else "Name another folder, or replace the earlier results with --overwrite.",
        )
    _check_writable(folder)


def _ended(folder: Path) -> str:
    """When the run ended whose results are there, so that one that was stopped is told from it."""
    ended_utc = manifest_value(folder, "ended_utc")
    return "" if ended_utc is None else f" of a run that ended at {ended_utc}"


def manifest_value(folder: Path, name: str) -> Any:
    """What the manifest in a folder says under a name; None where none can be read."""
    try:
        content = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return content.get(name) if isinstance(content, dict) else None


def _check_writable(folder: Path) -> None:
    """Try to write where the folder is or will be: permissions do not tell of every file system."""
    existing = next(part for part in (folder, *folder.parents) if part.exists())
    try:
        with TemporaryFile(dir=existing):
            pass
    except OSError as error:
        raise OutputError(
            f"the output folder cannot be written ({reason_of(error)})",
            where=str(folder),
            remedy=f"Check the permissions of {existing} and the space left there, or name "
            "another folder.",
        ) from error


def publish(work: Path, folder: Path) -> None:
    """Move finished results from folder `work` to their final names, the manifest last.

    Raises
    ------
    OutputError
        If a result cannot be moved.
    """
    earlier = work / "earlier"
    earlier.mkdir()
    # The earlier manifest goes first and the new one comes last: a folder with one is complete.
    moves = [(folder / name, earlier / name) for name in (*reversed(RESULTS), FIRE_TIMES)]
    moves = [(old, new) for old, new in moves if old.exists()]
    written = [FIRE_TIMES] if (work / FIRE_TIMES).exists() else []
    moves += [(work / name, folder / name) for name in (*written, *RESULTS)]
    done: list[tuple[Path, Path]] = []
    try:
        for old, new in moves:
            old.rename(new)
            done.append((old, new))
            sync(folder)  # a power cut must not leave the manifest without what it names
    except BaseException as error:
        for old, new in reversed(done):
            new.rename(old)
        if isinstance(error, OSError):
            raise OutputError(
                f"a result cannot be moved to its final name ({reason_of(error)})",
                where=str(folder),
                remedy="Check the permissions of the folder; nothing else should write to it.",
            ) from error
        raise
