"""Separation of one block of channels: all shots, all iterations, plain arrays in and out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.arrays import Array
from deblend.blending.operator import BlendingOperator
from deblend.errors import SeparationError
from deblend.separation.checkpoint import (
    Checkpoint,
    Checkpoints,
    KeptWeights,
    loop_on,
    loop_on_host,
)
from deblend.separation.contract import Separator, last_method, method_at
from deblend.separation.leakage_return import return_leakage
from deblend.separation.loop import Callback, IterationRecord, LoopState, Review, run_loop
from deblend.separation.noise import NoiseFloor, NoiseState
from deblend.separation.outliers import find_outliers
from deblend.separation.patch_grid import (
    NOT_CUT,
    CutEnds,
    PatchGrid,
    margin,
    patch_grid,
    windows_of_line,
)
from deblend.separation.patches import coherent_part, largest_coefficient
from deblend.separation.schedule import FLOOR, Schedule
from deblend.separation.settings import SeparationSettings
from deblend.separation.weights import RecordWeights

REVIEWS: Final = (1 / 3, 2 / 3)
"""Parts of the iterations after which weights are decided: strong arrivals are explained then."""
MOST_PASSES: Final = 1 + sum(REVIEWS)
"""Iterations over those of the schedule where every review ends in a fresh start."""
_LEAST_ITERATIONS: Final = 6
_MANY: Final = 0.15
"""Part of the residual energy that outliers must hold for a fresh start to be worth it."""


@dataclass(frozen=True, eq=False)
class Block:
    """What `separate_block` needs besides the record, operator, method and origin."""

    source_count: int
    slot_count: int
    """The operator's shots are sources times slots, source after source."""
    interval_s: float
    """Sample interval in seconds."""
    reference: float
    """Largest coefficient of the whole line, in the method's units."""
    settings: SeparationSettings
    """Of the line."""
    floor: float = FLOOR
    """Last threshold over the reference."""
    noise_share: NDArray[np.float32] | float = 1.0
    """(time place, frequency), or one for all: As learned for the line, see `learned_floor`."""


@dataclass(frozen=True, eq=False)
class SeparatedBlock:
    """What comes out of a block."""

    estimate: Array
    """float32, shape (shot, channel, time): In slot order."""
    residual: Array
    """float32, shape (channel, time): What the estimate does not explain; zero on unknown samples.
    """
    samples: Array
    known: Array
    """float32, shape (channel, time): The record with zeros for unknown samples; 1 where samples
    are known, 0 elsewhere."""
    history: tuple[IterationRecord, ...]
    """What each iteration did, since the last fresh start."""
    weights: RecordWeights | None
    """What was fitted less than the rest; None where that was not asked for."""
    noise: NoiseFloor | None = None
    """Levels of the noise, in places of the method that the loop ended with."""


def separate_block(
    record: Array,
    operator: BlendingOperator,
    method: Separator,
    origin: tuple[int, int, int],
    *,
    block: Block,
    callback: Callback | None = None,
    checkpoints: Checkpoints | None = None,
) -> SeparatedBlock:
    """Separate some channels of a line.

    Parameters
    ----------
    record : array of float32, shape (channel, time)
        NaN and Inf mark unknown samples. Of the operator's namespace.
    origin : tuple of int
        Slot, channel and sample of the line at which the block begins.
    block : Block
        Everything else that is the same for all blocks of a line.
    callback : callable, optional
        Sees every iteration, and first the one of the checkpoint that the loop goes on from;
        returning True ends the loop. Iterations count from one again where outliers make a fresh
        start worth it.
    checkpoints : Checkpoints, optional
        Where the loop goes on from, and where it keeps how far it is; the result is the same, bit
        for bit.
    """
    samples, known = split_unknown(record, operator)
    del record  # a copy less, if the caller does not keep it
    live = live_traces(operator, block.source_count, len(samples))
    filters = _CoherenceFilter(method, operator, live, origin, block)
    begin, weights = _last_checkpoint(checkpoints, filters, operator, callback)

    def review(residual: Array) -> Review:
        nonlocal weights
        weights = find_outliers(
            samples, residual, known, operator, block.source_count, block.interval_s
        )
        # What the estimate took of many outliers would stay in it.
        return Review(weights.apply, restart=weights.removed_share > _MANY)

    def keep(state: LoopState) -> None:
        size_bytes = 2 * (state.estimate.nbytes + state.blended.nbytes)
        if checkpoints is not None and checkpoints.due(size_bytes):
            lowered = None if weights is None else KeptWeights.of(weights)
            checkpoints.write(Checkpoint(loop_on_host(state), lowered, filters.noise()))

    done = run_loop(
        samples,
        known,
        operator,
        filters.coherent,
        Schedule(block.settings.iterations, block.floor),
        callback,
        observe=filters.observe,
        reviews=_reviews(block),
        review=review,
        begin=begin,
        weigh=None if weights is None else weights.apply,
        keep=keep,
    )
    del begin  # it holds the gathers of the iteration before the last
    estimate, residual = done.estimate, done.residual
    if block.settings.return_leakage:
        estimate = return_leakage(
            estimate, residual, operator, block.source_count, block.interval_s
        )
        residual = (samples - operator.blend(estimate)) * known
    if block.settings.residual != "leave_out":
        share = block.settings.residual == "share_by_fold"
        back = operator.pseudo_inverse(residual) if share else operator.pseudo_deblend(residual)
        estimate = estimate + back
        residual = (samples - operator.blend(estimate)) * known
    noise = filters.floor_of(last_method(method))
    return SeparatedBlock(estimate, residual, samples, known, done.history, weights, noise)


