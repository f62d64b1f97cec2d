"""Time and memory of a comparison of two lines of 500 shots x 120 channels x 2,000 samples.

python -m benchmarks.qc.two_lines [--shots 500] [--channels 120] [--iterations 2]

Two files of white noise over the same positions go through everything that `deblend benchmark-line`
does, stack and coherence filter included; the filter takes a few iterations only, because its time
is that of a separation. What counts is that memory does not grow with the lines.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from pathlib import Path

import numpy as np

from benchmarks.result import keep
from deblend.deliver.segy import write_source_segy
from deblend.deliver.trace_headers import SourceGathers
from deblend.model.geometry import towed_geometry
from deblend.model.shots import make_shots
from deblend.qc.limits import default_limits
from deblend.stack.velocity import VelocityTable
from deblend.trial.compare_lines import Comparison, compare_lines

LENGTH, INTERVAL_NS = 2000, 4_000_000


def write_noise(folder: Path, name: str, shots: int, channels: int, seed: int) -> Path:
    """A delivered file of noise; the samples are mapped from disk while it is written."""
    table = make_shots(
        np.ones(shots, np.int64),
        np.arange(shots) + 1,
        np.arange(shots) * 10**10,
        "utc",
        x_m=5e5 + 25.0 * np.arange(shots),
        y_m=np.full(shots, 6e6),
        depth_m=np.full(shots, 6.0),
    )
    geometry = towed_geometry(
        table, channels, nearest_offset_m=150.0, group_interval_m=12.5, streamer_depth_m=8.0
    )
    random = np.random.default_rng(seed)
    samples = np.lib.format.open_memmap(
        folder / f"{name}.npy", mode="w+", dtype=np.float32, shape=(shots, channels, LENGTH)
    )
    for shot in samples:
        shot[:] = random.standard_normal(shot.shape, dtype=np.float32)
    description = SourceGathers(
        table,
        geometry,
        np.arange(channels) + 1,
        np.zeros(channels, bool),
        INTERVAL_NS,
        LENGTH,
        "recorded unit",
        "line",
        ("Made.",),
    )
    path = folder / f"{name}.sgy"
    write_source_segy(path, samples, description)
    return path


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--shots", type=int, default=500)
    parser.add_argument("--channels", type=int, default=120)
    parser.add_argument("--iterations", type=int, default=2)
    chosen = parser.parse_args()
    velocities = VelocityTable(np.zeros(1), (np.array([0.0, 8.0]),), (np.array([1500.0, 3000.0]),))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = [
            write_noise(folder, line, chosen.shots, chosen.channels, seed)
            for seed, line in enumerate(("trial", "benchmark"))
        ]
        size_gb = sum(path.stat().st_size for path in paths) / 1e9
        before_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        begin, used = time.perf_counter(), time.process_time()
        rows = compare_lines(
            paths[0],
            paths[1:],
            folder / "table.csv",
            velocities,
            default_limits(),
            Comparison(method="fk", iterations=chosen.iterations),
        )
        wall, processor = time.perf_counter() - begin, time.process_time() - used
    keep(
        "qc.two_lines",
        {
            "shots_channels_samples": [chosen.shots, chosen.channels, LENGTH],
            "iterations_of_the_filter": chosen.iterations,
            "files_gb": size_gb,
            "peak_memory_before_gb": before_gb,
            "peak_memory_gb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6,
            "wall_s": wall,
            "processor_s": processor,
            "rows": len(rows),
        },
    )


if __name__ == "__main__":
    main()
