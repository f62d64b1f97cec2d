"""Steps of a run, for whoever shows its progress."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

Stage = Literal[
    "make", "plan", "open", "stage", "prepare", "separate", "judge", "deliver", "compare", "report"
]
"""``"plan"`` is something to be read and kept in sight; the others are work."""


@dataclass(frozen=True)
class Step:
    """Where a run stands."""

    stage: Stage
    """What is being done."""
    done: float
    total: float
    """Work of this stage so far and in all, in any unit; total 0 where it cannot be told."""
    note: str = ""
    """A few words beside the bar."""
    worked: float = 0.0
    remaining: float = 0.0
    """Sample-iterations of this stage so far, also those that will be done again, and to come."""


Progress = Callable[[Step], None]


def silent(step: Step) -> None:
    """Show nothing."""
