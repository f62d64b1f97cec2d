"""Open a navigation file, whatever its format."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from deblend.errors import NavigationError
from deblend.model.shots import Shots
from deblend.records.navigation.p111 import read_p111, read_p111_shots
from deblend.records.navigation.p190 import read_p190
from deblend.records.navigation.positions import Positions
from deblend.records.navigation.sps import read_sps
from deblend.records.navigation.text_rows import TextRow, read_text_rows

_SPS_POINT_COLUMNS: Final = slice(1, 21)


def read_positions(path: str | Path, *more: str | Path) -> Positions:
    """Read positions from P1/11, P1/90 or SPS revision 2.1, told apart by their content.

    `more` are files of SPS with its receiver and relation records.

    Raises
    ------
    NavigationError
        If the file is of none of the formats, or breaks its own.
    """
    path = Path(path)
    first, first_line = None, None
    for row in read_text_rows(path):
        first = first or row
        if row.text[0] != "H" or row.text.startswith("HC,"):
            first_line = row
            break
    if first is not None and first.text.startswith(("OGP,", "IOGP,")):
        return _alone(read_p111(path), more)
    if first_line is not None and _is_sps(first_line):
        return read_sps(path, *more)
    if (
        first_line is not None
        and first_line.text[0] in "SVTACQGREZ"
        and "," not in first_line.text[:20]
    ):
        return _alone(read_p190(path), more)
    raise NavigationError(
        f"the format is not known; the file begins with {first.text[:30] if first else ''!r}",
        where=str(path),
        remedy="P1/11, P1/90 and SPS revision 2.1 are read.",
    )


def read_navigation_shots(
    path: str | Path, *, time_scale: str, source_names: Mapping[str, str] | None = None
) -> Shots:
    """Fire times from a P1/11 file, in the scale of the records.

    Parameters
    ----------
    source_names : mapping of str to str, optional
        Source for each name of the file; whole numbers become numbers. By default the names stay.

    Raises
    ------
    NavigationError
        If the file is no P1/11 (P1/90 and SPS give the time of a shot to the whole second, which
        is no fire time), as `read_p111_shots`, or a name is missing from `source_names`.
    """
    path = Path(path)
    first = next(iter(read_text_rows(path)), None)
    if first is None or not first.text.startswith(("OGP,", "IOGP,")):
        raise NavigationError(
            "the file is no P1/11, and other formats give the time of a shot to the whole second",
            where=str(path),
            remedy="Whole seconds are no fire times: take those from P1/11, from the source "
            "controller, or from source events of SEG-D; use this file for positions.",
        )
    shots = read_p111_shots(path, time_scale=time_scale)
    if not source_names:
        return shots
    missing = [name for name in shots.sources if name not in source_names]
    if missing:
        raise NavigationError(
            f"source {missing[0]!r} of the file is not among the names given "
            f"({', '.join(source_names)})",
            where=str(path),
            remedy="Name the source for each name of the file in source_names.",
        )
    names = [source_names[str(name)] for name in shots.source]
    numbers = all(name.isdecimal() for name in names)
    source = np.array([int(name) for name in names] if numbers else names)
    return replace(shots, source=source)


def _is_sps(row: TextRow) -> bool:
    """Whether line and point are written with decimals, as SPS 2.1 does and P1/90 does not."""
    numbers = row.text[_SPS_POINT_COLUMNS]
    line, point = numbers[:10].strip(), numbers[10:].strip()
    return row.text[0] in "SRX" and all(
        "." in text and text.replace(".", "", 1).isdecimal() for text in (line, point)
    )


def _alone(positions: Positions, more: tuple[str | Path, ...]) -> Positions:
    if more:
        raise NavigationError(
            f"{positions.format_name} takes one file, and {1 + len(more)} were given",
            where=str(positions.path),
            remedy="Give one file; only SPS comes in several.",
        )
    return positions
