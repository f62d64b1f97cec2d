"""Time and memory of leakage and loss on a line of 500 shots x 3 sources x 120 channels x 2,000.

python benchmarks/qc/whole_line.py [--channels 120] [--block 8]

Blocks of channels are made one after the other (random traces; their making is not counted) and
measured as a run would.
"""

from __future__ import annotations

import argparse
import resource
import time
from itertools import pairwise

import numpy as np

from deblend.model.shots import make_shots
from deblend.qc.leakage import leakage_findings, leakage_maps, measure_leakage
from deblend.qc.limits import default_limits
from deblend.qc.measure_plan import MeasurePlan

SOURCES, SHOTS, LENGTH, INTERVAL_S = 3, 500, 2000, 0.004


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--channels", type=int, default=120)
    parser.add_argument("--block", type=int, default=8)
    chosen = parser.parse_args()
    random = np.random.default_rng(0)
    base = np.arange(SHOTS) * 5_400_000_000
    dither = random.integers(-3 * 10**8, 3 * 10**8, (SOURCES, SHOTS))
    shots = make_shots(
        np.repeat(np.arange(1, SOURCES + 1), SHOTS),
        np.tile(np.arange(SHOTS), SOURCES),
        (base + dither).ravel(),
        "utc",
    )
    edges = np.linspace(0, LENGTH, 5).astype(int).tolist()
    plan = MeasurePlan(
        shots,
        np.ones(len(shots), np.bool_),
        INTERVAL_S,
        LENGTH,
        list(pairwise(edges)),
        chosen.channels,
    )
    seconds, processor, total = 0.0, 0.0, None
    for first in range(0, chosen.channels, chosen.block):
        block = range(first, min(first + chosen.block, chosen.channels))
        shape = (len(shots), len(block), LENGTH)
        estimate = random.standard_normal(shape, dtype=np.float32)
        before = estimate + random.standard_normal(shape, dtype=np.float32)
        begin, used = time.perf_counter(), time.process_time()
        part = measure_leakage(plan, block, before, estimate)
        total = part if total is None else total + part
        seconds += time.perf_counter() - begin
        processor += time.process_time() - used
    begin, used = time.perf_counter(), time.process_time()
    numbers = np.arange(1, chosen.channels + 1)
    rows = leakage_findings(plan, total, default_limits(), numbers)
    leakage_maps(plan, total, numbers)
    seconds += time.perf_counter() - begin
    processor += time.process_time() - used
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(
        f"{SHOTS} x {SOURCES} x {chosen.channels} x {LENGTH}: {seconds:.0f} s on the wall, "
        f"{processor:.0f} s of processor, peak memory {peak:.1f} GB with the blocks, "
        f"{len(rows)} rows"
    )


if __name__ == "__main__":
    main()
