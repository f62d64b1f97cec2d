"""The path of a line without iterations, against the disk: read, pseudo-deblend, write back.

    python -m benchmarks.run.through [--minutes 65] [--channels 256]

Bytes that go in and out of the disk (records read, store written and read, gathers written, all
writing waited for) over the time taken, and over the sequential rate at which the same disk writes
one file as large that is waited for; right after it, on the same disk. Records and store may be
read from the system's cache, so the bytes written alone are compared, too. The same for a short
line, where what a run takes at any length counts most.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchmarks.result import Number, keep, refuse_forced_kernel
from benchmarks.run.lines import make_line
from deblend.line.line_file import read_line_file
from deblend.line.open_line import open_line
from deblend.line.prepare_line import prepare_line
from deblend.model.recording import Recording
from deblend.run.run_folder import RunFolder
from deblend.run.staging import prefetched, stage_records, staged_recording
from deblend.run.store import create_estimate_store, write_channels
from deblend.separation.block import split_unknown
from deblend.separation.job import Job

BLOCK: int = 8
SHORT_MINUTES: float = 30.0
SHORT_CHANNELS: int = 64


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


def cut_blocks(
    job: Job, recording: Recording, blocks: list[range]
) -> Iterator[NDArray[np.float32]]:
    """Gathers of blocks of channels, in slot order."""
    for block in blocks:
        samples, _ = split_unknown(recording.read(block, 0, recording.shape[1]), job.operator)
        yield job.operator.pseudo_deblend(samples)


def slots_in_table_order(job: Job) -> NDArray[np.int64]:
    """Slots of the delivered shots."""
    row = job.layout.row.ravel()
    slot = np.zeros(len(job.shots), np.int64)
    slot[row[row >= 0]] = np.flatnonzero(row >= 0)
    return slot[job.delivered]


def through(folder: Path, minutes: float, channels: int) -> dict[str, Number]:
    line = make_line(folder / "line", minutes, channels, 4.0, 1, "fk")
    os.sync()  # or the run would wait until the line made for it is on disk
    begin = time.perf_counter()
    job = prepare_line(open_line(read_line_file(line)))
    opened_s = time.perf_counter() - begin
    begin = time.perf_counter()
    work = RunFolder(folder / "work")
    work.path.mkdir()
    stage_records(job.recording, work, BLOCK, 1 << 30, lambda done, total: None)
    staged_s = time.perf_counter() - begin
    recording = staged_recording(job.recording, work)
    rows = slots_in_table_order(job)
    estimate_store = folder / "gathers"
    create_estimate_store(estimate_store, (len(rows), channels, job.length), BLOCK)
    blocks = [range(at, min(at + BLOCK, channels)) for at in range(0, channels, BLOCK)]
    for block, gathers in zip(blocks, prefetched(cut_blocks(job, recording, blocks)), strict=True):
        write_channels(estimate_store, block, gathers, rows)
    whole_s = time.perf_counter() - begin
    record = 4 * channels * recording.shape[1]
    written = record + 4 * len(rows) * channels * job.length
    moved = written + 2 * record
    disk = sequential_rate(folder, moved)
    return {
        "record_gb": round(record / 1e9, 2),
        "gathers_gb": round((written - record) / 1e9, 2),
        "opening_s": round(opened_s, 2),
        "staging_s": round(staged_s, 1),
        "whole_s": round(whole_s, 1),
        "moved_mb_per_s": round(moved / whole_s / 1e6),
        "disk_mb_per_s": round(disk / 1e6),
        "percent_of_disk": round(100 * moved / whole_s / disk),
        "written_percent_of_disk": round(100 * written / whole_s / disk),
    }


def main() -> None:
    refuse_forced_kernel()
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--minutes", type=float, default=65.0)
    parser.add_argument("--channels", type=int, default=256)
    asked = parser.parse_args()
    numbers: dict[str, Number] = {}
    with tempfile.TemporaryDirectory() as name:
        short = Path(name) / "short"
        short.mkdir()
        for key, value in through(short, SHORT_MINUTES, SHORT_CHANNELS).items():
            numbers[f"short_line_{key}"] = value
    with tempfile.TemporaryDirectory() as name:
        numbers |= through(Path(name), asked.minutes, asked.channels)
    keep("run.through", numbers)


if __name__ == "__main__":
    main()
