"""What injected events say of the error, against the true one.

python -m benchmarks.qc.injection_truth [--processes 16] [--only PART ...]

The lines of `benchmarks.qc.verdict`, recorded shots and computed waves first, some methods each.
Events go into the record as `deblend inject` puts them there, 6 dB below what is around them: into
all sources, and into the first alone. Printed for each line: the true error; what is wrong of the
events, over their energy; what appeared in other sources when the first alone had events. Both are
predictions of the error, given in dB, mean of sources.
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

os.environ.setdefault("NUMBA_NUM_THREADS", "1")

import numpy as np
from scipy.stats import spearmanr

from benchmarks.qc.verdict_lines import verdict_lines
from benchmarks.result import Number, keep
from deblend.inject.event_design import design_events
from deblend.inject.injected_events import EventGathers, inject
from deblend.inject.injection import LEVEL_DB, SHOTS_FOR_DESIGN
from deblend.qc.expected_error import EnergySums
from deblend.separation.job import prepare, separate_channels
from deblend.separation.learned_floor import with_learned_floor
from deblend.separation.settings import SeparationSettings

KINDS = ("recorded", "wave", "made")
RUNS = (("joint", 40), ("fk", 40))
TINY = 1e-30
Task = tuple[int, str, int]


def measure(task: Task) -> dict[str, np.ndarray]:
    """True error and both predictions in dB, each (1 + window), the whole trace first."""
    number, method, iterations = task
    line = verdict_lines()[number].make()
    settings = SeparationSettings(iterations=iterations, device="cpu")
    job = prepare(
        line.recording, line.shots, length_s=line.length_s, method=method, settings=settings
    )
    job = with_learned_floor(replace(job, measured_reference=job.reference))
    channels, every = range(line.recording.shape[0]), np.arange(len(line.shots))
    sums, before = EnergySums(job), separate_channels(job, channels).estimate
    known = bool(np.isfinite(line.geometry.offset_m).all())
    offset = line.geometry.offset_m if known else np.zeros(before.shape[:2])
    some = np.concatenate(
        [rows[np.linspace(0, len(rows) - 1, SHOTS_FOR_DESIGN).astype(int)] for rows in sums.rows]
    )
    events = design_events(
        before[some],
        np.searchsorted(np.array(line.shots.sources), line.shots.source[some]),
        offset[some] if known else None,
        job.recording.interval_s,
        level_db=LEVEL_DB,
        seed=0,
    )
    added = EventGathers(events, job.shots, offset, job.recording.interval_s, job.length)

    def change(put_in: EventGathers) -> np.ndarray:
        with_events = replace(job, recording=inject(job.recording, put_in))
        return separate_channels(with_events, channels).estimate - before

    put_in = added.gathers(every, channels)
    wrong = sums(change(added) - put_in) / np.maximum(sums(put_in), TINY)
    only = replace(added, only=line.shots.sources[0])
    into = sums(only.gathers(every, channels))[0]
    elsewhere = sums(change(only))[1:] / np.maximum(into, TINY)
    truth = sums(line.gathers)
    true = sums(before - line.gathers) / np.maximum(truth, TINY)
    signal = truth.sum(axis=0) >= 1e-4 * truth[:, 0].sum()
    found = {"true": true, "wrong": wrong, "elsewhere": elsewhere}
    return {
        name: np.where(signal, 10 * np.log10(np.maximum(np.mean(part, axis=0), TINY)), np.nan)
        for name, part in found.items()
    }


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--processes", type=int, default=len(os.sched_getaffinity(0)))
    parser.add_argument("--only", nargs="*", default=[""])
    chosen = parser.parse_args()
    lines = verdict_lines()
    tasks: list[Task] = [
        (number, *run)
        for kind in KINDS
        for number, line in enumerate(lines)
        for run in RUNS
        if line.kind == kind and any(part in f"{line.scene} {run[0]}" for part in chosen.only)
    ]
    numbers: dict[str, Number] = {"separations": len(tasks)}
    rows: list[dict[str, np.ndarray]] = []
    with ProcessPoolExecutor(chosen.processes) as pool:
        for (number, method, _), row in zip(tasks, pool.map(measure, tasks), strict=True):
            name = f"{lines[number].kind}: {lines[number].scene}, {method}"
            whole = [round(float(row[key][0]), 1) for key in ("true", "wrong", "elsewhere")]
            print(f"{name:44} true {whole[0]:6.1f} wrong {whole[1]:6.1f} elsewhere {whole[2]:6.1f}")
            numbers[f"{name}: true, wrong, elsewhere (dB)"] = whole
            rows.append(row)
    true, wrong, elsewhere = (
        np.concatenate([row[key][1:] for row in rows]) for key in ("true", "wrong", "elsewhere")
    )
    for name, predicted in (("wrong", wrong), ("elsewhere", elsewhere)):
        use = np.isfinite(true) & np.isfinite(predicted)
        off = predicted[use] - true[use]
        ranked = spearmanr(predicted[use], true[use]).statistic  # type: ignore[attr-defined]
        numbers |= {
            f"windows, {name}: rank correlation": round(float(ranked), 2),
            f"windows, {name}: median difference (dB)": round(float(np.median(off)), 1),
            f"windows, {name}: within 5 dB (%)": round(100 * float(np.mean(abs(off) <= 5)), 1),
        }
    keep("qc.injection_truth", numbers)


if __name__ == "__main__":
    main()
