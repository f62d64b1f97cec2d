"""What a run tells about itself while it goes on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

Stage = Literal["make", "plan", "open", "stage", "prepare", "separate", "deliver", "report"]
"""``"plan"`` is something to be read and kept in sight; the others are work."""


@dataclass(frozen=True)
class Step:
    """Where a run stands.

    Parameters
    ----------
    stage : str
        What is being done.
    done, total : float
        Work of this stage so far and in all, in any unit; total 0 where it cannot be told.
    note : str, optional
        A few words beside the bar.
    worked, left : float, optional
        Sample-iterations of this stage so far, also those that will be done again, and to come.
    """

    stage: Stage
    done: float
    total: float
    note: str = ""
    worked: float = 0.0
    left: float = 0.0


Progress = Callable[[Step], None]


def silent(step: Step) -> None:
    """Tell nobody."""
