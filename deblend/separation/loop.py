"""The loop: the only place where fire times and coherence meet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import ModuleType

import numpy as np

from deblend.arrays import Array
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
    estimate : array of float32, shape (shot, channel, time)
        So far.
    ahead : array of float32, shape (shot, channel, time)
        Estimate and its momentum, from which the next iteration begins.
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
    ahead: Array
    residual: Array
    misfit: float
    history: tuple[IterationRecord, ...]
    stopped: bool = False


def first_state(record: Array, operator: BlendingOperator) -> LoopState:
    """Nothing explained yet."""
    shape = (len(operator.first_sample), record.shape[0], operator.length)
    nothing = operator.xp.zeros(shape, dtype=record.dtype)
    return LoopState(nothing, nothing, record, np.inf, ())


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
    estimate, ahead, last = state.estimate, state.ahead, state.misfit
    history, stopped = list(state.history), False
    for iteration, strictness in enumerate(schedule.strictness().tolist()[:stop]):
        if iteration < len(state.history):
            continue
        residual = (record - operator.blend(ahead)) * known
        weighed = residual if weigh is None else weigh(residual)
        misfit = _misfit(residual, weighed, xp)
        restarted = schedule.momentum > 0 and misfit > last
        if restarted:
            ahead = estimate
            residual = (record - operator.blend(ahead)) * known
            weighed = residual if weigh is None else weigh(residual)
        last = misfit
        unexplained = operator.pseudo_inverse(weighed)
        update = schedule.step * unexplained
        update += ahead
        following = coherent(update, unexplained, iteration, strictness)
        ahead = following
        if schedule.momentum > 0:
            ahead = following - estimate
            ahead *= schedule.momentum
            ahead += following
        estimate = following
        level = misfit if weigh is None else _energy(residual, xp)
        history.append(IterationRecord(iteration + 1, strictness, level, energy, restarted))
        if callback is not None and callback(history[-1]):
            stopped = True
            break
    residual = (record - operator.blend(estimate)) * known
    _energy(residual, xp)  # refuses what the last iteration may have spoilt
    return LoopState(estimate, ahead, residual, last, tuple(history), stopped)


def _misfit(residual: Array, weighed: Array, xp: ModuleType) -> float:
    """Weighted energy of the residual, which the iteration makes smaller."""
    if weighed is residual:
        return _energy(residual, xp)
    return float(xp.sum(residual * weighed, dtype=np.float64))


def _energy(samples: Array, xp: ModuleType) -> float:
    """Sum of squares in float64.

    Raises
    ------
    SeparationError
        If it is not finite: the iteration has gone wrong and would only spread NaN.
    """
    energy = float(xp.sum(xp.square(samples), dtype=np.float64))
    if not np.isfinite(energy):
        raise SeparationError(
            "the residual is not finite",
            remedy="The separator method returned NaN or Inf; check it with "
            "deblend.testing.check_separator.",
        )
    return energy
