"""Scores of methods on lines with a known answer.

    python -m benchmarks.quality.run --scenes three-sources white-noise --methods fk joint \
        --size full --seeds 0 1 2 --iterations 60

Every run has a process of its own, and its row is written to benchmarks/results/quality.csv as soon
as it is scored. Rows that are there with the same settings are not computed again; `--again` does.
The clock runs while the line is separated, not while it is made or scored; peak memory is that of
the process meanwhile. With several processes side by side times are upper bounds. Methods are
names, also of methods that other packages publish. `python -m benchmarks.quality.targets` holds the
table against what is to be reached.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import platform
import subprocess
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from itertools import product
from pathlib import Path
from threading import Lock
from typing import Final

from benchmarks.quality.lines import SIZES, line_names, make_line, windows_of
from benchmarks.quality.score import Row, score_row, settings_text
from benchmarks.quality.table import read_table, write_table
from benchmarks.result import PACKAGES, RESULTS, machine
from deblend.arrays import thread_count
from deblend.errors import DeblendError
from deblend.separation.job import prepare
from deblend.separation.separate import separate
from deblend.separation.settings import SeparationSettings
from deblend.study.one_run import peak_mib, reset_peak
from deblend.synth.line import MadeLine
from deblend.synth.scenes import Size

TABLE: Final = RESULTS / "quality.csv"
SHOWN: Final = ("start_db", "snr_db", "difference_snr_db", "worst_source_db")


@dataclass(frozen=True)
class Task:
    """One run."""

    scene: str
    size: Size
    method: str
    iterations: int
    seed: int

    @property
    def key(self) -> tuple[str, ...]:
        """As in the table."""
        return (self.scene, self.size, self.method, str(self.iterations), str(self.seed))


def run_task(task: Task, done_with: str) -> Row | None:
    """Row of a run; None where the line cannot be made; empty where it was done so before."""
    line = make_line(task.scene, task.size, task.seed)
    if line is None:
        return None
    job = prepare(
        line.recording,
        line.shots,
        length_s=line.length_s,
        method=task.method,
        settings=SeparationSettings(iterations=task.iterations),
    )
    settings = settings_text(job.all_settings)
    if settings == done_with:
        return {}
    reset_peak()
    begin = time.perf_counter()
    result = separate(
        line.recording,
        line.shots,
        length_s=line.length_s,
        method=task.method,
        iterations=task.iterations,
    )
    seconds = time.perf_counter() - begin
    peak = peak_mib()
    row = score_row(line, result.estimate.values, windows_of(task.scene, line))
    return _about(task, line, seconds) | row | {"peak_mib": f"{peak:.0f}", "settings": settings}


def _about(task: Task, line: MadeLine, seconds: float) -> Row:
    values = len(line.shots) * line.recording.shape[0] * line.gathers.shape[2]
    return {
        "scene": task.scene,
        "size": task.size,
        "method": task.method,
        "iterations": str(task.iterations),
        "seed": str(task.seed),
        "sources": str(len(line.shots.sources)),
        "shots": str(len(line.shots)),
        "channels": str(line.recording.shape[0]),
        "samples": str(line.gathers.shape[2]),
        "seconds": f"{seconds:.1f}",
        "sample_iterations_per_s": f"{values * task.iterations / seconds:.2e}",
        "threads": str(thread_count()),
        "machine": json.dumps(machine(), sort_keys=True),
        "versions": json.dumps(
            {"python": platform.python_version()} | {name: version(name) for name in PACKAGES}
        ),
        "commit": _commit(),
        "date": datetime.now(UTC).date().isoformat(),
    }


def _commit() -> str:
    done = subprocess.run(
        ["git", "describe", "--always", "--dirty"], capture_output=True, text=True, check=False
    )
    return done.stdout.strip()


def run_all(tasks: list[Task], path: Path, *, again: bool, processes: int) -> None:
    """Do all tasks, some at a time, each in a process of its own, and write each row at once."""
    context = multiprocessing.get_context("spawn")
    writing = Lock()

    def run_one(numbered: tuple[int, Task]) -> None:
        number, task = numbered
        known = read_table(path).get(task.key)
        done_with = known["settings"] if known and not again else ""
        with ProcessPoolExecutor(1, mp_context=context) as pool:
            try:
                row = pool.submit(run_task, task, done_with).result()
            except (DeblendError, BrokenProcessPool) as error:
                print(f"{number}/{len(tasks)}", *task.key, error, sep="\t", flush=True)
                return
        with writing:
            rows = read_table(path)  # another run may have written meanwhile
            if row:
                rows[task.key] = row
                write_table(path, rows)
        said = "no such data here" if row is None else _shown(row or rows[task.key])
        print(f"{number}/{len(tasks)}", *task.key, said, sep="\t", flush=True)

    with ThreadPoolExecutor(processes) as pool:
        list(pool.map(run_one, enumerate(tasks, start=1)))


def _shown(row: Row) -> str:
    deepest = row["snr_window_db"].split()[-1]
    scores = [f"{name.removesuffix('_db')} {row.get(name, '')}" for name in SHOWN]
    return ", ".join(
        [*scores, f"deepest {deepest}", f"{row['seconds']} s", f"{row['peak_mib']} MiB"]
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--scenes", nargs="+", choices=line_names(), default=line_names())
    parser.add_argument("--methods", nargs="+", default=["fk", "joint"])
    parser.add_argument("--size", nargs="+", choices=SIZES, default=["full"])
    parser.add_argument("--seeds", nargs="+", type=int, default=[0])
    parser.add_argument("--iterations", nargs="+", type=int, default=[60])
    parser.add_argument("--again", action="store_true", help="Compute rows that are there already.")
    parser.add_argument("--processes", type=int, default=1, help="Set NUMBA_NUM_THREADS too.")
    parser.add_argument("--table", type=Path, default=TABLE)
    asked = parser.parse_args()
    grid = product(asked.size, asked.scenes, asked.seeds, asked.iterations, asked.methods)
    tasks = [
        Task(scene, size, method, iterations, seed)
        for size, scene, seed, iterations, method in grid
    ]
    run_all(tasks, asked.table, again=asked.again, processes=asked.processes)


if __name__ == "__main__":
    main()
