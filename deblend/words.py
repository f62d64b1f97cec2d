"""Words of messages and pages: counts, and the name that was meant."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def counted(count: int, thing: str, things: str = "") -> str:
    """A count with its noun: ``1 channel``, ``0 channels``, ``12 channels``.

    `things` is what several are called; `thing` with an s if left out.
    """
    return f"{count} {thing if count == 1 else things or thing + 's'}"


def are(count: int) -> str:
    """The verb that goes with a count: ``is`` or ``are``."""
    return "is" if count == 1 else "are"


def did_you_mean(name: str, known: Iterable[str], otherwise: str = "") -> str:
    """A question about the known name closest to an unknown one; `otherwise` if none is close."""
    near = difflib.get_close_matches(name, list(known), n=1)
    return f"Did you mean {near[0]!r}?" if near else otherwise
