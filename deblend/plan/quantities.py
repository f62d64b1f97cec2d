"""A number with its unit, its formula and where the formula comes from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

HANDBOOK: Final = "D. Dondurur, Acquisition and Processing of Marine Seismic Data, Elsevier 2018"
LAYOUT: Final = "a published three-source layout of 12 x 112.5 m streamers"
PRACTICE: Final = "common practice, no source"
DERIVED: Final = "derived"
GIVEN: Final = "as given"


@dataclass(frozen=True)
class Quantity:
    """One row of the table of a plan."""

    group: str
    """Heading under which it stands."""
    name: str
    """What it is."""
    value: float | str
    """The number, or words."""
    unit: str
    """Of the number."""
    formula: str
    """How it was computed, in the names of the plan file."""
    source: str
    """Where the formula comes from."""
