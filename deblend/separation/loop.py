"""The loop: the only place where fire times and coherence meet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import ModuleType

import numpy as np

from deblend.arrays import Array, in_parts, is_host
from deblend.blending.operator import BlendingOperator
from deblend.errors import SeparationError
from deblend.separation.schedule import Schedule


@dataclass(frozen=True)
class IterationRecord:
    """What one iteration did.

    Parameters
    ----------
    iteration : int
        From 1.
    strictness : float
        Threshold over the reference amplitude.
    residual_energy : float
        Sum of squares of what the estimate before this iteration does not explain of the record;
        known samples only.
    record_energy : float
        Sum of squares of the record; known samples only.
    restarted : bool
        Whether the momentum was dropped because the residual had grown.
    """

    iteration: int
    strictness: float
    residual_energy: float
    record_energy: float
    restarted: bool = False

    @property
    def residual_db(self) -> float:
        """Rms of the unexplained part over the rms of the record, in dB."""
        if self.record_energy <= 0:
            return -np.inf
        return float(10 * np.log10(max(self.residual_energy / self.record_energy, 1e-30)))


Callback = Callable[[IterationRecord], bool | None]
"""Called after each iteration; returning True stops the loop."""


@dataclass(frozen=True, eq=False)
class LoopState:
    """Where a loop stands; it can go on from there.

    Parameters
    ----------
    estimate, before : array of float32, shape (shot, channel, time)
        Of the last iteration and of the one before it; the next begins ahead of them.
    blended, blended_before : array of float32, shape (channel, time)
        The records that they add up to.
    residual : array of float32, shape (channel, time)
        Record minus blended estimate; zero on unknown samples.
    misfit : float
        Weighted energy of the residual that the last iteration saw.
    history : tuple of IterationRecord
        What each iteration did.
    stopped : bool
        Whether the callback ended the loop.
    """

    estimate: Array
    before: Array
    blended: Array
    blended_before: Array
    residual: Array
    misfit: float
    history: tuple[IterationRecord, ...]
    stopped: bool = False


def first_state(record: Array, operator: BlendingOperator) -> LoopState:
    """Nothing explained yet."""
    shape = (len(operator.first_sample), record.shape[0], operator.length)
    nothing = operator.xp.zeros(shape, dtype=record.dtype)
    silence = operator.xp.zeros_like(record)
    return LoopState(nothing, nothing, silence, silence, record, np.inf, ())


def run_loop(
    record: Array,
    known: Array,
    operator: BlendingOperator,
    coherent: Callable[[Array, Array, int, float], Array],
    schedule: Schedule,
    callback: Callback | None = None,
    *,
    begin: LoopState | None = None,
    stop: int | None = None,
    weigh: Callable[[Array], Array] | None = None,
) -> LoopState:
    r"""Separate by projected back-projection of the residual.

    .. math:: x \leftarrow S_\tau[\, y + \omega \Gamma^T N^{-1} W (d - \Gamma y) \,]

    with y = x + momentum * (last change), W zero on unknown samples.

    Parameters
    ----------
    record : array of float32, shape (channel, time)
        Finite; whatever unknown samples hold is ignored.
    known : array of float32, shape (channel, time)
        1 on known samples, 0 on unknown ones.
    operator : BlendingOperator
        Of this record.
    coherent : callable
        ``coherent(update, unexplained, iteration, strictness)`` gives the coherent part of
        gathers (shot, channel, time); `unexplained` is the back-projected residual.
    schedule : Schedule
        Iterations, thresholds, step and momentum.
    callback : callable, optional
        Sees every `IterationRecord`; returning True ends the loop.
    begin : LoopState, optional
        Where to go on from; by default nothing is explained yet.
    stop : int, optional
        How many iterations to have done in all; by default all of the schedule.
    weigh : callable, optional
        W on known samples: ``weigh(residual)`` in the shape of `residual`; by default no change.

    Returns
    -------
    LoopState
    """
    xp = operator.xp
    energy = _energy(record * known, xp)
    state = first_state(record, operator) if begin is None else begin
    estimate, before, last = state.estimate, state.before, state.misfit
    blended, blended_before = state.blended, state.blended_before
    history, stopped = list(state.history), False
    done = len(history)
    del begin, state  # gathers of the past would stay in memory
    for iteration, strictness in enumerate(schedule.strictness().tolist()[:stop]):
        if iteration < done:
            continue
        momentum = schedule.momentum
        # Blending is linear: what lies ahead need not be blended again.
        residual = residual_of(record, known, blended, blended_before, momentum, xp)
        weighed = residual if weigh is None else weigh(residual)
        misfit = _misfit(residual, weighed, xp)
        restarted = momentum > 0 and misfit > last
        if restarted:
            momentum = 0.0
            residual = residual_of(record, known, blended, blended, 0.0, xp)
            weighed = residual if weigh is None else weigh(residual)
        last = misfit
        unexplained = operator.pseudo_inverse(weighed)
        update = stepped(estimate, before, unexplained, momentum, schedule.step, xp)
        before = estimate
        estimate = coherent(update, unexplained, iteration, strictness)
        blended_before, blended = blended, operator.blend(estimate)
        level = misfit if weigh is None else _energy(residual, xp)
        history.append(IterationRecord(iteration + 1, strictness, level, energy, restarted))
        if callback is not None and callback(history[-1]):
            stopped = True
            break
    residual = residual_of(record, known, blended, blended, 0.0, xp)
    _energy(residual, xp)  # refuses what the last iteration may have spoilt
    return LoopState(
        estimate, before, blended, blended_before, residual, last, tuple(history), stopped
    )


def residual_of(
    record: Array,
    known: Array,
    blended: Array,
    blended_before: Array,
    momentum: float,
    xp: ModuleType,
) -> Array:
    """Record minus what lies ahead of two blended estimates; zero on unknown samples.

    All arrays have shape (channel, time).
    """
    if not is_host(xp):
        return (record - _ahead_of(blended, blended_before, momentum)) * known
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
    """Where the iteration goes: ahead of the estimate, and a step along the unexplained part.

    All arrays have shape (shot, channel, time).
    """
    if not is_host(xp):
        return _ahead_of(estimate, before, momentum) + step * unexplained
    from deblend.separation.loop_kernels import stepped as kernel

    update = np.empty_like(estimate)
    scalars = estimate.dtype.type(momentum), estimate.dtype.type(step)

    def part(shots: slice) -> None:
        kernel(estimate[shots], before[shots], unexplained[shots], *scalars, update[shots])

    in_parts(part, len(estimate), xp)
    return update


def _ahead_of(now: Array, before: Array, momentum: float) -> Array:
    """Go on in the direction of the last change."""
    return now + momentum * (now - before)


def _misfit(residual: Array, weighed: Array, xp: ModuleType) -> float:
    """Weighted energy of the residual, which the iteration makes smaller."""
    if weighed is residual:
        return _energy(residual, xp)
    return _sum_of_products(residual, weighed, xp)


def _energy(samples: Array, xp: ModuleType) -> float:
    """Sum of squares in float64.

    Raises
    ------
    SeparationError
        If it is not finite: the iteration has gone wrong and would only spread NaN.
    """
    energy = _sum_of_products(samples, samples, xp)
    if not np.isfinite(energy):
        raise SeparationError(
            "the residual is not finite",
            remedy="The separator method returned NaN or Inf; check it with "
            "deblend.testing.check_separator.",
        )
    return energy


def _sum_of_products(one: Array, other: Array, xp: ModuleType) -> float:
    """In float64, and the same with any number of threads."""
    if not is_host(xp):
        return float(xp.sum(one * other, dtype=np.float64))
    from deblend.separation.loop_kernels import sum_of_products

    sums = np.empty(len(one))

    def part(channels: slice) -> None:
        sum_of_products(one[channels], other[channels], sums[channels])

    in_parts(part, len(one), xp)
    return float(sums.sum())
