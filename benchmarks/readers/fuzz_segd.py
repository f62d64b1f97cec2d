"""Fuzz the SEG-D reader: mutated files, a limit on memory and on time for each.

    python benchmarks/readers/fuzz_segd.py --files 200000 --seed 1

A part of the files is run under a line tracer; a mutant that reaches lines no other has reached
joins the files that are mutated further. Every file has to be read or refused with an error of the
package, within 10 s, and within 3 x its size + 32 MB of memory beyond what the process had before.
"""

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
from pathlib import Path
from types import CodeType, FrameType

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "records" / "segd")]
from segd_mutants import mutant, seeds, use  # noqa: E402

READER = str(ROOT / "deblend" / "records")
LIMIT_S = 10
ALLOWANCE_BYTES = 32 << 20
LARGEST_FILE = 1 << 20


class TooLongError(Exception):
    """A file took longer than the limit."""


def too_long(_signal: int, _frame: FrameType | None) -> None:
    raise TooLongError


def limit_memory() -> None:
    """Refuse more address space than there is now, plus what a file may cost."""
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    most = pages * resource.getpagesize() + 3 * LARGEST_FILE + ALLOWANCE_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (most, most))


def lines_reached(path: Path) -> tuple[str, set[tuple[str, int]]]:
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


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--files", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--guided", type=float, default=0.2, help="part run under the tracer")
    options = parser.parse_args()
    warnings.simplefilter("error")
    generator = np.random.default_rng(options.seed)
    corpus, reached, outcomes = seeds(), set(), Counter()
    signal.signal(signal.SIGALRM, too_long)
    begin, slowest = time.perf_counter(), 0.0
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").exists() else None) as name:
        path = Path(name) / "mutant.segd"
        for data in corpus:
            path.write_bytes(data)
            reached |= lines_reached(path)[1]
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
                    outcome, lines = lines_reached(path)
                    if not lines <= reached:
                        reached |= lines
                        corpus.append(data)
                else:
                    outcome = use(path)
            except BaseException as error:
                if isinstance(error, KeyboardInterrupt):
                    raise
                outcome = f"FAILED {type(error).__name__}"
                kept = Path(tempfile.gettempdir()) / f"segd-mutant-{options.seed}-{number}.segd"
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
    return any(outcome.startswith("FAILED") for outcome in outcomes)


if __name__ == "__main__":
    sys.exit(main())
