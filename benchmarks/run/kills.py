"""Runs that are killed, each compared with one that nothing disturbed.

    python -m benchmarks.run.kills [--runs 86] [--processes 8] [--scheduler 6]

A small made line of a few blocks, so that one run takes seconds. Every run is killed once
(SIGKILL) at a random moment of a step drawn at random, and the same command given again; or one of
two local processes is killed, or one of two workers of a scheduler, and the run must go on by
itself. Delivered files and findings are compared byte by byte. The page of the report is left out.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

from benchmarks.result import Number, keep
from benchmarks.run.lines import make_line
from deblend.run.work_folder import WorkFolder

DRIVER: Final = Path(__file__).parents[2] / "tests" / "pipeline" / "plain_separate.py"
MEMORY_GB: Final = 0.5009
Step = Literal["begin", "read", "measure", "separate", "deliver"]
LONGEST_S: Final[dict[Step, float]] = {
    "begin": 3.0,
    "read": 0.1,
    "measure": 1.5,
    "separate": 1.0,
    "deliver": 1.0,
}
"""Longest wait inside a step before the kill; about what it takes."""
COMPUTING: Final[tuple[Step, ...]] = ("measure", "separate")
COMPUTING_PART: Final = 0.4
"""Several workers are through before."""
STEPS: Final[tuple[Step, ...]] = tuple(LONGEST_S)
ENVIRONMENT: Final = os.environ | {"NUMBA_NUM_THREADS": "1"}


def start(line: Path, out: Path, *options: object) -> subprocess.Popen[bytes]:
    arguments = [str(part) for part in (DRIVER, out, "separate", line, *options)]
    return subprocess.Popen(
        [sys.executable, *arguments],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=ENVIRONMENT,
    )


def step_of(out: Path) -> Step:
    """What a run is doing, from what it has left on disk."""
    work = WorkFolder.of(out)
    if work.results.exists() or (out / "manifest.json").exists():
        return "deliver"
    if work.reference.exists():
        return "separate"
    if work.staged.exists():
        return "measure"
    return "read" if work.plan.exists() else "begin"


def kill_in(
    run: subprocess.Popen[bytes], out: Path, step: Step, draw: random.Random, part: float = 1.0
) -> bool:
    """Wait for a step and a moment in (the first part of) it; whether the run is alive then."""
    while STEPS.index(step_of(out)) < STEPS.index(step) and run.poll() is None:
        time.sleep(0.002)
    try:
        run.wait(draw.uniform(0.0, part * LONGEST_S[step]))
    except subprocess.TimeoutExpired:
        return True
    return False


def digest(out: Path) -> str:
    found = hashlib.sha256()
    for path in sorted([*(out / "delivered").glob("*.sgy"), out / "findings.csv"]):
        found.update(path.read_bytes())
    return found.hexdigest()


@dataclass
class Count:
    """What was killed in which step, and how many results came out the same."""

    line: Path
    out: Path
    expected: str
    killed: Counter[str] = field(default_factory=Counter)
    results: int = 0
    identical: int = 0

    def compare(self, *options: object) -> None:
        """Let the run end, by the same command if need be, and compare."""
        for _ in range(3):
            if (self.out / "manifest.json").exists():
                break
            start(self.line, self.out, *options).wait()
        self.results += 1
        self.identical += (self.out / "manifest.json").exists() and digest(
            self.out
        ) == self.expected
        shutil.rmtree(self.out)
        print(
            f"{self.identical} of {self.results} identical; killed {dict(self.killed)}", flush=True
        )


def kill_runs(count: Count, kills: int, draw: random.Random) -> None:
    """Kill the whole run."""
    options = ("--memory-gb", MEMORY_GB)
    while sum(count.killed.values()) < kills:
        run = start(count.line, count.out, *options)
        alive = kill_in(run, count.out, draw.choice(STEPS), draw)
        step = step_of(count.out)
        if alive:
            run.send_signal(signal.SIGKILL)
            count.killed[step] += 1
        run.wait()
        if alive:
            count.compare(*options)
        else:
            shutil.rmtree(count.out)


def kill_processes(count: Count, kills: int, draw: random.Random) -> None:
    """Kill one of the local processes; the run goes on."""
    options = ("--memory-gb", 2 * MEMORY_GB, "--processes", 2)
    done = 0
    while done < kills:
        run = start(count.line, count.out, *options)
        if kill_in(run, count.out, draw.choice(COMPUTING), draw, COMPUTING_PART):
            workers = list(workers_of(run.pid))
            if workers:
                os.kill(draw.choice(workers), signal.SIGKILL)
                count.killed["a local process"] += 1
                done += 1
        run.wait()
        count.compare(*options)


def workers_of(process: int) -> Iterator[int]:
    """Processes that local workers compute in, children of a process or of its children."""
    tasks = Path(f"/proc/{process}/task").glob("*/children")
    for child in [int(word) for children in tasks for word in children.read_text().split()]:
        if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes():
            yield child
        yield from workers_of(child)


def kill_workers(count: Count, kills: int, draw: random.Random, folder: Path) -> None:
    """Kill one of two workers of a scheduler; the run goes on with the other."""
    done = 0
    with scheduler_in(folder) as address:
        options = ("--memory-gb", MEMORY_GB, "--scheduler", address)
        while done < kills:
            with worker(address, folder) as first, worker(address, folder) as second:
                wait_for_workers(address, 2)
                run = start(count.line, count.out, *options)
                if kill_in(run, count.out, draw.choice(COMPUTING), draw, COMPUTING_PART):
                    draw.choice([first, second]).kill()
                    count.killed["a worker of a scheduler"] += 1
                    done += 1
                run.wait()
                count.compare(*options)


@contextmanager
def scheduler_in(folder: Path) -> Iterator[str]:
    path = folder / "scheduler.json"
    where = ("--host", "127.0.0.1", "--port", 0, "--no-dashboard", "--scheduler-file", path)
    with started("scheduler", *where):
        # The file has its name before its content.
        while not (path.exists() and path.read_text().rstrip().endswith("}")):
            time.sleep(0.1)
        yield json.loads(path.read_text())["address"]


@contextmanager
def worker(address: str, folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    options = ("--nthreads", 1, "--no-nanny", "--no-dashboard", "--local-directory", folder)
    with started("worker", address, *options) as process:
        yield process


@contextmanager
def started(*arguments: object) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen(
        [Path(sys.executable).with_name("dask"), *(str(part) for part in arguments)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=ENVIRONMENT,
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def wait_for_workers(address: str, count: int) -> None:
    from distributed import Client

    with Client(address, set_as_default=False) as client:
        client.wait_for_workers(count, timeout=60)
        while len(client.nthreads()) != count:  # one that was killed just before
            time.sleep(0.1)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--runs", type=int, default=86)
    parser.add_argument("--processes", type=int, default=8)
    parser.add_argument("--scheduler", type=int, default=6)
    parser.add_argument("--seed", type=int, default=8)
    asked = parser.parse_args()
    draw = random.Random(asked.seed)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        line = make_line(folder / "line", 1.0, 5, 1.2, 4, "fk")
        start(line, folder / "whole", "--memory-gb", MEMORY_GB).wait()
        count = Count(line, folder / "out", digest(folder / "whole"))
        kill_processes(count, asked.processes, draw)
        kill_workers(count, asked.scheduler, draw, folder)
        before = sum(count.killed.values())
        kill_runs(count, before + asked.runs, draw)
    numbers: dict[str, Number] = {
        "kills": sum(count.killed.values()),
        "results": count.results,
        "identical": count.identical,
    }
    numbers |= {f"killed_{step.replace(' ', '_')}": n for step, n in sorted(count.killed.items())}
    keep("run.kills", numbers)


if __name__ == "__main__":
    main()
