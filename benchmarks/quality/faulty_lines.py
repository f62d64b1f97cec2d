"""Swell and spikes, and wrong fire times: what the robust fit and refined times give back.

    python -m benchmarks.quality.faulty_lines [--seeds 0 1 2] [--size small] [--processes 1]

Each number is kept as soon as it is there. Windows are six equal ones from the time break to the
deepest event; `start` is the pseudo-deblended record. Lines differ in one thing only: noise with or
without swell and spikes, fire times of the table wrong by 0.5 ms rms or right; `only the mean left`
has what no data can tell, the mean error of each source. `python -m benchmarks.quality.targets`
holds the numbers against what is to be reached.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from benchmarks.quality.lines import WINDOWS
from benchmarks.quality.score import Row, score_row
from benchmarks.result import RESULTS, Number, keep
from deblend.model.shots import Shots
from deblend.separation.fire_times import estimate_shifts, moved
from deblend.separation.job import prepare
from deblend.separation.separate import separate
from deblend.synth.build import Plan, build_line
from deblend.synth.firing import Trouble
from deblend.synth.line import Line
from deblend.synth.noise import White
from deblend.synth.scenes import Size, scene_plan, signal_windows_s
from deblend.synth.signature import Signature

NAME = "quality.faulty_lines"
LOW_BAND = Signature(4.0, 20.0, 55.0, 6.0, bubble_period_s=0.13)
"""Its direct arrival peaks at about 25 to 30 Hz."""
ERROR_S = 0.0005


def plans(size: Size) -> dict[str, Plan]:
    """All lines by name."""
    swell, times = scene_plan("swell-and-spikes", size), scene_plan("wrong-times", size)
    sources = tuple(replace(s, signature=LOW_BAND) for s in times.acquisition.sources)
    low = replace(times, acquisition=replace(times.acquisition, sources=sources))
    return {
        "swell and spikes": swell,
        "its white noise only": replace(swell, noise=(White(0.02),)),
        "wrong times, 25 Hz": low,
        "right times, 25 Hz": _on_time(low),
        "wrong times, wide band": times,
        "right times, wide band": _on_time(times),
    }


def _on_time(plan: Plan) -> Plan:
    return replace(plan, acquisition=replace(plan.acquisition, trouble=Trouble()))


def scores(line: Line, shots: Shots, *, robust: bool) -> Row:
    """Scores of the default method."""
    result = separate(line.recording, shots, length_s=line.length_s, robust=robust)
    return score_row(line, result.estimate.values, signal_windows_s(line, WINDOWS))


def noise_rows(size: Size, seed: int) -> Iterator[tuple[str, Row]]:
    """Rows of the noisy lines, without and with weights."""
    for name, robust in product(("swell and spikes", "its white noise only"), (True, False)):
        line = build_line(plans(size)[name], seed)
        yield f"{name}, robust {robust}", scores(line, line.shots, robust=robust)


def time_rows(size: Size, seed: int, band: str) -> Iterator[tuple[str, Row]]:
    """Rows of the lines with wrong times: as in the table, refined, right; and of right ones."""
    line = build_line(plans(size)[f"wrong times, {band}"], seed)
    true = build_line(plans(size)[f"right times, {band}"], seed)
    error = 1e-9 * (true.shots.fire_time_ns - line.shots.fire_time_ns).astype(np.float64)
    for kind, made, wrong in (("wrong", line, error), ("right", true, 0.0 * error)):
        job = prepare(made.recording, made.shots, length_s=made.length_s)
        shifts = estimate_shifts(job).applied_s
        refined = scores(made, moved(job, shifts).shots, robust=True)
        refined["error_before_ms"] = f"{1e3 * spread(wrong, made.shots):.4f}"
        refined["error_after_ms"] = f"{1e3 * spread(wrong - shifts, made.shots):.4f}"
        yield f"{kind} times, {band}, refined", refined
        yield f"{kind} times, {band}, as in the table", scores(made, made.shots, robust=True)
        if kind == "wrong":
            best = moved(job, about_mean(error, made.shots)).shots
            yield f"wrong times, {band}, only the mean left", scores(made, best, robust=True)


def about_mean(error_s: NDArray[np.float64], shots: Shots) -> NDArray[np.float64]:
    """Errors without the mean of each source, which no data can tell from a later wavelet."""
    left = error_s.copy()
    for source in shots.sources:
        rows = shots.rows_of(source)
        left[rows] -= error_s[rows].mean()
    return left


def spread(error_s: NDArray[np.float64], shots: Shots) -> float:
    """Rms error about the mean of each source."""
    return float(np.sqrt(np.mean(about_mean(error_s, shots) ** 2)))


def numbers(row: Row) -> dict[str, Number]:
    """What is kept of a row, in dB or ms."""
    kept: dict[str, Number] = {
        "all_db": float(row["snr_db"]),
        "start_db": float(row["start_db"]),
        "windows_db": [float(value) for value in row["snr_window_db"].split()],
        "windows_start_db": [float(value) for value in row["start_window_db"].split()],
    }
    kept |= {name: float(row[name]) for name in row if name.startswith("error_")}
    return kept


Task = tuple[str, str, int]
"""Part of the measurement, size and seed."""


def rows_of_task(task: Task) -> list[tuple[str, Row]]:
    """All rows of one part; in a process of its own."""
    part, name, seed = task
    size: Size = "full" if name == "full" else "small"
    rows = noise_rows(size, seed) if part == "noise" else time_rows(size, seed, part)
    return [(f"{size}, {name}, seed {seed}", row) for name, row in rows]


def keep_rows(name: str, rows: Iterable[tuple[str, Row]]) -> None:
    """Add rows to the numbers that are kept."""
    path = RESULTS / f"{name}.json"
    found: dict[str, Number] = {}
    if path.exists():
        found = json.loads(path.read_text(encoding="utf-8"))["numbers"]
    for label, row in rows:
        found |= {f"{label}, {key}": value for key, value in numbers(row).items()}
    keep(name, found)


def run_tasks(
    name: str, work: Callable[[Task], list[tuple[str, Row]]], tasks: list[Task], processes: int
) -> None:
    """Do all tasks, each as soon as a process is free, and keep what comes."""
    if processes == 1:
        for task in tasks:
            keep_rows(name, work(task))
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=context) as pool:
        for done in as_completed([pool.submit(work, task) for task in tasks]):
            keep_rows(name, done.result())


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--size", choices=("small", "full"), default="small")
    parser.add_argument("--seeds", nargs="+", type=int, default=[0, 1, 2])
    parser.add_argument("--parts", nargs="+", default=["noise", "25 Hz", "wide band"])
    parser.add_argument("--processes", type=int, default=1, help="Set NUMBA_NUM_THREADS too.")
    asked = parser.parse_args()
    tasks = [(part, asked.size, seed) for seed, part in product(asked.seeds, asked.parts)]
    run_tasks(NAME, rows_of_task, tasks, asked.processes)


if __name__ == "__main__":
    main()
