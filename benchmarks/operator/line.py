"""The line on which the operator is measured: three sources, records longer than their interval."""

from __future__ import annotations

import numpy as np
from numpy.typing import DTypeLike

from deblend.blending.operator import BlendingOperator, operator_at

INTERVAL_NS = 4_000_000
LENGTH = 1024
CHANNELS = 4


def dithered_operator(dtype: DTypeLike, seed: int) -> BlendingOperator:
    """Operator of 90 shots, one every 1.5 s give or take 0.3 s, gathers of 4.096 s.

    The record begins after the first shots and ends before the last ones have run out.
    """
    generator = np.random.default_rng(seed)
    fire_time_s = 1.5 * np.arange(90) + generator.uniform(-0.3, 0.3, 90)
    return operator_at(
        np.round(fire_time_s * 1e9).astype(np.int64),
        np.ones(90, dtype=np.bool_),
        start_ns=2_000_000_000,
        interval_ns=INTERVAL_NS,
        sample_count=round(130e9 / INTERVAL_NS),
        length=LENGTH,
        dtype=dtype,
    )