def _last_checkpoint(
    checkpoints: Checkpoints | None,
    filters: _CoherenceFilter,
    operator: BlendingOperator,
    callback: Callback | None,
) -> tuple[LoopState | None, RecordWeights | None]:
    """Where the loop goes on, and its weights; what is known of the noise goes to `filters`."""
    kept = None if checkpoints is None else checkpoints.read()
    if kept is None:
        return None, None
    filters.go_on_from(kept.noise, kept.loop.history)
    if callback is not None and kept.loop.history:
        callback(kept.loop.history[-1])
    weights = None if kept.weights is None else kept.weights.on(operator.xp)
    return loop_on(kept.loop, operator.xp), weights


def _reviews(block: Block) -> list[int]:
    """Iterations after which weights are decided."""
    count = block.settings.iterations
    if not block.settings.robust or count < _LEAST_ITERATIONS:
        return []
    return [round(part * count) for part in REVIEWS]


class _CoherenceFilter:
    """`observe` and `coherent` of `run_loop`, and what both know of the noise, by method."""

    def __init__(
        self,
        method: Separator,
        operator: BlendingOperator,
        live: Array,
        origin: tuple[int, int, int],
        block: Block,
    ) -> None:
        self._method, self._live, self._origin, self._block = method, live, origin, block
        self._xp = operator.xp
        self._shape = (block.source_count, block.slot_count, live.shape[2], operator.length)
        self._floors: dict[int, NoiseFloor] = {}

    def floor_of(self, now: Separator) -> NoiseFloor:
        """The noise in places of a method."""
        if id(now) not in self._floors:
            origin = self._origin
            begin = (origin[0], origin[1] + margin(now, 1), origin[2])
            share = self._block.noise_share if now is last_method(self._method) else 1.0
            part = share if isinstance(share, float) else self._xp.asarray(share)
            self._floors[id(now)] = NoiseFloor(now, self._shape, self._xp, begin, part)
        return self._floors[id(now)]

    def observe(self, unexplained: Array, iteration: int, strictness: float) -> None:
        if iteration == 0:
            self._floors.clear()
        now, reference = method_at(self._method, strictness, self._block.reference)
        by_source = _by_source(unexplained, self._block.source_count)
        self.floor_of(now).observe(by_source, strictness * reference)

    def coherent(self, update: Array, iteration: int, strictness: float) -> Array:
        block, xp = self._block, self._xp
        now, reference = method_at(self._method, strictness, block.reference)
        patches, noise = _by_source(update, block.source_count), self.floor_of(now)
        grid = _grid(patches, now, self._origin, block.settings.seed, iteration)
        kept = coherent_part(
            now, patches, self._live, grid, noise, block.interval_s, strictness, reference, xp
        )
        return kept.reshape(update.shape)

    def noise(self) -> tuple[NoiseState, ...]:
        """What is known of the noise, in the order in which methods came to work."""
        return tuple(floor.state() for floor in self._floors.values())

    def go_on_from(self, noise: Sequence[NoiseState], history: Sequence[IterationRecord]) -> None:
        """Take over what was known of the noise after some iterations."""
        for record in history:  # makes the floors in the order of then
            self.floor_of(method_at(self._method, record.strictness, self._block.reference)[0])
        for floor, state in zip(self._floors.values(), noise, strict=True):
            floor.go_on_from(state)


def block_reference(
    record: Array,
    operator: BlendingOperator,
    method: Separator,
    origin: tuple[int, int, int],
    *,
    source_count: int,
    interval_s: float,
    seed: int,
    cut_ends: CutEnds = NOT_CUT,
) -> float:
    """Largest coefficient of the first back-projection of a block, in the method's units.

    Windows that only this block has, because it is cut there (`cut_ends`), do not count.
    """
    samples, _ = split_unknown(record, operator)
    method = last_method(method)
    patches = _by_source(operator.pseudo_inverse(samples), source_count)
    grid = windows_of_line(_grid(patches, method, origin, seed, 0), patches.shape[1:], cut_ends)
    live = live_traces(operator, source_count, record.shape[0])
    noise = NoiseFloor(method, patches.shape, operator.xp)
    largest = largest_coefficient(method, patches, live, grid, noise, interval_s, operator.xp)
    if not (np.isfinite(largest) and largest >= 0):
        raise SeparationError(
            f"the separator method gives {largest} as its largest coefficient",
            remedy="`largest` must return a finite number, zero or above.",
        )
    return largest


def split_unknown(record: Array, operator: BlendingOperator) -> tuple[Array, Array]:
    """Record with zeros for unknown samples, and 1 where samples are known, 0 elsewhere."""
    xp = operator.xp
    known = xp.isfinite(record)
    samples = xp.where(known, record, operator.dtype.type(0)).astype(operator.dtype)
    return samples, known.astype(operator.dtype)


def live_traces(operator: BlendingOperator, source_count: int, channel_count: int) -> Array:
    """Traces that exist, shape (source, slot, channel)."""
    live = operator.live.reshape(source_count, -1, 1)
    return operator.xp.asarray(np.repeat(live, channel_count, axis=2))


def _by_source(gathers: Array, source_count: int) -> Array:
    return gathers.reshape(source_count, -1, *gathers.shape[1:])


def _grid(
    patches: Array, method: Separator, origin: tuple[int, int, int], seed: int, iteration: int
) -> PatchGrid:
    return patch_grid(patches.shape[1:], method, origin, seed=seed, iteration=iteration)
