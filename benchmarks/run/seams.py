"""Seams: a line cut into blocks and spans against the same line in one piece.

    python -m benchmarks.run.seams [--scenes two-sources ...] [--iterations 20 60] [--processes 2]

Scenes are cut to 40 shots of a source on 48 channels for two blocks of channels, and to 108 shots
on 12 channels for two spans of shots, so that a block is far smaller than the line. In every window
(eight slots of a source, four channels, a quarter of the trace) the difference from one piece is
compared with the local rms. Windows that hold less than a thousandth of the rms of the whole line
are left out: nothing is there.
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchmarks.result import Number, keep
from deblend.separation.job import Job, prepare, separate_channels
from deblend.separation.spans import span_of
from deblend.synth.build import build_line
from deblend.synth.scenes import Extent, scene_plan

SLOTS: Final = 8
CHANNELS: Final = 4
TIMES: Final = 4
LEAST: Final = 1e-3
EXTENTS: Final = {"blocks": Extent(40, 48, 2.4), "spans": Extent(108, 12, 2.4)}
SCENES: Final = (
    "two-sources",
    "three-sources",
    "white-noise",
    "gaps-and-misfires",
    "swell-and-spikes",
    "traffic",
)


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


Case = tuple[str, str, str, int]


def measure(case: Case) -> list[float]:
    """Difference of a scene in two blocks or spans, overall and in the worst window, in dB."""
    scene, cut, method, iterations = case
    line = build_line(scene_plan(scene, EXTENTS[cut]), 0)
    channels = line.recording.shape[0]
    job = prepare(
        line.recording,
        line.shots,
        length_s=line.length_s,
        method=method,
        iterations=iterations,
        device="cpu",
        memory_bytes=1 << 40,
    )
    whole = separate_channels(job, job.blocks[0]).estimate
    slots = job.layout.slot_count
    sizes = (slots, channels // 2) if cut == "blocks" else (-(-slots // 2), channels)
    return worst_db(job, whole, in_pieces(job, *sizes))


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--scenes", nargs="+", default=list(SCENES))
    parser.add_argument("--method", default="joint")
    parser.add_argument("--iterations", type=int, nargs="+", default=[20, 60])
    parser.add_argument("--processes", type=int, default=1)
    asked = parser.parse_args()
    cases: list[Case] = [
        (scene, cut, asked.method, iterations)
        for iterations in sorted(asked.iterations, reverse=True)
        for scene in asked.scenes
        for cut in EXTENTS
    ]
    if asked.processes > 1:
        os.environ["NUMBA_NUM_THREADS"] = "1"
    with ProcessPoolExecutor(asked.processes) as pool:
        found = list(pool.map(measure, cases))
    numbers: dict[str, Number] = {
        f"{scene} {cut} {iterations} iterations, overall and worst, dB": values
        for (scene, cut, _, iterations), values in zip(cases, found, strict=True)
    }
    keep("run.seams", numbers)


if __name__ == "__main__":
    main()
