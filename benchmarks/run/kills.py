"""Runs that are killed, each compared with one that nothing disturbed.

    python -m benchmarks.run.kills [--runs 88] [--processes 8] [--scheduler 4]

A small made line of a few blocks, so that one run takes seconds. Every run is killed once
(SIGKILL) at a random moment of a step drawn at random, and begun again in another process; or one
of two local processes is killed, or one of two workers of a scheduler, and the command must go on
by itself. Delivered files and findings are compared byte by byte. The page of the report is left
out.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
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

import deblend.report.page
from benchmarks.result import Number, keep
from benchmarks.run.lines import make_line, memory_for
from deblend.line.line_file import read_line_file
from deblend.run.begin import RunOptions
from deblend.run.pipeline import run_line
from deblend.run.run_folder import RunFolder

DRIVER: Final = Path(__file__).parents[2] / "tests" / "pipeline" / "plain_separate.py"
CHANNELS: Final = 12
BLOCK: Final = 3
Step = Literal["begin", "read", "measure", "separate", "deliver"]
LONGEST_S: Final[dict[Step, float]] = {
    "begin": 0.5,
    "read": 0.1,
    "measure": 0.5,
    "separate": 1.0,
    "deliver": 0.5,
}
"""Longest wait inside a step before the kill; about what it takes."""
PROCESSES_S: Final = 10.0
WORKERS_S: Final = 5.0
"""Longest wait after workers have work: they load the libraries first."""
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
    work = RunFolder.of(out)
    if work.results.exists() or (out / "manifest.json").exists():
        return "deliver"
    if work.reference.exists():
        return "separate"
    if work.staged.exists():
        return "measure"
    return "read" if work.plan.exists() else "begin"


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
    memory_gb: float
    killed: Counter[str] = field(default_factory=Counter)
    results: int = 0
    identical: int = 0
    again: int = 0

    def compare(self) -> None:
        """Compare what a run left."""
        self.results += 1
        ended = (self.out / "manifest.json").exists()
        self.identical += ended and digest(self.out) == self.expected
        if not ended:
            print("the run did not end by itself", flush=True)
        shutil.rmtree(self.out)
        print(
            f"{self.identical} of {self.results} identical; killed {dict(self.killed)}", flush=True
        )


def separate(line: Path, out: Path, memory_gb: float) -> None:
    """What the command does, without the page of the report."""
    options = RunOptions(memory_bytes=round(memory_gb * 1e9))
    run_line(read_line_file(line).with_output(out), options=options)


def kill_runs(count: Count, kills: int, draw: random.Random) -> None:
    """Kill the whole run, a child of this process, which has loaded the libraries for it."""
    fork = multiprocessing.get_context("fork")
    while sum(count.killed.values()) < kills:
        asked = (count.line, count.out, count.memory_gb)
        run = fork.Process(target=separate, args=asked)
        run.start()
        step = draw.choice(STEPS)
        while STEPS.index(step_of(count.out)) < STEPS.index(step) and run.is_alive():
            time.sleep(0.002)
        run.join(draw.uniform(0.0, LONGEST_S[step]))
        if run.is_alive():
            run.kill()
            run.join()
            count.killed[step_of(count.out)] += 1
            again = fork.Process(target=separate, args=asked)
            again.start()
            again.join()
            count.compare()
        else:
            shutil.rmtree(count.out)


def kill_processes(count: Count, kills: int, draw: random.Random) -> None:
    """Kill one of the local processes; the run goes on."""
    options = ("--memory-gb", 2 * count.memory_gb, "--processes", 2)
    done = 0
    while done < kills:
        run = start(count.line, count.out, *options)
        if done % 2:  # while they start
            while run.poll() is None and len(list(workers_of(run.pid))) < 2:
                time.sleep(0.02)
            time.sleep(draw.uniform(0.0, PROCESSES_S))
        else:  # while they work
            while run.poll() is None and step_of(count.out) in STEPS[:3]:
                time.sleep(0.002)
            time.sleep(draw.uniform(0.0, LONGEST_S["separate"] / 2))
        workers = list(workers_of(run.pid)) if run.poll() is None else []
        if workers and step_of(count.out) != "deliver":
            os.kill(draw.choice(workers), signal.SIGKILL)
            count.killed["a process that starts" if done % 2 else "a process at work"] += 1
            done += 1
        run.wait()
        if not (count.out / "manifest.json").exists():  # killed before it had started
            count.again += 1
            start(count.line, count.out, *options).wait()
        count.compare()


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
        options = ("--memory-gb", 2 * count.memory_gb, "--scheduler", address)
        while done < kills:
            with worker(address, folder) as first, worker(address, folder) as second:
                wait_for_workers(address, 2)
                run = start(count.line, count.out, *options)
                while step_of(count.out) == "begin" and run.poll() is None:
                    time.sleep(0.02)
                time.sleep(draw.uniform(0.0, WORKERS_S))
                if step_of(count.out) != "deliver":
                    draw.choice([first, second]).kill()
                    count.killed["a worker of a scheduler"] += 1
                    done += 1
                run.wait()
                if not (count.out / "manifest.json").exists():
                    count.again += 1
                    with worker(address, folder):
                        start(count.line, count.out, *options).wait()
                count.compare()


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
    parser.add_argument("--runs", type=int, default=88)
    parser.add_argument("--processes", type=int, default=8)
    parser.add_argument("--scheduler", type=int, default=4)
    parser.add_argument("--seed", type=int, default=8)
    asked = parser.parse_args()
    draw = random.Random(asked.seed)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        line = make_line(folder / "line", 1.0, CHANNELS, 1.2, 4, "fk")
        memory_gb = memory_for(line, BLOCK) / 1e9
        deblend.report.page.write_report = lambda contents, path, extras=None: path.touch()
        separate(line, folder / "whole", memory_gb)
        count = Count(line, folder / "out", digest(folder / "whole"), memory_gb)
        kill_processes(count, asked.processes, draw)
        kill_workers(count, asked.scheduler, draw, folder)
        kill_runs(count, sum(count.killed.values()) + asked.runs, draw)
    numbers: dict[str, Number] = {
        "kills": sum(count.killed.values()),
        "results": count.results,
        "identical": count.identical,
        "command_given_again_after_a_worker": count.again,
    }
    numbers |= {f"killed_{step.replace(' ', '_')}": n for step, n in sorted(count.killed.items())}
    keep("run.kills", numbers)


if __name__ == "__main__":
    main()
