"""Expected error against the true one, on lines that the prediction was not calibrated on.

python -m benchmarks.qc.verdict measure [--processes 16] [--only PART] [--out FILE]
python -m benchmarks.qc.verdict fit [--file FILE]

`measure` separates each line by each method and writes what was measured without the answer, and
the true error, as one row a source and window (about 5 minutes on 16 cores); `fit` fits the
prediction, judges it with scenes left out in turn, draws predicted against true, and prints the
coefficients of `deblend.qc.expected_error`.
"""

from __future__ import annotations

import argparse
import csv
import os
import time
import traceback
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

os.environ.setdefault("NUMBA_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

FEATURES = Path("benchmarks/results/qc.verdict_features.csv")
COST = {"joint": 1.0, "fk": 0.8, "median": 4.0, "rank": 2.0}
"""Of an iteration, roughly: the slow runs begin first."""


def run(task: tuple[int, str, int]) -> list[dict[str, object]]:
    """Rows of one separation."""
    from benchmarks.qc.verdict_features import measure
    from benchmarks.qc.verdict_lines import verdict_lines

    number, method, iterations = task
    chosen = verdict_lines()[number]
    begin = time.perf_counter()
    line = chosen.make()
    made_s = time.perf_counter() - begin
    table, about = measure(line, method, iterations)
    about["made_s"], about["wall_s"] = made_s, time.perf_counter() - begin
    sources, columns = table["true"].shape
    return [
        {
            "scene": chosen.scene,
            "kind": chosen.kind,
            "method": method,
            "iterations": iterations,
            "source": source,
            "window": column,
            **{name: f"{values[source, column]:.6g}" for name, values in table.items()},
            **{name: f"{value:.6g}" for name, value in about.items()},
        }
        for source in range(sources)
        for column in range(columns)
    ]


def measure_all(processes: int, only: str, file: Path) -> None:
    from benchmarks.qc.verdict_lines import verdict_lines

    tasks = [
        (number, method, iterations)
        for number, line in enumerate(verdict_lines())
        for method, iterations in line.runs
        if only in f"{line.scene} {line.kind} {method} {iterations}"
    ]
    lines = verdict_lines()
    tasks.sort(
        key=lambda task: -task[2] * COST[task[1]] * (4 if "long" in lines[task[0]].scene else 1)
    )
    print(f"{len(tasks)} separations", flush=True)
    rows: list[dict[str, object]] = []
    begin = time.perf_counter()
    with ProcessPoolExecutor(processes) as pool:
        waiting = {pool.submit(run, task): task for task in tasks}
        for done in as_completed(waiting):
            task = waiting[done]
            try:
                found = done.result()
            except Exception:
                print("failed:", verdict_lines()[task[0]].scene, *task[1:], flush=True)
                traceback.print_exc()
                continue
            rows += found
            first = found[0]
            print(
                f"{time.perf_counter() - begin:5.0f} s  {first['scene']:18} {first['method']:7}"
                f"{first['iterations']:4}  {float(str(first['wall_s'])):5.1f} s",
                flush=True,
            )
            write(rows, file)


def write(rows: list[dict[str, object]], file: Path) -> None:
    """After each run, so that what was measured is not lost."""
    columns = list(dict.fromkeys(name for row in rows for name in row))
    file.parent.mkdir(parents=True, exist_ok=True)
    with file.open("w", newline="", encoding="utf-8") as out:
        writer = csv.DictWriter(out, columns, restval="nan")
        writer.writeheader()
        writer.writerows(rows)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("step", choices=("measure", "fit"))
    parser.add_argument("--processes", type=int, default=len(os.sched_getaffinity(0)))
    parser.add_argument("--only", default="")
    parser.add_argument("--out", type=Path, default=FEATURES)
    parser.add_argument("--file", type=Path, default=FEATURES)
    chosen = parser.parse_args()
    if chosen.step == "measure":
        measure_all(chosen.processes, chosen.only, chosen.out)
    else:
        from benchmarks.qc.verdict_fit import fit

        fit(chosen.file)


if __name__ == "__main__":
    main()
