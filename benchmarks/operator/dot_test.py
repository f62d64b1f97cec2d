"""Is `pseudo_deblend` the adjoint of `blend`? Relative difference of the two inner products.

    python -m benchmarks.operator.dot_test

For random gathers m and d = blend(m) plus as much white noise: the difference of
<blend(m), d> and <m, pseudo_deblend(d)> over the first of them, the largest of ten draws, in
single and in double precision. The inner products themselves are summed in double precision.
"""

from __future__ import annotations

import numpy as np

from benchmarks.operator.line import CHANNELS, dithered_operator
from benchmarks.result import keep

DRAWS = 10


def relative_error(dtype: type[np.floating], seed: int) -> float:
    operator = dithered_operator(dtype, seed)
    generator = np.random.default_rng([seed, 1])
    shape = (len(operator.first_sample), CHANNELS, operator.length)
    gathers = generator.standard_normal(shape).astype(dtype)
    blended = operator.blend(gathers)
    noise = blended.std() * generator.standard_normal(blended.shape)
    record = (blended + noise).astype(dtype)
    first = np.sum(blended.astype(np.float64) * record)
    second = np.sum(operator.pseudo_deblend(record).astype(np.float64) * gathers)
    return float(abs(first - second) / abs(first))


def main() -> None:
    numbers = {
        f"largest_relative_error_{np.dtype(dtype).name}": max(
            relative_error(dtype, seed) for seed in range(DRAWS)
        )
        for dtype in (np.float32, np.float64)
    }
    keep("operator.dot_test", numbers)


if __name__ == "__main__":
    main()
