"""Swell and spikes, and wrong fire times: what the robust fit and refined times give back.

    python -m benchmarks.quality.faulty_lines [--seeds 0 1 2] [--size small] [--processes 1]

Each number is kept as soon as it is there. Windows are six equal ones from the time break to the
deepest event; `start` is the pseudo-deblended record. Lines differ in one thing only: noise with or
without swell and spikes, fire times of the table wrong by 0.5 ms rms or right; `only the mean left`
has what no data can tell, the mean error of each source (`error_mean_ms`). That mean is the smaller
the more shots a source has: 48 on small lines, 108 on full ones, 400 on long ones. Seeds from 3
were never looked at while the methods were made. `python -m benchmarks.quality.targets` holds the
numbers against what is to be reached.
"""

from __future__ import annotations

import argparse
import fcntl
import json
import multiprocessing
import tempfile
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from benchmarks.result import RESULTS, Number, keep
from deblend.in_memory import separate
from deblend.model.shots import Shots
from deblend.separation.fire_times import estimate_shifts, with_shifted_times
from deblend.separation.job import prepare
from deblend.study.lines import WINDOWS
from deblend.study.scores import pseudo_deblended, score_against_truth
from deblend.synth.build import SceneDesign, build_line
from deblend.synth.firing import Trouble
from deblend.synth.line import MadeLine
from deblend.synth.noise import White
from deblend.synth.scenes import Extent, Size, scene_design, signal_windows_s
from deblend.synth.signature import Signature

NAME = "quality.faulty_lines"
Row = dict[str, str]
LOW_BAND = Signature(4.0, 20.0, 55.0, 6.0, bubble_period_s=0.13)
"""Its direct arrival peaks at about 25 to 30 Hz."""
ERROR_S = 0.0005
KINDS: Final = {
    "swell and spikes": ("robust True", "robust False"),
    "its white noise only": ("robust True", "robust False"),
    "wrong times": ("refined", "as in the table", "only the mean left"),
    "right times": ("refined", "as in the table"),
}
"""What is done with each line."""
PARTS: Final = ("noise", "25 Hz", "wide band")
LINES: Final[dict[str, Size | Extent]] = {
    "small": "small",
    "full": "full",
    "long": Extent(400, 8, 2.4),
}
"""Lines by size: the standard ones, and one with channels of the small and many shots."""


def plans(size: Size | Extent) -> dict[str, SceneDesign]:
    """All lines by name."""
    swell, times = scene_design("swell-and-spikes", size), scene_design("wrong-times", size)
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


def _on_time(plan: SceneDesign) -> SceneDesign:
    return replace(plan, acquisition=replace(plan.acquisition, trouble=Trouble()))


def labels(part: str, kinds: Sequence[str]) -> list[str]:
    """Lines of a part of the measurement with what is done with them, of some `kinds`."""
    if part == "noise":
        lines = {"swell and spikes": "", "its white noise only": ""}
    else:
        lines = {"wrong times": f", {part}", "right times": f", {part}"}
    return [
        f"{line}{band}, {kind}"
        for line, band in lines.items()
        for kind in KINDS[line]
        if kind in kinds
    ]


def scores(line: MadeLine, shots: Shots, *, robust: bool) -> Row:
    """Scores of the default method."""
    result = separate(line.recording, shots, length_s=line.length_s, robust=robust)
    estimate, windows_s = result.estimate.values, signal_windows_s(line, WINDOWS)
    found = score_against_truth(line, estimate, pseudo_deblended(line), windows_s)
    return {name: _cell(value) for name, value in found.items()}


def _cell(value: Any) -> str:
    """A number, numbers separated by blanks, or nothing."""
    if value is None:
        return ""
    return " ".join(f"{number:.2f}" for number in (value if isinstance(value, list) else [value]))


def row_of(name: str, kind: str, size: Size | Extent, seed: int) -> Row:
    """Row of a line and of what is done with it: one of `KINDS`."""
    line = build_line(plans(size)[name], seed)
    if kind.startswith("robust"):
        return scores(line, line.shots, robust=kind == "robust True")
    if kind == "as in the table":
        return scores(line, line.shots, robust=True)
    true = build_line(plans(size)[name.replace("wrong", "right")], seed)
    error = 1e-9 * (true.shots.fire_time_ns - line.shots.fire_time_ns).astype(np.float64)
    job = prepare(line.recording, line.shots, length_s=line.length_s)
    refined = kind == "refined"
    shifts = estimate_shifts(job).applied_s if refined else about_mean(error, line.shots)
    row = scores(line, with_shifted_times(job, shifts).shots, robust=True)
    left = error - shifts
    row["error_before_ms"] = f"{1e3 * spread(error, line.shots):.4f}"
    row["error_after_ms"] = f"{1e3 * spread(left, line.shots):.4f}"
    row["error_mean_ms"] = f"{1e3 * rms(left - about_mean(left, line.shots)):.4f}"
    return row


def about_mean(error_s: NDArray[np.float64], shots: Shots) -> NDArray[np.float64]:
    """Errors without the mean of each source, which no data can tell from a later wavelet."""
    left = error_s.copy()
    for source in shots.sources:
        rows = shots.rows_of(source)
        left[rows] -= error_s[rows].mean()
    return left


def spread(error_s: NDArray[np.float64], shots: Shots) -> float:
    """Rms error about the mean of each source."""
    return rms(about_mean(error_s, shots))


def rms(values: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(values**2)))


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
"""Line with what is done with it, size and seed."""


def rows_of_task(task: Task) -> list[tuple[str, Row]]:
    """The row of one task; in a process of its own."""
    label, size, seed = task
    line, _, kind = label.rpartition(", ")
    return [(f"{size}, {label}, seed {seed}", row_of(line, kind, LINES[size], seed))]


def keep_rows(name: str, rows: Iterable[tuple[str, Row]]) -> None:
    """Add rows to the numbers that are kept; runs side by side wait for each other."""
    path = RESULTS / f"{name}.json"
    with (Path(tempfile.gettempdir()) / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
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
    parser.add_argument("--size", choices=LINES, default="small")
    parser.add_argument("--seeds", nargs="+", type=int, default=[0, 1, 2])
    parser.add_argument("--parts", nargs="+", choices=PARTS, default=PARTS)
    kinds = tuple(dict.fromkeys(kind for some in KINDS.values() for kind in some))
    parser.add_argument("--kinds", nargs="+", choices=kinds, default=kinds)
    parser.add_argument("--processes", type=int, default=1, help="Set NUMBA_NUM_THREADS too.")
    asked = parser.parse_args()
    tasks = [
        (label, asked.size, seed)
        for seed, part in product(asked.seeds, asked.parts)
        for label in labels(part, asked.kinds)
    ]
    tasks.sort(key=lambda task: not task[0].endswith("refined"))  # these take longest
    run_tasks(NAME, rows_of_task, tasks, asked.processes)


if __name__ == "__main__":
    main()
