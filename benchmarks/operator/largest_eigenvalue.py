"""Largest eigenvalue of pseudo-inverse times operator: above 1, long steps would diverge.

    python -m benchmarks.operator.largest_eigenvalue

Power iteration in double precision over three lines with other fire times; the largest is kept.
The same with the fold of the unpadded traces, for comparison: what happens where the pad of the
delay filter is not counted.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchmarks.operator.line import dithered_operator
from benchmarks.result import keep
from deblend.blending.operator import LEAD, BlendingOperator, largest_eigenvalue

SEEDS = 3


def without_pad(operator: BlendingOperator) -> BlendingOperator:
    """The same operator with a fold that counts the samples of the traces alone."""
    begin = operator.first_sample + LEAD
    edges = np.zeros(operator.sample_count + 1, dtype=np.int32)
    np.add.at(edges, np.clip(begin, 0, operator.sample_count), 1)
    np.add.at(edges, np.clip(begin + operator.length, 0, operator.sample_count), -1)
    changed = replace(operator)
    vars(changed)["fold"] = np.cumsum(edges[:-1], dtype=np.int32)
    return changed


def main() -> None:
    operators = [dithered_operator(np.float64, seed) for seed in range(SEEDS)]
    keep(
        "operator.largest_eigenvalue",
        {
            "largest_eigenvalue": max(map(largest_eigenvalue, operators)),
            "largest_eigenvalue_pad_not_counted": max(
                largest_eigenvalue(without_pad(operator)) for operator in operators
            ),
        },
    )


if __name__ == "__main__":
    main()
