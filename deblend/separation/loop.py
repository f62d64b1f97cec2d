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


def run_loop(
    record: Array,
    known: Array,
    operator: BlendingOperator,
    coherent: Callable[[Array, Array, int, float], Array],
    schedule: Schedule,
    xp: ModuleType,
    callback: Callback | None = None,
) -> tuple[Array, Array, tuple[IterationRecord, ...]]:
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
    xp : module
        Array namespace.
    callback : callable, optional
        Sees every `IterationRecord`; returning True ends the loop.

    Returns
    -------
    estimate : array of float32, shape (shot, channel, time)
    residual : array of float32, shape (channel, time)
        Record minus blended estimate; zero on unknown samples.
    history : tuple of IterationRecord
    """
    energy = _energy(record * known, xp)
    shape = (len(operator.first_sample), record.shape[0], operator.length)
    estimate = xp.zeros(shape, dtype=record.dtype)
    ahead = estimate
    last = np.inf
    history: list[IterationRecord] = []
    for iteration, strictness in enumerate(schedule.strictness().tolist()):
        residual = (record - operator.blend(ahead)) * known
        level = _energy(residual, xp)
        restarted = schedule.momentum > 0 and level > last
        if restarted:
            ahead = estimate
            residual = (record - operator.blend(ahead)) * known
        last = level
        unexplained = operator.pseudo_inverse(residual)
        update = ahead + schedule.step * unexplained
        following = coherent(update, unexplained, iteration, strictness)
        ahead = following
        if schedule.momentum > 0:
            ahead = following + schedule.momentum * (following - estimate)
        estimate = following
        history.append(IterationRecord(iteration + 1, strictness, level, energy, restarted))
        if callback is not None and callback(history[-1]):
            break
    residual = (record - operator.blend(estimate)) * known
    _energy(residual, xp)  # refuses what the last iteration may have spoilt
    return estimate, residual, tuple(history)


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
