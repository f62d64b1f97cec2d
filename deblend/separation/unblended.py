"""Shots that nothing overlaps: there is nothing to separate, and they stay as recorded."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from deblend.arrays import Array
from deblend.blending.operator import BlendingOperator
from deblend.model.findings import NOTHING_TO_SEPARATE, Finding


def unblended_shots(operator: BlendingOperator) -> NDArray[np.bool_]:
    """Live shots wholly inside the record whose padded window no other shot can write into.

    Of shape (shot,), in the order of the operator.
    """
    first = operator.first_sample
    last = first + operator.padded_length
    inside = operator.live & (first >= 0) & (last <= operator.sample_count)
    shared = np.concatenate([[0], np.cumsum(operator.fold > 1)])
    span = np.clip([first, last], 0, operator.sample_count)
    return np.asarray(inside & (shared[span[1]] == shared[span[0]]))


def unblended_findings(operator: BlendingOperator, delivered: NDArray[np.bool_]) -> list[Finding]:
    """A note on delivered shots that nothing overlaps; `delivered` in the operator's order."""
    alone = int(np.count_nonzero(unblended_shots(operator) & delivered))
    if not alone:
        return []
    count = int(np.count_nonzero(delivered))
    message = (
        f"No other shot reaches into {alone} of {count} delivered shots: they are delivered as "
        "recorded, with their noise."
    )
    found = [Finding("shots_not_blended", float(alone), "shots", "note", message)]
    if nothing_blended(operator):
        message = (
            f"There is nothing to separate: no sample holds two shots. {alone} of {count} "
            "delivered shots are cut out of the record at their fire times and delivered as "
            "recorded, with their noise; only unknown samples are filled from the shots beside "
            "them."
        )
        found.append(Finding(NOTHING_TO_SEPARATE, float(alone), "shots", "note", message))
    return found


def nothing_blended(operator: BlendingOperator) -> bool:
    """Whether no sample of the record holds two shots."""
    return int(operator.fold.max(initial=0)) <= 1


def keep_unblended(
    estimate: Array,
    residual: Array,
    samples: Array,
    known: Array,
    operator: BlendingOperator,
) -> tuple[Array, Array]:
    """Estimate and residual in which unblended shots are what was recorded.

    A trace with unknown samples keeps its estimate, which fills them. The residual again is record
    minus blended estimate. Both are new arrays where anything changes.

    Parameters
    ----------
    estimate : array of float32, shape (shot, channel, time)
        Of the separation, in the order of the operator.
    residual : array of float32, shape (channel, time)
        Record minus blended estimate.
    samples, known : array of float32, shape (channel, time)
        Record with zeros for unknown samples; 1 where samples are known, 0 elsewhere.
    """
    alone = np.flatnonzero(unblended_shots(operator))
    if not len(alone):
        return estimate, residual
    xp = operator.xp
    recorded = operator.pseudo_deblend(samples)
    result = estimate.copy()
    for shot in alone.tolist():
        first = int(operator.first_sample[shot])
        whole = xp.all(known[:, first : first + operator.padded_length] > 0, axis=1)
        result[shot] = xp.where(whole[:, None], recorded[shot], estimate[shot])
    return result, (samples - operator.blend(result)) * known
