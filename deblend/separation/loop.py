"""The loop: the only place where fire times and coherence meet."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from types import ModuleType
from typing import Any, Final

import numpy as np

from deblend.arrays import Array, in_parts, is_host
from deblend.blending.operator import BlendingOperator
from deblend.card import blocks_of, kernel, launch, on_card
from deblend.errors import SeparationError
from deblend.separation.schedule import Schedule


@dataclass(frozen=True)
class IterationRecord:
    """What one iteration did."""

    iteration: int
    """From 1."""
    strictness: float
    """Threshold over the reference amplitude."""
    residual_energy: float
    """Sum of squares of what the estimate before this iteration does not explain of the record;
    known samples only."""
    record_energy: float
    """Sum of squares of the record; known samples only."""
    review_follows: bool = False
    """Whether the residual is reviewed now, which takes as long as some iterations; said to the
    callback only."""

    @property
    def residual_db(self) -> float:
        """Rms of the unexplained part over the rms of the record, in dB."""
        if self.record_energy <= 0:
            return -np.inf
        return float(10 * np.log10(max(self.residual_energy / self.record_energy, 1e-30)))


def merge_histories(
    histories: list[tuple[IterationRecord, ...]],
) -> tuple[IterationRecord, ...]:
    """One history of several blocks: energies added, up to the last iteration that all ran."""
    return tuple(
        IterationRecord(
            rows[0].iteration,
            rows[0].strictness,
            sum(row.residual_energy for row in rows),
            sum(row.record_energy for row in rows),
        )
        for rows in zip(*histories, strict=False)
    )


REVIEWED: Final = 6
"""Iterations whose mean a review sees: what a single one leaves fluctuates, and tips decisions."""

Callback = Callable[[IterationRecord], bool | None]
"""Called after each iteration; returning True stops the loop."""


@dataclass(frozen=True, eq=False)
class Review:
    """What is decided of the residual on the way."""

    weigh: Callable[[Array], Array]
    """W on known samples from here on: ``weigh(residual)`` in the shape of `residual`."""
    restart: bool
    """Whether all iterations begin again with these weights."""


@dataclass(eq=False)
class LoopState:
    """Where a loop stands; it changes in place, because gathers of the past would fill memory."""

    estimate: Array
    before: Array
    """float32, shape (shot, channel, time): Of the last iteration and of the one before it, from
    which the next one extrapolates."""
    blended: Array
    blended_before: Array
    """float32, shape (channel, time): The records that they add up to."""
    history: list[IterationRecord] = field(default_factory=list)
    """What each iteration did."""
    reviewed: int = 0
    """How many reviews there were, those before a fresh start included."""
    for_review: Array | None = None
    """float32, shape (channel, time): Sum of the records of the latest iterations, of which the
    next review sees the mean; None where it is far."""
    summed: int = 0
    """How many these are."""

    def begin_anew(self, xp: ModuleType) -> None:
        """Forget all but the reviews; in place, so that nobody holds the gathers of before."""
        self.before = self.estimate = xp.zeros_like(self.estimate)
        self.blended_before = self.blended = xp.zeros_like(self.blended)
        self.history.clear()

    def add_for_review(self) -> None:
        """Let the next review see this iteration."""
        if self.for_review is None:
            self.for_review = self.blended.copy()
        else:
            self.for_review += self.blended
        self.summed += 1

    def take_for_review(self) -> Array:
        """The mean that a review sees; the next one begins anew."""
        assert self.for_review is not None  # one was added just before
        mean = self.for_review / self.for_review.dtype.type(self.summed)
        self.for_review, self.summed = None, 0
        self.reviewed += 1
        return mean


@dataclass(frozen=True, eq=False)
class LoopResult:
    """What comes out of a loop."""

    estimate: Array
    """float32, shape (shot, channel, time): Of the last iteration."""
    residual: Array
    """float32, shape (channel, time): Record minus blended estimate; zero on unknown samples."""
    history: tuple[IterationRecord, ...]
    """What each iteration did, since the last fresh start."""


def first_state(record: Array, operator: BlendingOperator) -> LoopState:
    """Nothing explained yet."""
    shape = (len(operator.first_sample), record.shape[0], operator.length)
    nothing = operator.xp.zeros(shape, dtype=record.dtype)
    silence = operator.xp.zeros_like(record)
    return LoopState(nothing, nothing, silence, silence)


def run_loop(
    record: Array,
    known: Array,
    operator: BlendingOperator,
    coherent: Callable[[Array, int, float], Array],
    schedule: Schedule,
    callback: Callback | None = None,
    *,
    observe: Callable[[Array, int, float], None] | None = None,
    reviews: Sequence[int] = (),
    review: Callable[[Array], Review] | None = None,
    begin: LoopState | None = None,
    weigh: Callable[[Array], Array] | None = None,
    keep: Callable[[LoopState], None] | None = None,
) -> LoopResult:
    r"""Separate by projected back-projection of the residual.

    .. math:: x \leftarrow S_\tau[\, y + \omega \Gamma^T N^{-1} W (d - \Gamma y) \,]

    with y = x + momentum * (last change), W zero on unknown samples.

    Parameters
    ----------
    record : array of float32, shape (channel, time)
        Finite; whatever unknown samples hold is ignored.
    known : array of float32, shape (channel, time)
        1 on known samples, 0 on unknown ones.
    coherent : callable
        ``coherent(update, iteration, strictness)`` gives the coherent part of gathers (shot,
        channel, time). Iterations count from 0, and again from 0 after a fresh start.
    schedule : Schedule
        Iterations, thresholds, step and momentum.
    callback : callable, optional
        Sees every `IterationRecord`; returning True ends the loop.
    observe : callable, optional
        ``observe(unexplained, iteration, strictness)`` sees the back-projected residual before
        `coherent` is called.
    reviews : sequence of int, optional
        Numbers of iterations after which there is a review, increasing; one review each.
    review : callable, optional
        ``review(residual)`` decides the weights; the residual is the mean of up to `REVIEWED`
        iterations.
    begin : LoopState, optional
        Where the loop goes on, as `keep` has seen it, with the weights of then in `weigh`.
    keep : callable, optional
        ``keep(state)`` sees where the loop stands after every iteration but the last.
    """
    xp = operator.xp
    energy = _energy(record * known, xp)
    state = first_state(record, operator) if begin is None else begin
    strictness = schedule.strictness().tolist()
    upcoming = () if review is None else tuple(reviews)
    while len(state.history) < len(strictness):
        step = schedule.step, schedule.momentum, strictness[len(state.history)]
        _iterate(state, record, known, operator, coherent, observe, step, energy, weigh)
        iteration = state.history[-1]
        waiting = upcoming[state.reviewed : state.reviewed + 1]
        now = iteration.iteration in waiting
        if callback is not None and callback(replace(iteration, review_follows=now)):
            break
        if waiting and waiting[0] - iteration.iteration < REVIEWED:
            state.add_for_review()
        if review is not None and now:
            found = review(_unexplained(state.take_for_review(), record, known, xp))
            weigh = found.weigh
            if found.restart:
                state.begin_anew(xp)
        if keep is not None and len(state.history) < len(strictness):
            keep(state)
    residual = _unexplained(state.blended, record, known, xp)
    _energy(residual, xp)  # refuses what the last iteration may have spoilt
    return LoopResult(state.estimate, residual, tuple(state.history))


def _unexplained(blended: Array, record: Array, known: Array, xp: ModuleType) -> Array:
    return residual_of(record, known, blended, blended, 0.0, xp)


def _iterate(
    state: LoopState,
    record: Array,
    known: Array,
    operator: BlendingOperator,
    coherent: Callable[[Array, int, float], Array],
    observe: Callable[[Array, int, float], None] | None,
    settings: tuple[float, float, float],
    energy: float,
    weigh: Callable[[Array], Array] | None,
) -> None:
    """One iteration, with a step, a momentum and a strictness; `energy` is that of the record."""
    xp, (step, momentum, strictness) = operator.xp, settings
    # Blending is linear: the extrapolated estimate need not be blended again.
    residual = residual_of(record, known, state.blended, state.blended_before, momentum, xp)
    level = _energy(residual, xp)
    if weigh is not None:
        residual = weigh(residual)
    update = operator.pseudo_inverse(residual)
    del residual
    iteration = len(state.history)
    if observe is not None:
        observe(update, iteration, strictness)
    update = stepped(state.estimate, state.before, update, momentum, step, xp)
    state.before = state.estimate  # the one before it is not held in memory with what follows
    state.estimate = coherent(update, iteration, strictness)
    del update
    state.blended_before, state.blended = state.blended, operator.blend(state.estimate)
    state.history.append(IterationRecord(iteration + 1, strictness, level, energy))


def residual_of(
    record: Array,
    known: Array,
    blended: Array,
    blended_before: Array,
    momentum: float,
    xp: ModuleType,
) -> Array:
    """Record minus the extrapolation of two blended estimates; zero on unknown samples.

    All arrays have shape (channel, time).
    """
    if on_card(xp):
        residual = xp.empty(record.shape, np.float32)
        arrays = (xp.ascontiguousarray(x) for x in (record, known, blended, blended_before))
        _elementwise("residual_of", (*arrays, np.float32(momentum), residual), residual.size)
        return residual
    if not is_host(xp):
        return (record - _extrapolated(blended, blended_before, momentum)) * known
    from deblend.separation.loop_kernels import residual_of as kernel

    residual = np.empty_like(record)

    def part(channels: slice) -> None:
        kernel(
            record[channels],
            known[channels],
            blended[channels],
            blended_before[channels],
            record.dtype.type(momentum),
            residual[channels],
        )

    in_parts(part, len(record), xp)
    return residual


def stepped(
    estimate: Array,
    before: Array,
    unexplained: Array,
    momentum: float,
    step: float,
    xp: ModuleType,
) -> Array:
    """The extrapolated estimate, and a step along the unexplained part.

    All arrays have shape (shot, channel, time). On the host and on a card the result takes the
    place of `unexplained`.
    """
    if on_card(xp):
        numbers = np.float32(momentum), np.float32(step)
        _elementwise("stepped", (estimate, before, unexplained, *numbers), unexplained.size)
        return unexplained
    if not is_host(xp):
        return _extrapolated(estimate, before, momentum) + step * unexplained
    from deblend.separation.loop_kernels import stepped as kernel

    scalars = estimate.dtype.type(momentum), estimate.dtype.type(step)

    def part(shots: slice) -> None:
        kernel(estimate[shots], before[shots], unexplained[shots], *scalars)

    in_parts(part, len(estimate), xp)
    return unexplained


def _elementwise(name: str, arguments: tuple[Any, ...], count: int) -> None:
    """Run a kernel of a card on so many elements."""
    launch(kernel("separation/loop.cu", name), (blocks_of(count),), (*arguments, np.int64(count)))


def _extrapolated(now: Array, before: Array, momentum: float) -> Array:
    """An estimate continued in the direction of its last change."""
    return now + momentum * (now - before)


def _energy(samples: Array, xp: ModuleType) -> float:
    """Sum of squares in float64."""
    energy = _sum_of_squares(samples, xp)
    if not np.isfinite(energy):
        raise SeparationError(
            "the residual is not finite",
            remedy="The separator method returned NaN or Inf; check it with "
            "deblend.testing.check_separator.",
        )
    return energy


def _sum_of_squares(samples: Array, xp: ModuleType) -> float:
    """In float64; does not depend on the number of threads."""
    if not is_host(xp):
        return float(xp.sum(samples * samples, dtype=np.float64))
    from deblend.separation.loop_kernels import sum_of_squares

    sums = np.empty(len(samples))

    def part(channels: slice) -> None:
        sum_of_squares(samples[channels], sums[channels])

    in_parts(part, len(samples), xp)
    return float(sums.sum())
