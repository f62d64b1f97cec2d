"""Time to open a line of SEG-D files by their headers; no sample is read.

    python benchmarks/readers/open_segd.py --files 500 --channels 480 --seconds 60

The files are sparse: headers of a continuous record of 2 ms, no sample written.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))
from deblend.records.open import open_recording  # noqa: E402
from deblend.synth.segd_write import write_continuous_segd  # noqa: E402

INTERVAL_NS = 2_000_000
START_NS = 1_717_243_218_000_000_000


def write_sparse(folder: Path, files: int, channels: int, samples: int) -> int:
    """Files that follow each other, with holes for samples; their size in bytes, all together."""
    model = folder / "model"
    trace_bytes, size = 84 + 4 * samples, 0
    for number in range(files):
        write_continuous_segd(
            model,
            np.zeros((channels, 1), np.float32),
            interval_ns=INTERVAL_NS,
            start_ns=START_NS + number * samples * INTERVAL_NS,
            time_scale="gps",
            file_number=number + 1,
        )
        data = bytearray(model.read_bytes())
        first = 128 + 3 * 32 + 96
        data[128 + 96 + 12 : 128 + 96 + 16] = samples.to_bytes(4, "big")
        record = first - 128 + channels * trace_bytes
        for place in (8, 16):
            data[128 + 64 + place : 128 + 72 + place] = record.to_bytes(8, "big")
        with (folder / f"{number:04d}.segd").open("wb") as file:
            file.write(data[:first])
            for channel in range(channels):
                header = data[first + 88 * channel : first + 88 * channel + 84]
                header[20 + 24 : 20 + 28] = samples.to_bytes(4, "big")
                file.seek(first + channel * trace_bytes)
                file.write(header)
            file.truncate(128 + record)
        size += 128 + record
    model.unlink()
    return size


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--files", type=int, default=500)
    parser.add_argument("--channels", type=int, default=480)
    parser.add_argument("--seconds", type=float, default=60.0)
    options = parser.parse_args()
    samples = round(options.seconds * 1e9 / INTERVAL_NS)
    with tempfile.TemporaryDirectory() as name:
        size = write_sparse(Path(name), options.files, options.channels, samples)
        for _ in range(3):
            start = time.perf_counter()
            recording = open_recording(f"{name}/*.segd", time_scale="gps")
            seconds = time.perf_counter() - start
            print(
                f"{options.files} files, {size / 1e9:.1f} GB, shape {recording.shape}, "
                f"{len(recording.findings)} findings: opened in {seconds:.2f} s"
            )


if __name__ == "__main__":
    main()
