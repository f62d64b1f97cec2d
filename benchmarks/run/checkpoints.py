"""What checkpoints cost a run, and whether a block that goes on from one ends with the same bits.

    python -m benchmarks.run.checkpoints [--channels 120] [--minutes 60] [--iterations 150]

A made line of three sources in one block, separated once from its beginning, with checkpoints as
`deblend separate` keeps them, and once more from the last of these.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from benchmarks.result import Number, keep
from benchmarks.run.lines import INTERVAL_NS, events, made_shots
from deblend.blending.operator import make_operator
from deblend.model.recording import Recording
from deblend.run.checkpoints import FileCheckpoints
from deblend.separation.checkpoint import Checkpoint
from deblend.separation.job import Job, prepare, separate_channels
from deblend.separation.settings import SeparationSettings

LENGTH_S = 3.0


@dataclass(eq=False)
class Timed(FileCheckpoints):
    """Checkpoints that count what they take."""

    took_s: float = 0.0
    count: int = 0

    def write(self, checkpoint: Checkpoint) -> None:
        """Write one, by the clock."""
        begin = time.monotonic()
        super().write(checkpoint)
        self.took_s += time.monotonic() - begin
        self.count += 1


def made_job(minutes: float, channels: int, iterations: int) -> Job:
    shots = made_shots(minutes)
    length = round(LENGTH_S * 1e9 / INTERVAL_NS)
    operator = make_operator(
        shots,
        start_ns=0,
        interval_ns=INTERVAL_NS,
        sample_count=round(minutes * 60e9 / INTERVAL_NS),
        length=length,
    )
    samples = operator.blend(events(shots, channels, length))
    recording = Recording(samples, interval_s=INTERVAL_NS * 1e-9, start=0, time_scale="utc")
    settings = SeparationSettings(iterations=iterations, learn_floor=False)
    job = prepare(recording, shots, length_s=LENGTH_S, settings=settings)
    whole = range(channels)
    return replace(job, blocks=(whole,), measured_reference=job.reference_of(whole))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--channels", type=int, default=120)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--iterations", type=int, default=150)
    asked = parser.parse_args()
    job = made_job(asked.minutes, asked.channels, asked.iterations)
    channels = range(asked.channels)
    with tempfile.TemporaryDirectory() as folder:
        kept = Timed(Path(folder) / "checkpoint.npz", run="one")
        begin = time.monotonic()
        whole = separate_channels(job, channels, checkpoints=kept)
        took_s = time.monotonic() - begin
        size_bytes = kept.path.stat().st_size if kept.count else 0
        begin = time.monotonic()
        again = separate_channels(job, channels, checkpoints=replace(kept))
        numbers: dict[str, Number] = {
            "gathers_gb": round(whole.estimate.nbytes / 1e9, 2),
            "checkpoints": kept.count,
            "checkpoint_gb": round(size_bytes / 1e9, 2),
            "block_s": round(took_s, 1),
            "part_of_the_time_percent": round(100 * kept.took_s / took_s, 2),
            "from_the_last_one_s": round(time.monotonic() - begin, 1),
            "same_bits": int(np.array_equal(whole.estimate, again.estimate)),
        }
    keep("run.checkpoints", numbers)


if __name__ == "__main__":
    main()
