"""Continuous SEG-Y read by plain reads and through a memory map, in the shapes that a run asks for.

    python benchmarks/readers/read_segy.py

A file of 480 channels and 30000 samples of IEEE floats, in the page cache; best of five. The memory
map is what the reader does not use: another program that cuts the file short ends the process then.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))
from deblend.records.open import open_recording  # noqa: E402
from deblend.synth.segy_write import write_continuous_segy  # noqa: E402

CHANNELS, SAMPLES = 480, 30_000
HEADERS = 480
READS: dict[str, list[tuple[Sequence[int], int, int]]] = {
    "480 channels x 100 samples, 50 times": [
        (range(CHANNELS), start, start + 100) for start in range(100, 29_600, 590)
    ],
    "480 channels x 1000 samples, 20 times": [
        (range(CHANNELS), start, start + 1000) for start in range(100, 28_100, 1400)
    ],
    "4 channels x whole file, 20 times": [(range(100, 104), 0, SAMPLES)] * 20,
    "every 60th channel x whole file, 20 times": [(range(0, CHANNELS, 60), 0, SAMPLES)] * 20,
    "everything": [(range(CHANNELS), 0, SAMPLES)],
}


def through_a_map(path: Path, rows: Sequence[int], start: int, stop: int) -> NDArray[np.float32]:
    """The same samples through a memory map that lives as long as this call."""
    data = np.memmap(path, np.uint8, "r")
    stored: NDArray[np.float32] = np.ndarray(
        (CHANNELS, SAMPLES),
        ">f4",
        data.data,
        offset=3600 + HEADERS,
        strides=(HEADERS + 4 * SAMPLES, 4),
    )
    some = slice(rows[0], rows[-1] + 1, rows[1] - rows[0])
    return stored[some, start:stop].astype(np.float32)


def best_s(action: Callable[[], object], times: int = 5) -> float:
    taken = []
    for _ in range(times):
        begin = time.perf_counter()
        action()
        taken.append(time.perf_counter() - begin)
    return min(taken)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "record.sgy"
        samples = np.random.default_rng(0).standard_normal((CHANNELS, SAMPLES)).astype(np.float32)
        write_continuous_segy(
            path,
            samples,
            interval_ns=2_000_000,
            start_ns=10**18,
            time_scale="gps",
            channel_numbers=range(1, CHANNELS + 1),
        )
        recording = open_recording(path, time_scale="gps")
        for what, reads in READS.items():
            np.testing.assert_array_equal(recording.read(*reads[0]), through_a_map(path, *reads[0]))
            plain = best_s(lambda reads=reads: [recording.read(*read) for read in reads])
            mapped = best_s(lambda reads=reads: [through_a_map(path, *read) for read in reads])
            print(f"{what:44s} plain {plain * 1e3:7.1f} ms   map {mapped * 1e3:7.1f} ms")


if __name__ == "__main__":
    main()
