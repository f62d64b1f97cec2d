"""Seams: a line cut into blocks and spans against the same line in one piece.

    python -m benchmarks.run.seams [--scene two-sources] [--method joint]

In every window (eight slots of a source, four channels, a quarter of the trace) the difference from
one piece is compared with the local rms. Windows that hold less than a thousandth of the rms of the
whole line are left out: nothing is there.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchmarks.result import Number, keep
from deblend.separation.job import Job, prepare, separate_channels
from deblend.separation.spans import span_of
from deblend.synth.scenes import make_scene

SLOTS: Final = 8
CHANNELS: Final = 4
TIMES: Final = 4
LEAST: Final = 1e-3


def in_pieces(job: Job, span: int, block: int) -> NDArray[np.float32]:
    """Estimates of all shots, worked on in spans of slots and blocks of channels."""
    channels = job.recording.shape[0]
    out = np.zeros((len(job.shots), channels, job.length), np.float32)
    reference = job.reference
    for begin in range(0, job.layout.slot_count, span):
        part = span_of(job, range(begin, min(begin + span, job.layout.slot_count)))
        known = replace(part.job, measured_reference=reference)
        for first in range(0, channels, block):
            here = range(first, min(first + block, channels))
            estimate = separate_channels(known, here).estimate
            out[part.rows[part.own], first : here.stop] = estimate[part.own]
    return out


def worst_db(job: Job, whole: NDArray[np.float32], pieces: NDArray[np.float32]) -> list[float]:
    """Difference over local rms: overall, and in the worst window, in dB."""
    floor = LEAST * float(np.sqrt(np.mean(np.square(whole))))
    worst = -np.inf
    for source in job.shots.sources:
        rows = np.flatnonzero(job.delivered & (job.shots.source == source))
        edges = np.linspace(0, job.length, TIMES + 1).astype(int)
        for a, b, t in product(
            range(0, len(rows), SLOTS), range(0, whole.shape[1], CHANNELS), range(TIMES)
        ):
            place = np.ix_(
                rows[a : a + SLOTS],
                np.arange(b, min(b + CHANNELS, whole.shape[1])),
                np.arange(edges[t], edges[t + 1]),
            )
            local = float(np.sqrt(np.mean(np.square(whole[place]))))
            if local > floor:
                apart = float(np.sqrt(np.mean(np.square(whole[place] - pieces[place]))))
                worst = max(worst, 20 * np.log10(max(apart / local, 1e-12)))
    overall = np.sqrt(np.sum(np.square(whole - pieces)) / np.sum(np.square(whole)))
    return [round(20 * float(np.log10(max(overall, 1e-12))), 1), round(float(worst), 1)]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--scene", default="two-sources")
    parser.add_argument("--method", default="joint")
    parser.add_argument("--iterations", type=int, default=40)
    asked = parser.parse_args()
    line = make_scene(asked.scene, "full")
    channels = line.recording.shape[0]
    job = prepare(
        line.recording,
        line.shots,
        length_s=line.length_s,
        method=asked.method,
        iterations=asked.iterations,
        device="cpu",
        memory_bytes=1 << 40,
    )
    whole = separate_channels(job, job.blocks[0]).estimate
    everything = job.layout.slot_count
    numbers: dict[str, Number] = {
        "slots": job.layout.slot_count,
        "channels": channels,
        "iterations": asked.iterations,
        "blocks_overall_and_worst_db": worst_db(
            job, whole, in_pieces(job, everything, channels // 2)
        ),
        "spans_overall_and_worst_db": worst_db(
            job, whole, in_pieces(job, -(-everything // 2), channels)
        ),
    }
    keep("run.seams", numbers)


if __name__ == "__main__":
    main()
