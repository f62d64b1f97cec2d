"""The fuzzer of the readers: mutated files, a limit on memory and on time for each."""

from __future__ import annotations

import argparse
import resource
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from types import CodeType, FrameType

import numpy as np

ROOT = Path(__file__).parents[2]
READER = str(ROOT / "deblend" / "records")
LIMIT_S = 10
ALLOWANCE_BYTES = 32 << 20
LARGEST_FILE = 1 << 20

Use = Callable[[Path], str]


class TooLongError(Exception):
    """A file took longer than the limit."""


def too_long(_signal: int, _frame: FrameType | None) -> None:
    raise TooLongError


def limit_memory() -> None:
    """Refuse more address space than there is now, plus what a file may cost."""
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    most = pages * resource.getpagesize() + 3 * LARGEST_FILE + ALLOWANCE_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (most, most))


def lines_reached(use: Use, path: Path) -> tuple[str, set[tuple[str, int]]]:
    """What `use` comes to, and the lines of the reader that it runs."""
    reached: set[tuple[str, int]] = set()
    ours: dict[CodeType, bool] = {}

    def trace(frame: FrameType, event: str, _argument: object) -> object:
        code = frame.f_code
        if code not in ours:
            ours[code] = code.co_filename.startswith(READER)
        if not ours[code]:
            return None
        if event == "line":
            reached.add((code.co_filename, frame.f_lineno))
        return trace

    sys.settrace(trace)  # type: ignore[arg-type]
    try:
        return use(path), reached
    finally:
        sys.settrace(None)


def fuzz(
    name: str,
    seeds: list[bytes],
    mutant: Callable[[bytes, np.random.Generator], bytes],
    use: Use,
) -> int:
    """Run the fuzzer as a program; 0 where every file was read or refused in time and space.

    Parameters
    ----------
    name : str
        Extension of the files.
    seeds : list of bytes
        Whole files to begin with.
    mutant : callable
        Damages a file.
    use : callable
        Opens and reads a file; only errors of the package are caught there.
    """
    parser = argparse.ArgumentParser(description=f"Fuzz the reader of {name} files.")
    parser.add_argument("--files", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--guided", type=float, default=0.2, help="part run under the tracer")
    options = parser.parse_args()
    warnings.simplefilter("error")
    generator = np.random.default_rng(options.seed)
    corpus, reached, outcomes = list(seeds), set(), Counter()
    signal.signal(signal.SIGALRM, too_long)
    begin, slowest = time.perf_counter(), 0.0
    with tempfile.TemporaryDirectory(
        dir="/dev/shm" if Path("/dev/shm").exists() else None
    ) as folder:
        path = Path(folder) / f"mutant.{name}"
        for data in corpus:
            path.write_bytes(data)
            reached |= lines_reached(use, path)[1]
            use(path)
        limit_memory()
        known = len(corpus)
        for number in range(options.files):
            data = mutant(corpus[int(generator.integers(len(corpus)))], generator)[:LARGEST_FILE]
            path.write_bytes(data)
            start = time.perf_counter()
            signal.alarm(LIMIT_S)
            try:
                if number < options.guided * options.files:
                    outcome, lines = lines_reached(use, path)
                    if not lines <= reached:
                        reached |= lines
                        corpus.append(data)
                else:
                    outcome = use(path)
            except BaseException as error:
                if isinstance(error, KeyboardInterrupt):
                    raise
                outcome = f"FAILED {type(error).__name__}"
                kept = Path(tempfile.gettempdir()) / f"mutant-{options.seed}-{number}.{name}"
                kept.write_bytes(data)
                traceback.print_exc(limit=-4)
                print(f"kept as {kept}")
            finally:
                signal.alarm(0)
            slowest = max(slowest, time.perf_counter() - start)
            outcomes[outcome] += 1
            if number % 20_000 == 19_999:
                print(f"{number + 1} files, {len(corpus) - known} mutants kept", flush=True)
    seconds = time.perf_counter() - begin
    print(f"{options.files} files in {seconds:.0f} s, slowest {slowest:.2f} s, seed {options.seed}")
    print(f"{len(corpus) - known} mutants joined the {known} seeds; {len(reached)} lines reached")
    for outcome, count in outcomes.most_common():
        print(f"{count:8d}  {outcome}")
    return int(any(outcome.startswith("FAILED") for outcome in outcomes))
