"""Rate of sequential decoding of SEG-D samples, beside numpy.fromfile and byteswap.

    python benchmarks/readers/decode_segd.py --channels 480 --seconds 60

The file lies in the page cache, so that decoding is measured and not the disk. Each figure is the
best of several turns taken alternately.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))
from deblend.records.open import open_recording  # noqa: E402
from deblend.records.segd.decode import FORMATS, decode_into  # noqa: E402
from deblend.synth.segd_write import write_continuous_segd  # noqa: E402

TURNS = 7


def seconds_of(function: Callable[[], object]) -> float:
    start = time.perf_counter()
    function()
    return time.perf_counter() - start


def whole_file(channels: int, samples: int, folder: Path) -> None:
    path = folder / "record.segd"
    block = np.random.default_rng(1).normal(size=(channels, samples)).astype(np.float32)
    write_continuous_segd(
        path, block, interval_ns=2_000_000, start_ns=1_717_243_218_000_000_000, time_scale="gps"
    )
    recording = open_recording(path, time_scale="gps")
    rows = range(channels)
    ways: dict[str, Callable[[], object]] = {
        "numpy.fromfile + byteswap": lambda: np.fromfile(path, ">f4").byteswap(),
        "numpy.fromfile + byteswap in place": lambda: np.fromfile(path, ">f4").byteswap(True),
        "reader, all channels": lambda: recording.read(rows, 0, samples),
        "reader, 64 channels at a time": lambda: [
            recording.read(rows[first : first + 64], 0, samples) for first in range(0, channels, 64)
        ],
    }
    best = dict.fromkeys(ways, np.inf)
    for _ in range(TURNS):
        for name, way in ways.items():
            best[name] = min(best[name], seconds_of(way))
    size = path.stat().st_size
    first = min(best["numpy.fromfile + byteswap"], best["numpy.fromfile + byteswap in place"])
    for name, seconds in best.items():
        print(f"{size / seconds / 1e9:6.2f} GB/s  {100 * first / seconds:4.0f} %  8058, {name}")


def kernels(channels: int, samples: int) -> None:
    generator = np.random.default_rng(2)
    out = np.empty((channels, samples), np.float32)
    factor = np.ones(channels, np.float32)
    for code, form in sorted(FORMATS.items()):
        raw = generator.integers(0, 256, (channels, form.size(samples)), dtype=np.uint8)
        best = min(
            seconds_of(lambda raw=raw, form=form: decode_into(raw, form, factor, out))
            for _ in range(TURNS)
        )
        print(f"{out.size / best / 1e6:7.0f} million samples/s  {code}, in memory")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--channels", type=int, default=480)
    parser.add_argument("--seconds", type=float, default=60.0)
    options = parser.parse_args()
    samples = round(options.seconds / 0.002)
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").exists() else None) as name:
        whole_file(options.channels, samples, Path(name))
    kernels(min(options.channels, 64), samples)


if __name__ == "__main__":
    main()
