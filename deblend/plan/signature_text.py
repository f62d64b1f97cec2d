"""Far-field signatures as text: header lines, then one sample a line."""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError
from deblend.plan.text_lines import read_text_lines
from deblend.words import counted

HEADER: Final = ("interval_ms", "unit", "range_m", "ghost", "filter", "depth_m", "positive_is")


@dataclass(frozen=True, eq=False)
class SignatureText:
    """A text file as read."""

    header: dict[str, str]
    """What its header lines say."""
    samples: NDArray[np.float64]
    """(time,): In the unit of the header."""


def read_signature_text(path: Path) -> SignatureText:
    """Read a signature from a text file.

    Header lines are ``# name: value`` with the names interval_ms, unit, range_m, ghost, filter,
    depth_m and positive_is; other comments begin with ##. Every other line holds one sample.

    Raises
    ------
    InputError
        If it cannot be read, a header line is not known, or a sample is no finite number.
    """
    header: dict[str, str] = {}
    samples: list[float] = []
    remedy = "Give a text file in UTF-8, or SEG-Y with the ending .sgy or .segy."
    for number, line in enumerate(read_text_lines(path, "signature", remedy), start=1):
        text, where = line.strip(), f"{path}, line {number}"
        if not text or text.startswith("##"):
            continue
        if text.startswith("#"):
            name, value = _header_line(text, where)
            header[name] = value
        else:
            samples.append(number_of(text, where))
    if len(samples) < 16:
        raise InputError(
            f"the signature has {counted(len(samples), 'sample')}",
            where=str(path),
            remedy="Give one sample a line, at least 16.",
        )
    return SignatureText(header, np.array(samples))


def _header_line(text: str, where: str) -> tuple[str, str]:
    name, colon, value = text.lstrip("# ").partition(":")
    name = name.strip()
    if not colon or name not in HEADER:
        near = difflib.get_close_matches(name, HEADER, n=1)
        raise InputError(
            f"header line {text!r} is not known",
            where=where,
            remedy=f"Did you mean {near[0]!r}?"
            if near
            else f"Write # name: value with {', '.join(HEADER)}; begin other comments with ##.",
        )
    return name, value.strip()


def number_of(text: str, where: str) -> float:
    """A finite number.

    Raises
    ------
    InputError
        If the text is none.
    """
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(
            f"{text!r} is no number", where=where, remedy="Write it with a decimal point."
        )
    return value
