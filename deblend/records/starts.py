"""Starts known to the whole second only: what the caller has to say before they are used."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Protocol

from deblend.errors import TimeError
from deblend.model.timebase import NS_PER_S, format_instant


class Start(Protocol):
    """A file or record with the instant of its first sample."""

    @property
    def path(self) -> Path:
        """The file."""
        ...

    @property
    def start_ns(self) -> int:
        """Instant of sample 0, in nanoseconds since 1970."""
        ...

    @property
    def start_to_ns(self) -> bool:
        """Whether the file gives the start finer than the whole second."""
        ...


def check_start_options(start_is_exact: bool, start_offset_s: float | None) -> None:
    """Refuse options that contradict each other."""
    if start_is_exact and start_offset_s is not None:
        raise TimeError(
            f"the starts are said to be exact and {start_offset_s} s is to be added to them",
            remedy="Give start_is_exact or start_offset_s, not both.",
        )
    if start_offset_s is not None and not math.isfinite(start_offset_s):
        raise TimeError(
            f"a start offset of {start_offset_s} s cannot be used", remedy="Give a finite number."
        )


def exact_start_ns(
    file: Start, start_is_exact: bool, start_offset_s: float | None, missing: str
) -> int:
    """Start instant of a file, with what the caller says about its fraction of a second.

    `missing` is what the file would need to give the start finer, for the error text.
    """
    if file.start_to_ns:
        if start_offset_s is not None:
            raise TimeError(
                f"{start_offset_s} s is to be added to a start that the file gives finer than "
                "the second",
                where=str(file.path),
                remedy="Leave start_offset_s out; it is for starts known to the second only.",
            )
        return file.start_ns
    if start_offset_s is not None:
        return file.start_ns + round(start_offset_s * NS_PER_S)
    if start_is_exact:
        return file.start_ns
    raise TimeError(
        "the start of the record is known to the whole second only "
        f"({format_instant(file.start_ns, 'gps', 0)}; {missing})",
        where=str(file.path),
        remedy="Say start_is_exact=True if recording started exactly then, or give the seconds to "
        "add as start_offset_s.",
    )
