"""What shots of a missing file cost their neighbours: without a row, at right and at wrong times.

    python -m benchmarks.quality.missing_file [--seeds 0 1 2]

A standard scene loses 15 s of its record, which end 0.8 s after a shot. Shots in it that reach past
its end are left out of the table, kept with their times, or kept with wrong ones. Scored are the
shots that fire in the two gather lengths after the gap, with the separator of three sources.
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

import deblend
from benchmarks.result import Number, keep
from deblend.model.recording import Gap
from deblend.model.shots import Shots
from deblend.synth.build import build_line
from deblend.synth.line import MadeLine
from deblend.synth.scenes import scene_design

NAME: Final = "quality.missing_file"
GAP_S: Final = 15.0
INTO_SHOT_S: Final = 0.8
ERRORS_S: Final = (0.01, 0.1, 0.2)


def score(line: MadeLine, samples: NDArray[np.float32], gap: Gap, shots: Shots) -> float:
    """Signal over error of the shots after the gap, in dB."""
    recording = replace(line.recording, samples=samples, gaps=(gap,))
    result = deblend.separate(
        recording, shots, length_s=line.length_s, method="joint", learn_floor=False
    )
    estimate = result.estimate.values
    fired_s = (shots.fire_time_ns - recording.start_ns) * 1e-9
    end_s = gap.stop * recording.interval_s
    signal = error = 0.0
    for source in shots.sources:
        own = line.shots.rows_of(source)
        place = {int(point): at for at, point in enumerate(line.shots.shot_point[own])}
        for row in shots.rows_of(source):
            if end_s <= fired_s[row] < end_s + 2.0 * line.length_s:
                truth = line.truth[source][place[int(shots.shot_point[row])]]
                signal += float((truth**2).sum())
                error += float(((estimate[row] - truth) ** 2).sum())
    return 10.0 * float(np.log10(signal / error))


def of_seed(seed: int) -> dict[str, float]:
    """Scores of one line by what the table holds."""
    line = build_line(scene_design("three-sources", "small"), seed)
    recording, shots = line.recording, line.shots
    fired_s = (shots.fire_time_ns - recording.start_ns) * 1e-9
    end_s = np.sort(fired_s)[len(shots) // 2] + INTO_SHOT_S
    gap = Gap(*(round(at_s / recording.interval_s) for at_s in (end_s - GAP_S, end_s)))
    samples = recording.read(range(recording.shape[0]), 0, recording.shape[1])
    samples[:, gap.start : gap.stop] = np.nan
    inside = (fired_s >= end_s - GAP_S) & (fired_s < end_s)
    reaching = inside & (fired_s + line.length_s > end_s)
    tables = {"no row": shots.take(~inside), "right times": shots.take(~inside | reaching)}
    random = np.random.default_rng((seed, 0x3F))
    for error_s in ERRORS_S:
        times = shots.fire_time_ns.copy()
        times[reaching] += np.rint(
            random.choice([-1e9, 1e9], np.count_nonzero(reaching)) * error_s
        ).astype(np.int64)
        wrong = replace(shots, fire_time_ns=times).take(~inside | reaching)
        tables[f"wrong by {1e3 * error_s:g} ms"] = wrong
    return {name: score(line, samples, gap, table) for name, table in tables.items()}


def main() -> None:
    """Score and keep."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[0, 1, 2])
    seeds = parser.parse_args().seeds
    with ProcessPoolExecutor(min(len(seeds), os.cpu_count() or 1)) as pool:
        each = list(pool.map(of_seed, seeds))
    numbers: dict[str, Number] = {"seeds": len(seeds)}
    for name in each[0]:
        numbers[f"shots after the gap, {name} (dB)"] = [round(one[name], 1) for one in each]
    keep(NAME, numbers)


if __name__ == "__main__":
    main()
