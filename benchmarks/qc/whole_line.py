"""Time and memory of leakage and loss on a line of 500 shots x 3 sources x 120 channels x 2,000.

python -m benchmarks.qc.whole_line [--channels 120] [--block 8]

Blocks of channels are made one after the other (random traces; their making is not counted) and
measured as a run would; findings and the file of maps are counted too.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from itertools import pairwise
from pathlib import Path

import numpy as np

from benchmarks.result import keep
from deblend.model.shots import make_shots
from deblend.qc.leakage import leakage_findings, leakage_maps, measure_leakage
from deblend.qc.limits import default_limits
from deblend.qc.measure_setup import MeasureSetup
from deblend.qc.metric import MeasuredLine

SOURCES, SHOTS, LENGTH, INTERVAL_S = 3, 500, 2000, 0.004


def line_plan(channels: int) -> MeasureSetup:
    """Shots every 5.4 s, three sources within 0.3 s of each."""
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
    counted = np.ones(len(shots), np.bool_)
    return MeasureSetup(shots, counted, INTERVAL_S, LENGTH, list(pairwise(edges)), channels)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--channels", type=int, default=120)
    parser.add_argument("--block", type=int, default=8)
    chosen = parser.parse_args()
    plan, random = line_plan(chosen.channels), np.random.default_rng(1)
    warm = np.ones((len(plan.shots), 1, LENGTH), np.float32)
    measure_leakage(plan, range(1), warm, warm)  # compiling is not counted either
    seconds, processor, total = 0.0, 0.0, None
    for first in range(0, chosen.channels, chosen.block):
        block = range(first, min(first + chosen.block, chosen.channels))
        shape = (len(plan.shots), len(block), LENGTH)
        estimate = random.standard_normal(shape, dtype=np.float32)
        before = estimate + random.standard_normal(shape, dtype=np.float32)
        begin, used = time.perf_counter(), time.process_time()
        part = measure_leakage(plan, block, before, estimate)
        total = part if total is None else total + part
        seconds += time.perf_counter() - begin
        processor += time.process_time() - used
    begin, used = time.perf_counter(), time.process_time()
    numbers = np.arange(1, chosen.channels + 1)
    line = MeasuredLine(plan, numbers, LENGTH, default_limits())
    rows = list(leakage_findings(line, total))
    maps = leakage_maps(plan, total, numbers)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "maps.npz"
        np.savez(path, allow_pickle=False, **{str(k): maps[k].values for k in maps.data_vars})
        size_mb = path.stat().st_size / 1e6
    seconds += time.perf_counter() - begin
    processor += time.process_time() - used
    keep(
        "qc.whole_line",
        {
            "shots_sources_channels_samples": [SHOTS, SOURCES, chosen.channels, LENGTH],
            "wall_s": seconds,
            "processor_s": processor,
            "peak_memory_gb_with_the_blocks": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
            / 1e6,
            "maps_mb": size_mb,
            "rows": len(rows),
        },
    )


if __name__ == "__main__":
    main()
