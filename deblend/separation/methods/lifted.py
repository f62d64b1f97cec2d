"""A bare function of one patch as a separator method."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from deblend.arrays import Array

if TYPE_CHECKING:
    from deblend.separation.contract import PatchBatch


@dataclass(frozen=True)
class LiftedFunction:
    """A function ``f(patch, threshold) -> kept`` called for one patch after the other."""

    function: Callable[[Array, float], Array]
    """Takes an array (source, shot, channel, time) and a threshold in amplitude units, which falls
    from the largest amplitude of the line towards zero; returns the coherent part in the same
    shape."""
    patch: tuple[int, int, int] = (24, 8, 32)
    """Window in shots, channels and time samples."""
    overlap: float = 0.25
    """Part of a window shared with the next one."""
    window: Literal["tapered", "flat"] = "tapered"
    """How the function wants the edges of its patches."""

    def largest(self, batch: PatchBatch) -> float:
        """Largest absolute amplitude."""
        return float(batch.xp.max(batch.xp.abs(batch.amplitude)))

    def keep(self, batch: PatchBatch, strictness: float, reference: float) -> Array:
        """What the function returns for each patch."""
        threshold = strictness * reference
        kept = [self.function(patch, threshold) for patch in batch.amplitude]
        return batch.xp.stack(kept)
