"""Rows of a navigation text file, and numbers in their columns with errors that say where."""

from __future__ import annotations

import codecs
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from deblend.errors import NavigationError

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


@dataclass(frozen=True, slots=True)
class TextRow:
    """One line of a file."""

    path: Path
    """The file."""
    number: int
    """Line number from 1."""
    text: str
    """Without its end."""

    def error(self, what: str, place: str = "", remedy: str = "") -> NavigationError:
        """An error that names file, line and place."""
        where = f"{self.path}, line {self.number}" + (f", {place}" if place else "")
        return NavigationError(what, where=where, remedy=remedy or "Correct that line of the file.")

    def columns(self, first: int, last: int) -> str:
        """Text of columns `first` to `last`, counted from 1, without blanks around it."""
        return self.text[first - 1 : last].strip()

    def number_at(self, first: int, last: int, name: str) -> float:
        """Number in some columns; NaN where they are blank."""
        return self.as_number(self.columns(first, last), _place(first, last, name))

    def integer_at(self, first: int, last: int, name: str) -> int:
        """Whole number in some columns, which must not be blank."""
        return self.as_integer(self.columns(first, last), _place(first, last, name))

    def as_number(self, text: str, place: str) -> float:
        """A number; NaN for an empty text."""
        if not text:
            return math.nan
        if _NUMBER.fullmatch(text) is None:
            raise self.error(f"{text!r} is not a number", place)
        value = float(text)
        if not math.isfinite(value):
            raise self.error(f"{text!r} is too large for a number", place)
        return value

    def as_integer(self, text: str, place: str) -> int:
        """A whole number, possibly written with decimals that are zero."""
        value = self.as_number(text, place)
        if not value.is_integer() or abs(value) > 1e9:
            raise self.error(f"{text!r} is not a whole number", place)
        return int(value)

    def second_of_day_at(self, first: int, name: str) -> float:
        """Seconds after midnight of six columns HHMMSS; NaN where they are blank."""
        text = self.text[first - 1 : first + 5]
        if not text.strip():
            return math.nan
        place = _place(first, first + 5, name)
        digits = text.replace(" ", "0")
        if not re.fullmatch(r"\d{6}", digits, re.ASCII):
            raise self.error(f"{text!r} is no time HHMMSS", place)
        hour, minute, second = int(digits[:2]), int(digits[2:4]), int(digits[4:])
        if hour > 23 or minute > 59 or second > 60:
            raise self.error(f"{text!r} is no time HHMMSS", place)
        return float(hour * 3600 + minute * 60 + second)


def read_text_rows(path: Path) -> Iterator[TextRow]:
    """Lines of a file that are not blank.

    One byte is one column whatever the file's alphabet; no number accepts a letter beyond ASCII.

    Raises
    ------
    NavigationError
        If the file cannot be read or holds no line.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise NavigationError(
            f"the navigation file cannot be read ({error.strerror or error})",
            where=str(path),
            remedy="Check the path and its permissions.",
        ) from error
    if not data.strip():
        raise NavigationError(
            "the navigation file is empty", where=str(path), remedy="Give the complete file."
        )
    lines = (
        data.removeprefix(codecs.BOM_UTF8)
        .decode("latin-1")
        .replace("\r\n", "\n")
        .replace("\r", "\n")
        .split("\n")
    )
    for number, text in enumerate(lines, start=1):
        if text.strip("\x1a \t"):
            yield TextRow(path, number, text)


def _place(first: int, last: int, name: str) -> str:
    return f"columns {first}-{last} ({name})"


def fixed_row(row: TextRow, width: int = 80) -> TextRow:
    """The row filled up to `width` columns.

    Raises
    ------
    NavigationError
        If it is longer: columns would have moved.
    """
    text = row.text.rstrip()
    if len(text) > width:
        raise row.error(
            f"the line has {len(text)} columns and the format {width}",
            remedy="Tabs and joined lines move the columns; write the file anew.",
        )
    return TextRow(row.path, row.number, text.ljust(width))
