"""The fuzzer of the readers: mutated files, a limit on memory and on time for each."""

from __future__ import annotations

import argparse
import multiprocessing
import resource
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, FrameType

import numpy as np

from benchmarks.result import Number, keep

ROOT = Path(__file__).parents[2]
READER = str(ROOT / "deblend" / "records")
LIMIT_S = 10
ALLOWANCE_BYTES = 32 << 20
LARGEST_FILE = 1 << 20

Use = Callable[[Path], str]
Mutant = Callable[[bytes, np.random.Generator], bytes]


@dataclass(frozen=True)
class Fuzzed:
    """What came of the files of one seed.

    Parameters
    ----------
    outcomes : Counter of str
        How many files were read, refused, or failed.
    mutants_kept : int
        Files that reached new lines and were mutated further.
    lines : set of (str, int)
        Lines of the reader that were reached.
    slowest_s : float
        Time of the slowest file.
    """

    outcomes: Counter[str]
    mutants_kept: int
    lines: set[tuple[str, int]]
    slowest_s: float


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


def fuzz_seed(
    name: str, seeds: list[bytes], mutant: Mutant, use: Use, files: int, seed: int, guided: float
) -> Fuzzed:
    """Mutate and read `files` files; limits the memory of this process from then on."""
    warnings.simplefilter("error")
    generator = np.random.default_rng(seed)
    corpus, reached = list(seeds), set[tuple[str, int]]()
    outcomes = Counter[str]()
    signal.signal(signal.SIGALRM, too_long)
    slowest = 0.0
    with tempfile.TemporaryDirectory(
        dir="/dev/shm" if Path("/dev/shm").exists() else None
    ) as folder:
        path = Path(folder) / f"mutant.{name}"
        for data in corpus:
            path.write_bytes(data)
            reached |= lines_reached(use, path)[1]
            use(path)
        limit_memory()
        for number in range(files):
            data = mutant(corpus[int(generator.integers(len(corpus)))], generator)[:LARGEST_FILE]
            path.write_bytes(data)
            start = time.perf_counter()
            signal.alarm(LIMIT_S)
            try:
                if number < guided * files:
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
                kept = Path(tempfile.gettempdir()) / f"mutant-{seed}-{number}.{name}"
                kept.write_bytes(data)
                traceback.print_exc(limit=-4)
                print(f"kept as {kept}", flush=True)
            finally:
                signal.alarm(0)
            slowest = max(slowest, time.perf_counter() - start)
            outcomes[outcome] += 1
    return Fuzzed(outcomes, len(corpus) - len(seeds), reached, slowest)


def fuzz(name: str, seeds: list[bytes], mutant: Mutant, use: Use, *, result: str = "") -> int:
    """Run the fuzzer as a program; 0 where every file was read or refused in time and space.

    Each process has a seed of its own and finds its own way through the reader.

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
    result : str, optional
        Name under which the counts are kept; nowhere if empty.
    """
    parser = argparse.ArgumentParser(description=f"Fuzz the reader of {name} files.")
    parser.add_argument("--files", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--guided", type=float, default=0.2, help="part run under the tracer")
    parser.add_argument("--processes", type=int, default=1)
    options = parser.parse_args()
    begin = time.perf_counter()
    shares = [options.files // options.processes] * options.processes
    shares[0] += options.files - sum(shares)
    with ProcessPoolExecutor(options.processes, multiprocessing.get_context("spawn")) as pool:
        tasks = [
            pool.submit(
                fuzz_seed, name, seeds, mutant, use, share, options.seed + place, options.guided
            )
            for place, share in enumerate(shares)
        ]
        parts = [task.result() for task in tasks]
    return _summary(parts, time.perf_counter() - begin, options.seed, result)


def _summary(parts: list[Fuzzed], seconds: float, seed: int, result: str) -> int:
    """Print, and keep if asked, what came of all seeds."""
    outcomes = sum((part.outcomes for part in parts), Counter[str]())
    numbers: dict[str, Number] = {
        "files": outcomes.total(),
        "first seed": seed,
        "processes": len(parts),
        "seconds": round(seconds, 1),
        "slowest file, s": round(max(part.slowest_s for part in parts), 3),
        "mutants that reached new lines": sum(part.mutants_kept for part in parts),
        "lines of the readers reached": len(set().union(*(part.lines for part in parts))),
        "failures": sum(n for outcome, n in outcomes.items() if outcome.startswith("FAILED")),
    }
    numbers |= {f"outcome: {outcome}": count for outcome, count in outcomes.most_common()}
    if result:
        keep(result, numbers)
    else:
        for what, value in numbers.items():
            print(f"{value:>10}  {what}")
    return int(numbers["failures"] != 0)
