"""Findings on lines that are smaller than the window of the method."""

from __future__ import annotations

from deblend.model.findings import Finding
from deblend.separation.contract import Separator

_AXES = (
    ("shots", "shots along the line"),
    ("channels", "channels"),
    ("samples", "samples of a gather trace"),
)


def shrunk_windows(method: Separator, counts: tuple[int, int, int], name: str) -> list[Finding]:
    """One finding for each axis of which the line has less than a window of the method.

    Parameters
    ----------
    method : Separator
        Gives the window.
    counts : tuple of int
        Shots along the line, channels and samples that there are.
    name : str
        What the method is called.
    """
    found = []
    for size, count, (unit, words) in zip(method.patch, counts, _AXES, strict=True):
        if count >= size:
            continue
        few = count < 0.5 * size and unit != "samples"
        found.append(
            Finding(
                f"window_{unit}_short",
                float(count),
                unit,
                "look" if few else "note",
                f"The window of method {name} takes {size} {words} and there are {count}: windows "
                f"shrink, and with fewer {unit} coherent events stand out less from interference.",
                limit=float(size),
            )
        )
    return found
