"""Kills, local processes, and a scheduler with workers of its own: always the same results."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import pytest
from distributed import Client
from small_line import LOOK, PASS, SmallLine, make_small_line

from deblend.cluster import local_client, software_versions
from deblend.errors import ClusterError
from deblend.memory import PROGRAM_BYTES
from deblend.results.output_folder import FIRE_TIMES
from deblend.run.execute import Machines, runner
from deblend.run.run_folder import RunFolder

pytestmark = pytest.mark.slow
MEMORY_GB = (PROGRAM_BYTES + 400_000) / 1e9
DRIVER = Path(__file__).parent / "plain_separate.py"
"""`deblend separate` without the drawing of the report."""
ENVIRONMENT = os.environ | {
    "PYTHONPATH": os.pathsep.join(str(Path(__file__).parents[up]) for up in (0, 2)),
    "NUMBA_NUM_THREADS": "1",
}


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> SmallLine:
    line = make_small_line(tmp_path_factory.mktemp("machines") / "line")
    line.rewrite("iterations = 25", "iterations = 20\nrobust = false")
    return line


def command(line: SmallLine, out: Path, *options: object) -> list[str]:
    start = [sys.executable, str(DRIVER), str(out), "separate", str(line.line_file)]
    return [*start, *(str(option) for option in options)]


def finish(line: SmallLine, out: Path, *options: object, status: int = PASS) -> dict[str, bytes]:
    done = subprocess.run(
        command(line, out, *options), capture_output=True, text=True, check=False, env=ENVIRONMENT
    )
    assert done.returncode == status, done.stderr
    return results(out)


def results(out: Path) -> dict[str, bytes]:
    names = ["findings.csv", "delivered/source-1.sgy", "delivered/source-2.sgy"]
    return {name: (out / name).read_bytes() for name in names}


@pytest.fixture(scope="module")
def whole(line: SmallLine, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Results of a run in one process that nothing disturbed."""
    return finish(line, tmp_path_factory.mktemp("whole") / "out", "--memory-gb", MEMORY_GB)


