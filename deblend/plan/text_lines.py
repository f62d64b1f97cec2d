"""Lines and numbers of text files of planning."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Final

from deblend.errors import SettingsError, reason_of

MOST_BYTES: Final = 50_000_000


def read_text_lines(path: Path, called: str, remedy: str) -> list[str]:
    """Lines of a text file in UTF-8, without a byte order mark.

    For messages `called` says what it is, as "table of delays", and `remedy` what to give instead.
    """
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise SettingsError(
                f"the {called} has {size} bytes",
                where=str(path),
                remedy=f"At most {MOST_BYTES} bytes are read; is it the right file?",
            )
        return path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"the {called} cannot be read ({reason_of(error)})", where=str(path), remedy=remedy
        ) from error


def number_of(text: str, where: str) -> float:
    """A finite number."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise SettingsError(
            f"{text.strip()!r} is no number", where=where, remedy="Write it with a decimal point."
        )
    return value
