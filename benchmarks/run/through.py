"""The path of a line without iterations, against the disk: read, pseudo-deblend, write back.

    python -m benchmarks.run.through [--minutes 30] [--channels 64]

Bytes that go in and out of the disk (records read, store written and read, gathers written, all
waited for) over the time taken, and over the sequential rate at which the same disk writes one file
that is waited for.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path

import numpy as np

from benchmarks.result import Number, keep, refuse_forced_kernel
from benchmarks.run.lines import make_line
from deblend.run.line_file import read_line_file
from deblend.run.open_line import open_line
from deblend.run.prepare_line import prepare_line
from deblend.run.staging import stage_records, staged_recording
from deblend.run.store import create_shelf, write_channels
from deblend.run.work_folder import WorkFolder
from deblend.separation.block import split_unknown
from deblend.separation.job import in_table_order

BLOCK: int = 8


def sequential_rate(folder: Path, size: int) -> float:
    """Bytes a second of one file, written in pieces of 8 MB and waited for."""
    piece = np.random.default_rng(0).integers(0, 256, 8 << 20, dtype=np.uint8).tobytes()
    begin = time.perf_counter()
    with (folder / "sequential").open("wb") as file:
        for _ in range(max(1, size // len(piece))):
            file.write(piece)
        file.flush()
        os.fsync(file.fileno())
    return size / (time.perf_counter() - begin)


def main() -> None:
    refuse_forced_kernel()
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--channels", type=int, default=64)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        line = make_line(folder / "line", asked.minutes, asked.channels, 4.0, 1, "fk")
        opened = open_line(read_line_file(line))
        job = prepare_line(opened)
        work = WorkFolder(folder / "work")
        work.path.mkdir()
        begin = time.perf_counter()
        stage_records(job.recording, work, BLOCK, 1 << 30, lambda done, total: None)
        staged_s = time.perf_counter() - begin
        recording = staged_recording(job.recording, work)
        rows = np.flatnonzero(job.delivered)
        shelf = folder / "gathers"
        create_shelf(shelf, (len(rows), asked.channels, job.length), BLOCK)
        for first in range(0, asked.channels, BLOCK):
            block = range(first, min(first + BLOCK, asked.channels))
            samples, _ = split_unknown(recording.read(block, 0, recording.shape[1]), job.operator)
            gathers = in_table_order(job, job.operator.pseudo_deblend(samples), job.delivered)
            write_channels(shelf, block, gathers[rows])
        whole_s = time.perf_counter() - begin
        record_bytes = 4 * asked.channels * recording.shape[1]
        gather_bytes = 4 * len(rows) * asked.channels * job.length
        moved = 3 * record_bytes + gather_bytes
        disk = sequential_rate(folder, moved)
    numbers: dict[str, Number] = {
        "record_gb": round(record_bytes / 1e9, 2),
        "gathers_gb": round(gather_bytes / 1e9, 2),
        "staging_s": round(staged_s, 1),
        "whole_s": round(whole_s, 1),
        "moved_mb_per_s": round(moved / whole_s / 1e6),
        "disk_mb_per_s": round(disk / 1e6),
        "percent_of_disk": round(100 * moved / whole_s / disk),
    }
    keep("run.through", numbers)


if __name__ == "__main__":
    main()
