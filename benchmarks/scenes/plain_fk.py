"""Score of plain windowed f-k on every standard scene, written to plain_fk.csv beside this file.

    python benchmarks/scenes/plain_fk.py [small|full ...] [--scenes NAME ...]

Rows that are not asked for stay as they are. Energies are pooled over all sources; the start is the
pseudo-deblended record; the deepest window is the last of six from the time break to the deepest
event. Takes some three minutes for small and half an hour for full on two cores.
"""

from __future__ import annotations

import argparse
import csv
import time
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deblend.blending.operator import operator_of
from deblend.separation.separate import separate
from deblend.synth.line import MadeLine
from deblend.synth.scenes import make_scene, scene_names, signal_windows_s
from deblend.trial.likeness import snr_db

TABLE = Path(__file__).with_name("plain_fk.csv")
ITERATIONS = 60


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("sizes", nargs="*", default=["small", "full"])
    parser.add_argument("--scenes", nargs="*", default=list(scene_names()))
    asked = parser.parse_args()
    rows = read_table()
    for size in asked.sizes:
        for name in asked.scenes:
            rows[name, size] = score_scene(name, size)
            print(*rows[name, size].values(), sep="\t", flush=True)
            write_table(rows)


def score_scene(name: str, size: str) -> dict[str, str]:
    line = make_scene(name, "full" if size == "full" else "small")
    started = time.perf_counter()
    result = separate(
        line.recording, line.shots, length_s=line.length_s, method="fk", iterations=ITERATIONS
    )
    seconds = time.perf_counter() - started
    live = line.shots.live
    truth, estimate = line.gathers[live], result.estimate.values[live]
    sources = [truth[line.shots.source[live] == source] for source in line.shots.sources]
    found = [estimate[line.shots.source[live] == source] for source in line.shots.sources]
    begin, end = (round(at / line.recording.interval_s) for at in signal_windows_s(line)[-1])
    deepest = slice(begin, end)
    numbers = {
        "start_db": snr_db(truth, pseudo_deblended(line)[live]),
        "snr_db": snr_db(truth, estimate),
        "worst_source_db": min(snr_db(*pair) for pair in zip(sources, found, strict=True)),
        "deepest_window_db": snr_db(truth[..., deepest], estimate[..., deepest]),
        "seconds": seconds,
    }
    about = {
        "scene": name,
        "size": size,
        "shots": str(truth.shape[0]),
        "channels": str(truth.shape[1]),
        "samples": str(truth.shape[2]),
        "iterations": str(ITERATIONS),
    }
    return about | {key: f"{value:.1f}" for key, value in numbers.items()}


def pseudo_deblended(line: MadeLine) -> NDArray[np.float32]:
    recording = line.recording
    operator = operator_of(recording, line.shots, line.gathers.shape[2])
    record = recording.read(range(recording.shape[0]), 0, recording.shape[1])
    return np.asarray(operator.pseudo_deblend(np.nan_to_num(record, nan=0.0)), np.float32)


def read_table() -> dict[tuple[str, str], dict[str, str]]:
    if not TABLE.exists():
        return {}
    with TABLE.open(encoding="utf-8", newline="") as file:
        return {(row["scene"], row["size"]): row for row in csv.DictReader(file)}


def write_table(rows: dict[tuple[str, str], dict[str, str]]) -> None:
    order = [(name, size) for size in ("small", "full") for name in scene_names()]
    kept = [rows[key] for key in order if key in rows]
    with TABLE.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(kept[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(kept)


if __name__ == "__main__":
    main()
