"""SEG-Y gathers written and read by deblend and by segyio.

    python -m benchmarks.readers.segyio_gathers

One source of 300 shots, 120 channels and 2000 samples (298 MB), in the page cache; CPU time, best
of three. Both write the same bytes. Writing counts what delivery promises: a temporary name, the
data on disk before the final name, and the SHA-256 of the manifest. segyio is used as its
documentation has it, a header a trace by field names, and also without any header, which no
delivery could do. The second reading of a delivered file is part of writing, and timed by itself.
Counted, too, are the kinds of files of gathers (byte orders, sample formats, extensions) that each
reads.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import segyio
from numpy.typing import NDArray

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "records")]
from segy_mutants import seeds  # noqa: E402

from benchmarks.result import Number, keep  # noqa: E402
from deblend.deliver.second_reader import read_again, some_traces, traces_to_read  # noqa: E402
from deblend.deliver.segy import write_source_segy  # noqa: E402
from deblend.deliver.trace_headers import SourceGathers  # noqa: E402
from deblend.errors import RecordError  # noqa: E402
from deblend.files import sha256_of, sync  # noqa: E402
from deblend.model.geometry import Geometry  # noqa: E402
from deblend.model.shots import make_shots  # noqa: E402
from deblend.records.segy.gathers import open_trace_file  # noqa: E402

SHOTS, CHANNELS, LENGTH = 300, 120, 2000
TIMES = 3
UNLISTED = (segyio.TraceField.UnassignedInt1, segyio.TraceField.UnassignedInt2)
"""Fields that segyio writes but does not list: the fraction of the time break."""


def made_gathers() -> tuple[NDArray[np.float32], SourceGathers]:
    """Noise, with headers in which every delivered field holds something."""
    rng = np.random.default_rng(0)
    along = 18.75 * np.arange(SHOTS)
    behind = 100.0 + 12.5 * np.arange(CHANNELS)
    shots = make_shots(
        np.ones(SHOTS, np.int64),
        1000 + np.arange(SHOTS),
        10**18 + 8_000_000_123 * np.arange(SHOTS),
        "utc",
        x_m=450_000 + along,
        y_m=np.full(SHOTS, 6_480_000.0),
        depth_m=np.full(SHOTS, 6.5),
    )
    shape = (SHOTS, CHANNELS)
    geometry = Geometry(
        np.broadcast_to(-behind, shape).copy(),
        450_000 + along[:, None] - behind,
        np.full(shape, 6_480_037.25),
        np.full(CHANNELS, 8.25),
    )
    description = SourceGathers(
        shots=shots,
        geometry=geometry,
        channel_numbers=np.arange(1, CHANNELS + 1),
        dead=np.zeros(CHANNELS, bool),
        interval_ns=4_000_000,
        length=LENGTH,
        amplitude_unit="Pa",
        line="Example",
        history=("Made.",),
    )
    return rng.standard_normal((*shape, LENGTH)).astype(np.float32), description


class SegyioCopy:
    """What segyio needs to write a file again: its texts, and the fields of each header."""

    def __init__(self, path: Path) -> None:
        with segyio.open(path, ignore_geometry=True) as file:
            self.text = bytes(file.text[0])
            self.binary = dict(file.bin)
            used = [
                dict(header) | {name: header[name] for name in UNLISTED}
                for header in file.header[:]
            ]
        names = [name for name in used[0] if any(header[name] for header in used)]
        self.headers = [{name: header[name] for name in names} for header in used]

    def write(self, path: Path, amplitude: NDArray[np.float32], headers: bool) -> None:
        """Write all of it, or all but the trace headers."""
        spec = segyio.spec()
        spec.format, spec.samples = 5, np.arange(LENGTH) * 4.0
        spec.tracecount = SHOTS * CHANNELS
        temporary = path.with_suffix(".part")
        traces = amplitude.reshape(-1, LENGTH)
        with segyio.create(temporary, spec) as file:
            file.text[0] = self.text
            file.bin = self.binary
            if headers:
                for number, header in enumerate(self.headers):
                    file.header[number] = header
            file.trace = traces
        sha256_of(temporary)
        sync(temporary)
        temporary.replace(path)


def read_by_segyio(path: Path) -> tuple[NDArray[np.float32], dict[int, NDArray[np.int64]]]:
    """Samples, and the header words that a plan of gathers asks for."""
    words = (segyio.TraceField.EnergySourcePoint, segyio.TraceField.TraceNumber)
    with segyio.open(path, ignore_geometry=True) as file:
        headers = {int(word): file.attributes(word)[:] for word in words}
        return file.trace.raw[:], headers


def read_by_deblend(path: Path) -> NDArray[np.float32]:
    """As `read_by_segyio`."""
    file = open_trace_file(path, ("source_point", "channel"))
    return file.read(np.arange(file.trace_count))


def headers_by_segyio(path: Path) -> list[dict[Any, int]]:
    """All words of all headers."""
    with segyio.open(path, ignore_geometry=True) as file:
        return [dict(header) for header in file.header[:]]


def best_s(action: Callable[[], object]) -> float:
    taken = []
    for _ in range(TIMES):
        begin = time.process_time()
        action()
        taken.append(time.process_time() - begin)
    return round(min(taken), 3)


def kinds_read() -> dict[str, Number]:
    """Of the small valid files that the fuzzer begins with, how many each can read as gathers."""
    counts = {"kinds_deblend_reads": 0, "kinds_segyio_reads": 0}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "kind.sgy"
        for content in seeds():
            path.write_bytes(content)
            try:
                samples = read_by_deblend(path)
            except RecordError:
                continue
            counts["kinds_deblend_reads"] += 1
            try:
                with segyio.open(path, ignore_geometry=True) as file:
                    counts["kinds_segyio_reads"] += np.array_equal(file.trace.raw[:], samples)
            except RuntimeError:
                continue
    return dict(counts)


def timings() -> dict[str, Number]:
    amplitude, description = made_gathers()
    with tempfile.TemporaryDirectory() as folder:
        ours, theirs = Path(folder) / "deblend.sgy", Path(folder) / "segyio.sgy"
        write_ours = best_s(lambda: write_source_segy(ours, amplitude, description))
        samples = some_traces(amplitude, 0, traces_to_read(SHOTS * CHANNELS))
        copy = SegyioCopy(ours)
        write_bare = best_s(lambda: copy.write(theirs, amplitude, headers=False))
        write_theirs = best_s(lambda: copy.write(theirs, amplitude, headers=True))
        if sha256_of(theirs) != sha256_of(ours):
            sys.exit("segyio writes other bytes")
        if not np.array_equal(read_by_deblend(ours), read_by_segyio(ours)[0]):
            sys.exit("segyio reads other samples")
        return {
            "write_deblend_s": write_ours,
            "read_again_s": best_s(lambda: read_again(ours, description, samples)),
            "write_segyio_s": write_theirs,
            "write_segyio_without_headers_s": write_bare,
            "read_deblend_two_words_s": best_s(lambda: read_by_deblend(ours)),
            "read_segyio_two_words_s": best_s(lambda: read_by_segyio(ours)),
            "read_segyio_all_words_s": best_s(
                lambda: (read_by_segyio(ours), headers_by_segyio(ours))
            ),
        }


def main() -> None:
    sizes = {"shots": SHOTS, "channels": CHANNELS, "samples": LENGTH}
    keep("readers.segyio_gathers", sizes | timings() | kinds_read())


if __name__ == "__main__":
    main()
