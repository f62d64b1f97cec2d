"""Where the loop of a block stands, kept on the way: a kill costs minutes, not all iterations."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from types import ModuleType
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from deblend.arrays import Array, to_host
from deblend.separation.loop import LoopState
from deblend.separation.noise import NoiseState
from deblend.separation.weights import RecordWeights, Windows


@dataclass(frozen=True, eq=False)
class KeptWeights:
    """Weights of a record, on the host."""

    windows: Windows
    band: NDArray[np.float32]
    sample: NDArray[np.float32]
    root_fold: NDArray[np.float32]
    removed_share: float
    """As in `RecordWeights`."""

    @classmethod
    def of(cls, weights: RecordWeights) -> KeptWeights:
        """Those of a block."""
        return cls(
            weights.windows,
            weights.band,
            to_host(weights.sample),
            to_host(weights.root_fold),
            weights.removed_share,
        )

    def on(self, xp: ModuleType) -> RecordWeights:
        """Where a block is worked on."""
        return RecordWeights(
            windows=self.windows,
            band=self.band,
            sample=xp.asarray(self.sample),
            root_fold=xp.asarray(self.root_fold),
            xp=xp,
            removed_share=self.removed_share,
        )


@dataclass(frozen=True, eq=False)
class Checkpoint:
    """All that the next iteration of a block depends on, on the host."""

    loop: LoopState
    """Estimates, records and history."""
    weights: KeptWeights | None
    """As the last review decided them."""
    noise: tuple[NoiseState, ...]
    """Of each method that has worked so far, in that order."""


class Checkpoints(Protocol):
    """Where checkpoints of a block are kept."""

    def due(self, size_bytes: int) -> bool:
        """Whether it is time for one of this size."""
        ...

    def write(self, checkpoint: Checkpoint) -> None:
        """Keep one in place of the one before it."""
        ...

    def read(self) -> Checkpoint | None:
        """The last one; None where there is none."""
        ...


def loop_on_host(state: LoopState) -> LoopState:
    """A state with its arrays on the host, which are those of the loop where that works there."""
    return _moved(state, to_host)


def loop_on(state: LoopState, xp: ModuleType) -> LoopState:
    """A state with its arrays where a block is worked on."""
    return _moved(state, xp.asarray)


def _moved(state: LoopState, move: Callable[[Array], Array]) -> LoopState:
    return replace(
        state,
        estimate=move(state.estimate),
        before=move(state.before),
        blended=move(state.blended),
        blended_before=move(state.blended_before),
        history=list(state.history),
        for_review=None if state.for_review is None else move(state.for_review),
    )
