"""Robust fit and refined fire times on every standard scene: what they change, for better or worse.

    python -m benchmarks.quality.switched_on [--seeds 0 1] [--processes 1] [--scenes NAME ...]

Each scene twice: as it is, and with fire times of the table that are wrong by 0.5 ms rms (the scene
whose own are wrong, with right ones). Scored in six windows: plain least squares with the times of
the table, with the robust fit, and with the robust fit at refined times. Where nothing is wrong the
last two are to change less than 0.2 dB, and refined times are to make nothing worse anywhere.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import replace
from itertools import product
from typing import Final

import numpy as np

from benchmarks.quality.faulty_lines import ERROR_S, Row, Task, run_tasks, scores, spread
from deblend.separation.fire_times import estimate_shifts, with_shifted_times
from deblend.separation.job import prepare
from deblend.synth.build import SceneDesign, build_line
from deblend.synth.scenes import scene_design, scene_names

NAME: Final = "quality.switched_on"
TIMES: Final = ("right", "wrong")


def with_times(scene: str, times: str) -> SceneDesign:
    """A small scene with right or wrong fire times."""
    plan = scene_design(scene, "small")
    trouble = plan.acquisition.trouble
    error_s = ERROR_S if times == "wrong" else 0.0
    trouble = replace(trouble, timing_error_rms_s=error_s)
    return replace(plan, acquisition=replace(plan.acquisition, trouble=trouble))


def rows_of_task(task: Task) -> list[tuple[str, Row]]:
    """All rows of a scene, its times and a seed; in a process of its own."""
    return list(_rows(*task))


def _rows(scene: str, times: str, seed: int) -> Iterator[tuple[str, Row]]:

    def label(row: str) -> str:
        return f"{scene}, {times} times, {row}, seed {seed}"

    line = build_line(with_times(scene, times), seed)
    true = build_line(with_times(scene, "right"), seed)
    error = 1e-9 * (true.shots.fire_time_ns - line.shots.fire_time_ns).astype(np.float64)
    if times == "right":
        yield label("least squares"), scores(line, line.shots, robust=False)
    yield label("robust"), scores(line, line.shots, robust=True)
    job = prepare(line.recording, line.shots, length_s=line.length_s)
    shifts = estimate_shifts(job).applied_s
    refined = scores(line, with_shifted_times(job, shifts).shots, robust=True)
    refined["error_before_ms"] = f"{1e3 * spread(error, line.shots):.4f}"
    refined["error_after_ms"] = f"{1e3 * spread(error - shifts, line.shots):.4f}"
    yield label("refined"), refined


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--scenes", nargs="+", choices=scene_names(), default=scene_names())
    parser.add_argument("--seeds", nargs="+", type=int, default=[0, 1])
    parser.add_argument("--processes", type=int, default=1, help="Set NUMBA_NUM_THREADS too.")
    asked = parser.parse_args()
    tasks = [(s, times, seed) for seed, s, times in product(asked.seeds, asked.scenes, TIMES)]
    run_tasks(NAME, rows_of_task, tasks, asked.processes)


if __name__ == "__main__":
    main()
