"""Seams: a line cut into blocks and spans against the same line in one piece.

    python -m benchmarks.run.seams [--scenes two-sources ...] [--cuts blocks ...]
        [--iterations 8 20 60] [--processes 2]

Scenes are cut to 40 shots of a source on 80 channels for two blocks of channels, and to 108 shots
on 12 channels for two spans of shots, so that a block is far smaller than the line. In every window
(eight slots of a source, four channels, a quarter of the trace) the difference from one piece is
compared with the local rms. Windows that hold less than a thousandth of the rms of the whole line
are left out: nothing is there.

"A millionth" is no cut at all: the line in one piece, every sample of the record changed by a
millionth of itself, at random. What that changes, no cut can be blamed for.

Each piece is a task of its own. Numbers of cases that are not asked for stay as they were kept.
"""

from __future__ import annotations

import argparse
import json
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchmarks.result import RESULTS, Number, keep
from deblend.model.recording import Recording
from deblend.qc.seams import LOOK_DB
from deblend.separation.job import Job, prepare, separate_channels
from deblend.separation.settings import SeparationSettings
from deblend.separation.spans import span_of
from deblend.synth.build import build_line
from deblend.synth.scenes import Extent, scene_design

SLOTS: Final = 8
CHANNELS: Final = 4
TIMES: Final = 4
LEAST: Final = 1e-3
MILLIONTH: Final = "a millionth"
EXTENTS: Final = {
    "blocks": Extent(40, 80, 2.4),
    "spans": Extent(108, 12, 2.4),
    MILLIONTH: Extent(40, 48, 2.4),
}
SCENES: Final = (
    "swell-and-spikes",
    "traffic",
    "gaps-and-misfires",
    "white-noise",
    "three-sources",
    "two-sources",
)
"""Those that take longest first, so that no core waits for the last one."""


@dataclass(frozen=True)
class Case:
    """A scene, how it is cut, a method and its iterations."""

    scene: str
    cut: str
    method: str
    iterations: int


def prepared(case: Case) -> Job:
    """The scene as a job in one piece; for "a millionth" as it is recorded."""
    line = build_line(scene_design(case.scene, EXTENTS[case.cut]), 0)
    return prepare(
        line.recording,
        line.shots,
        length_s=line.length_s,
        method=case.method,
        settings=SeparationSettings(iterations=case.iterations, device="cpu"),
        memory_bytes=1 << 40,
    )


def estimated(case: Case, piece: int | None) -> NDArray[np.float32]:
    """Estimates of all shots, of the line in one piece, or with zeros outside one of two pieces."""
    job = prepared(case)
    job = replace(job, measured_reference=job.reference)
    slots, channels = job.layout.slot_count, job.recording.shape[0]
    if piece is None:
        return separate_channels(job, range(channels)).estimate
    if case.cut == MILLIONTH:
        changed = replace(job.recording, samples=_changed(job.recording))
        return separate_channels(replace(job, recording=changed), range(channels)).estimate
    part, here = span_of(job, range(slots)), range(channels)
    if case.cut == "blocks":
        here = _half(channels, piece)
    else:
        part = span_of(job, _half(slots, piece))
    out = np.zeros((len(job.shots), channels, job.length), np.float32)
    estimate = separate_channels(part.job, here).estimate
    out[part.rows[part.own], here.start : here.stop] = estimate[part.own]
    return out


def _half(count: int, piece: int) -> range:
    middle = -(-count // 2)
    return range(middle) if piece == 0 else range(middle, count)


def _changed(recording: Recording) -> NDArray[np.float32]:
    samples = recording.read(range(recording.shape[0]), 0, recording.shape[1])
    factor = 1 + 1e-6 * np.random.default_rng(0).standard_normal(samples.shape)
    return (samples * factor).astype(np.float32)


def compared(
    case: Case, whole: NDArray[np.float32], pieces: list[NDArray[np.float32]]
) -> list[float]:
    """Difference over local rms: overall and in the worst window, in dB, and windows above -20."""
    job, together = prepared(case), np.sum(pieces, axis=0)
    floor = LEAST * float(np.sqrt(np.mean(np.square(whole))))
    found = []
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
                apart = float(np.sqrt(np.mean(np.square(whole[place] - together[place]))))
                found.append(20 * np.log10(max(apart / local, 1e-12)))
    overall = np.sqrt(np.sum(np.square(whole - together)) / np.sum(np.square(whole)))
    above = 100 * float(np.mean(np.array(found) > LOOK_DB))
    both = 20 * np.log10(max(overall, 1e-12)), max(found)
    return [*(round(float(value), 1) for value in both), round(above, 2)]


def _pieces(case: Case) -> list[int | None]:
    """What is compared: the line in one piece, and its pieces."""
    return [None, 0] if case.cut == MILLIONTH else [None, 0, 1]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--scenes", nargs="+", default=list(SCENES))
    parser.add_argument("--method", default="joint")
    parser.add_argument("--cuts", nargs="+", choices=EXTENTS, default=list(EXTENTS))
    parser.add_argument("--iterations", type=int, nargs="+", default=[8, 20, 60])
    parser.add_argument("--processes", type=int, default=1)
    asked = parser.parse_args()
    cases = [
        Case(scene, cut, asked.method, iterations)
        for iterations in sorted(asked.iterations, reverse=True)
        for scene in asked.scenes
        for cut in asked.cuts
    ]
    if asked.processes > 1:
        os.environ["NUMBA_NUM_THREADS"] = "1"
    with ProcessPoolExecutor(asked.processes) as pool:
        tasks = [[pool.submit(estimated, case, piece) for piece in _pieces(case)] for case in cases]
        found = []
        for case, (whole, *pieces) in zip(cases, tasks, strict=True):
            results = whole.result(), [piece.result() for piece in pieces]
            found.append(pool.submit(compared, case, *results))
        numbers: dict[str, Number] = {
            f"{case.scene}, {case.cut}, {case.iterations} iterations": values.result()
            for case, values in zip(cases, found, strict=True)
        }
    print("overall and worst window in dB, windows above -20 dB in %")
    kept = RESULTS / "run.seams.json"
    before = json.loads(kept.read_text(encoding="utf-8"))["numbers"] if kept.exists() else {}
    keep("run.seams", before | numbers)


if __name__ == "__main__":
    main()
