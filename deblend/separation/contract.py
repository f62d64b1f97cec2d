"""What a separator method is handed, and what it must answer: the contract of the loop."""

from __future__ import annotations

from dataclasses import dataclass
from types import ModuleType
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from deblend.arrays import Array

WindowKind = Literal["tapered", "flat"]


@dataclass(frozen=True, eq=False)
class PatchBatch:
    """What a separator sees: patches of all sources, and nothing about fire times."""

    amplitude: Array
    """float32, shape (patch, source, shot, channel, time): Tapered or flat, as the separator asks.
    """
    live: Array
    """bool, shape (patch, source, shot, channel): False where there is no trace."""
    noise: Array
    """float32, shape (patch, frequency): Rms magnitude of the ambient noise in a coefficient of the
    patch: of its transform over shots, channels and time, not normalised, halved along time. Zero
    while it is not known."""
    interval_s: float
    """Sample interval in seconds."""
    xp: ModuleType
    """Array namespace of the arrays."""


class NoiseMap(Protocol):
    """What is known of the noise in every place of a block."""

    def of_patches(self, slot: int, channel: NDArray[np.int64], time: NDArray[np.int64]) -> Array:
        """Noise of the patches that begin at a slot, some channels and some time samples.

        Of shape (channel * time, frequency).
        """
        ...


class Separator(Protocol):
    """A separator method: knows coherence, and neither fire times nor files nor iterations."""

    @property
    def patch(self) -> tuple[int, int, int]:
        """Window size in shots, channels and time samples."""
        ...

    @property
    def overlap(self) -> float:
        """Part of a window shared with the next, above 0 and at most 0.5."""
        ...

    @property
    def window(self) -> WindowKind:
        """``"tapered"`` or ``"flat"`` analysis windows."""
        ...

    def largest(self, batch: PatchBatch) -> float:
        """Largest coefficient of the batch, in the method's own units."""
        ...

    def keep(self, batch: PatchBatch, strictness: float, reference: float) -> Array:
        """Coherent part of the batch at a threshold of `strictness` times `reference`."""
        ...


def method_at(method: Separator, strictness: float, reference: float) -> tuple[Separator, float]:
    """Method that works at a strictness, and the reference amplitude in its units.

    A method made of several has ``for_strictness(strictness, reference)``, which gives both; any
    other one works always. References are in units of the method of the least strictness.
    """
    choose = getattr(method, "for_strictness", None)
    return (method, reference) if choose is None else choose(strictness, reference)


def methods_in_turn(method: Separator) -> tuple[Separator, ...]:
    """The methods that one is made of, which it gives as ``in_turn``; else itself alone."""
    in_turn: tuple[Separator, ...] = getattr(method, "in_turn", (method,))
    return in_turn


def last_method(method: Separator) -> Separator:
    """The method that a loop ends with."""
    return method_at(method, 0.0, 1.0)[0]
