"""Separation of one block of channels: all shots, all iterations, plain arrays in and out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.arrays import Array
from deblend.blending.operator import BlendingOperator
from deblend.errors import SeparationError
from deblend.separation.contract import Separator, last_method, method_at
from deblend.separation.leakage_return import return_leakage
from deblend.separation.loop import Callback, IterationRecord, Review, run_loop
from deblend.separation.noise import NoiseFloor
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
        Sees every iteration; returning True ends the loop. Iterations count from one again where
        outliers make a fresh start worth it.
    """
    samples, known = split_unknown(record, operator)
    del record  # a copy less, if the caller does not keep it
    live = live_traces(operator, block.source_count, len(samples))
    weights: RecordWeights | None = None

    def review(residual: Array) -> Review:
        nonlocal weights
        weights = find_outliers(
            samples, residual, known, operator, block.source_count, block.interval_s
        )
        # What the estimate took of many outliers would stay in it.
        return Review(weights.apply, restart=weights.removed_share > _MANY)

    observe, coherent, floor_of = _coherence_filter(method, operator, live, origin, block)
    done = run_loop(
        samples,
        known,
        operator,
        coherent,
        Schedule(block.settings.iterations, block.floor),
        callback,
        observe=observe,
        reviews=_reviews(block),
        review=review,
    )
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
    noise = floor_of(last_method(method))
    return SeparatedBlock(estimate, residual, samples, known, done.history, weights, noise)


def _reviews(block: Block) -> list[int]:
    """Iterations after which weights are decided."""
    count = block.settings.iterations
    if not block.settings.robust or count < _LEAST_ITERATIONS:
        return []
    return [round(part * count) for part in REVIEWS]


def _coherence_filter(
    method: Separator,
    operator: BlendingOperator,
    live: Array,
    origin: tuple[int, int, int],
    block: Block,
) -> tuple[
    Callable[[Array, int, float], None],
    Callable[[Array, int, float], Array],
    Callable[[Separator], NoiseFloor],
]:
    """`observe` and `coherent` of `run_loop`, and what both know of the noise, by method."""
    xp = operator.xp
    shape = (block.source_count, block.slot_count, live.shape[2], operator.length)
    floors: dict[int, NoiseFloor] = {}

    def floor_of(now: Separator) -> NoiseFloor:
        if id(now) not in floors:
            begin = (origin[0], origin[1] + margin(now, 1), origin[2])
            share = block.noise_share if now is last_method(method) else 1.0
            part = share if isinstance(share, float) else xp.asarray(share)
            floors[id(now)] = NoiseFloor(now, shape, xp, begin, part)
        return floors[id(now)]

    def observe(unexplained: Array, iteration: int, strictness: float) -> None:
        if iteration == 0:
            floors.clear()
        now, reference = method_at(method, strictness, block.reference)
        floor_of(now).observe(_by_source(unexplained, block.source_count), strictness * reference)

    def coherent(update: Array, iteration: int, strictness: float) -> Array:
        now, reference = method_at(method, strictness, block.reference)
        patches, noise = _by_source(update, block.source_count), floor_of(now)
        grid = _grid(patches, now, origin, block.settings.seed, iteration)
        kept = coherent_part(
            now, patches, live, grid, noise, block.interval_s, strictness, reference, xp
        )
        return kept.reshape(update.shape)

    return observe, coherent, floor_of


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