def test_three_kills_change_nothing(
    line: SmallLine, whole: dict[str, bytes], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    draw = random.Random(5)
    for _ in range(3):
        run = subprocess.Popen(
            command(line, out, "--memory-gb", MEMORY_GB),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env=ENVIRONMENT,
        )
        wait_until(RunFolder.of(out).plan.exists)
        time.sleep(draw.uniform(0.0, 2.0))
        run.send_signal(signal.SIGKILL)
        run.wait()
    assert finish(line, out, "--memory-gb", MEMORY_GB) == whole


def test_two_local_processes(line: SmallLine, whole: dict[str, bytes], tmp_path: Path) -> None:
    options = ("--memory-gb", 2 * MEMORY_GB, "--processes", 2)
    assert finish(line, tmp_path / "out", *options) == whole


def test_refined_times_in_two_processes_and_on_a_cluster(tmp_path: Path) -> None:
    line = make_small_line(tmp_path / "line")
    line.rewrite("iterations = 25", "iterations = 25\nrobust = false")
    line.spoil_times()
    here = finish(line, tmp_path / "here", "--memory-gb", MEMORY_GB, status=LOOK)
    times = (tmp_path / "here" / FIRE_TIMES).read_bytes()
    assert b",true," in times
    options = ("--memory-gb", 2 * MEMORY_GB, "--processes", 2)
    assert finish(line, tmp_path / "two", *options, status=LOOK) == here
    with scheduler_in(tmp_path) as (_, address), worker(address, tmp_path / "a"):
        wait_for_workers(address, 1)
        options = ("--memory-gb", MEMORY_GB, "--scheduler", address)
        assert finish(line, tmp_path / "cluster", *options, status=LOOK) == here
    for name in ("two", "cluster"):
        assert (tmp_path / name / FIRE_TIMES).read_bytes() == times


@contextmanager
def started(*arguments: object) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen(
        [str(Path(sys.executable).with_name("dask")), *(str(part) for part in arguments)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=ENVIRONMENT,
    )
    try:
        yield process
    finally:
        process.send_signal(signal.SIGCONT)
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


@contextmanager
def scheduler_in(folder: Path) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """A scheduler in a process of its own, and its address."""
    path = folder / "scheduler.json"
    arguments = ("--host", "127.0.0.1", "--port", 0, "--no-dashboard", "--scheduler-file", path)
    with started("scheduler", *arguments) as process:
        wait_until(lambda: path.exists() and path.read_text().rstrip().endswith("}"))
        yield process, json.loads(path.read_text())["address"]


def worker(scheduler: str, folder: Path) -> AbstractContextManager[subprocess.Popen[bytes]]:
    return started(
        "worker", scheduler, "--nthreads", 1, "--no-nanny", "--no-dashboard",
        "--local-directory", folder,
    )  # fmt: skip


def wait_until(condition: Callable[[], bool], limit_s: float = 90.0) -> None:
    begin = time.monotonic()
    while not condition():
        assert time.monotonic() - begin < limit_s, "nothing happened"
        time.sleep(0.05)


def with_scheduler(
    line: SmallLine, out: Path, scheduler: str, workers: int
) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        command(line, out, "--memory-gb", workers * MEMORY_GB, "--scheduler", scheduler),
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        env=ENVIRONMENT,
    )


def test_a_worker_that_dies_and_a_cluster_that_goes_away(
    line: SmallLine, whole: dict[str, bytes], tmp_path: Path
) -> None:
    with (
        scheduler_in(tmp_path) as (process, address),
        worker(address, tmp_path / "a") as first,
        worker(address, tmp_path / "b"),
    ):
        wait_for_workers(address, 2)
        with with_scheduler(line, tmp_path / "one", address, 2) as run:
            wait_until(RunFolder.of(tmp_path / "one").reference.exists)
            first.kill()
            _, told = run.communicate(timeout=90)
        assert run.returncode == PASS, told.decode()
        assert results(tmp_path / "one") == whole
        with with_scheduler(line, tmp_path / "two", address, 1) as run:
            wait_until(RunFolder.of(tmp_path / "two").reference.exists)
            process.kill()
            _, told = run.communicate(timeout=90)
    said = " ".join(told.decode().split())
    assert run.returncode == 2, said
    assert "Give the same command again: finished blocks are kept" in said
    assert RunFolder.of(tmp_path / "two").plan.exists()


def test_a_stopped_command_stops_its_workers_and_goes_on_later(
    line: SmallLine, whole: dict[str, bytes], tmp_path: Path
) -> None:
    long = make_small_line(tmp_path / "long")  # a block of it takes some ten seconds
    long.rewrite("iterations = 25", "iterations = 10000\nrobust = false")
    with scheduler_in(tmp_path) as (_, address), worker(address, tmp_path / "a"):
        wait_for_workers(address, 1)
        stop_at_first_block(long, tmp_path / "out", address)
        with Client(address, set_as_default=False) as client:
            assert client.submit(lambda: "free").result(timeout=3) == "free"
        stop_at_first_block(line, tmp_path / "short", address)
        options = ("--memory-gb", MEMORY_GB, "--scheduler", address)
        assert finish(line, tmp_path / "short", *options) == whole


def stop_at_first_block(line: SmallLine, out: Path, address: str) -> None:
    with with_scheduler(line, out, address, 1) as run:
        wait_until(RunFolder.of(out).reference.exists)
        time.sleep(0.5)  # a block is with the worker by then
        run.send_signal(signal.SIGINT)
        _, told = run.communicate(timeout=30)
    assert run.returncode == 130, told.decode()
    assert "finished and kept; the same command goes on" in " ".join(told.decode().split())


def test_workers_of_another_version_and_no_workers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def use(address: str) -> None:
        with runner(Machines(scheduler=address), print):  # no block is reached
            pass

    ours = software_versions() | {"deblend": "99.0"}
    monkeypatch.setattr("deblend.cluster.software_versions", lambda: ours)
    with scheduler_in(tmp_path) as (_, address):
        with pytest.raises(ClusterError, match="the scheduler has no workers"):
            use(address)
        with worker(address, tmp_path / "a"):
            wait_for_workers(address, 1)
            with pytest.raises(ClusterError, match=r"other versions: deblend \S+, here 99\.0"):
                use(address)


def wait_for_workers(scheduler: str, count: int) -> None:
    with Client(scheduler, set_as_default=False) as client:
        client.wait_for_workers(count, timeout=30)


def test_nobody_else_gives_tasks_to_local_workers() -> None:
    with local_client(1) as ours:
        address = ours.scheduler.address
        assert address.startswith("tls://127.0.0.1:")
        assert ours.submit(abs, -3).result() == 3
        for other in (address, address.replace("tls://", "tcp://")):
            with pytest.raises((OSError, TypeError), match=r"."):
                Client(other, timeout=2, set_as_default=False)
