"""Where the gathers of a line have samples that the record does not know."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


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
