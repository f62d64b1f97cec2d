"""Counts in messages and pages: one of a thing, several things."""

from __future__ import annotations


def counted(count: int, thing: str, things: str = "") -> str:
    """A count with its noun: ``1 channel``, ``0 channels``, ``12 channels``.

    Parameters
    ----------
    count : int
        How many.
    thing : str
        What one is called.
    things : str, optional
        What several are called; `thing` with an s if left out.
    """
    return f"{count} {thing if count == 1 else things or thing + 's'}"


def are(count: int) -> str:
    """The verb that goes with a count: ``is`` or ``are``."""
    return "is" if count == 1 else "are"
