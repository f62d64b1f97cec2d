"""Gathers cut from a record, and where they have samples that it does not know."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from deblend.blending.operator import PAD, make_operator
from deblend.model.recording import Recording
from deblend.model.shots import Shots


def recorded_gathers(
    recording: Recording, shots: Shots, channels: NDArray[np.int64], length: int
) -> NDArray[np.float32]:
    """Pseudo-deblended gathers, shape (shot, channel, time), of some channel rows.

    Only the stretch of the record that the shots fall into is read; what it does not know is NaN.
    """
    first = (shots.fire_time_ns - recording.start_ns) // recording.interval_ns
    beyond = 2 * PAD  # windows of the delay filter are less than twice as long as a trace and this
    begin = int(np.clip(first.min() - beyond, 0, recording.shape[1]))
    end = int(np.clip(first.max() + 2 * length + beyond, 0, recording.shape[1]))
    samples = recording.read(channels.tolist(), begin, end)
    operator = make_operator(
        shots,
        start_ns=recording.start_ns + begin * recording.interval_ns,
        interval_ns=recording.interval_ns,
        sample_count=end - begin,
        length=length,
    )
    known = np.isfinite(samples)
    gathers: NDArray[np.float32] = operator.pseudo_deblend(np.where(known, samples, np.float32(0)))
    time_break = np.rint((shots.fire_time_ns - recording.start_ns) / recording.interval_ns)
    recorded = recorded_samples(known, time_break.astype(np.int64) - begin, length)
    gathers[~recorded] = np.nan
    return gathers


def recorded_samples(
    known: NDArray[np.bool_], first: NDArray[np.int64], length: int
) -> NDArray[np.bool_]:
    """Which samples of gathers were recorded, (shot, channel, length), by the nearest sample.

    `known` has shape (channel, time); `first`, the sample nearest to each time break, may lie
    outside the record.
    """
    nearest = first[:, None] + np.arange(length)
    inside = (nearest >= 0) & (nearest < known.shape[1])
    recorded: NDArray[np.bool_] = known[:, np.where(inside, nearest, 0)].transpose(1, 0, 2)
    recorded &= inside[:, None]
    return recorded


def with_unknown_from(
    after: NDArray[np.float32],
    before: NDArray[np.float32],
    known: NDArray[np.bool_],
    first: NDArray[np.int64],
) -> NDArray[np.float32]:
    """Gathers before separation, and those after it where the record is not known.

    Nothing was removed of samples that were not recorded. It is `before` itself where nothing is
    unknown. Known samples and first ones are those of `recorded_samples`.
    """
    length, end = after.shape[-1], known.shape[1]
    unknown_before = np.concatenate([[0], np.cumsum(~known.all(axis=0))])
    from_, to = np.clip(first, 0, end), np.clip(first + length, 0, end)
    touched = (to - from_ < length) | (unknown_before[to] > unknown_before[from_])
    shots = [shot for shot in np.flatnonzero(touched) if before[shot].any() or after[shot].any()]
    if not shots:  # those that are not delivered are zero
        return before
    changed = before.copy()
    for shot in shots:
        unknown = ~recorded_samples(known, first[shot : shot + 1], length)[0]
        changed[shot][unknown] = after[shot][unknown]
    return changed
