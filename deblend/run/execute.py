"""Where blocks are worked on: in this process, in local processes, on a cluster. Same results."""

from __future__ import annotations

import os
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError, ThreadPoolExecutor
from concurrent.futures import Future as ThreadFuture
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import asdict, dataclass, field, replace
from importlib import import_module
from pathlib import Path
from pkgutil import walk_packages
from threading import Event
from typing import TYPE_CHECKING, Any, Final, Literal

from deblend import blending, qc, separation
from deblend.arrays import use_card
from deblend.cluster import (
    ANSWER_S,
    call_on_each,
    check_versions,
    dashboard_of,
    host_of,
    local_client,
    require_workers,
    scheduler_client,
    thread_variables,
    workers_of,
)
from deblend.errors import ClusterError, DeblendError
from deblend.line.line_file import LineFile
from deblend.line.processes import processes_of
from deblend.memory import give_back_freed_memory, keep_freed_memory, use_one_heap
from deblend.run.unfinished import (
    OnIteration,
    UnfinishedRun,
    cached_unfinished_run,
    learn_floor,
    measure_error,
    measure_reference,
    separate_and_store_block,
)
from deblend.separation.loop import IterationRecord
from deblend.words import counted

if TYPE_CHECKING:
    from distributed import Client, Future

Task = Literal["reference", "floor", "separate", "error"]
OnBlockIteration = Callable[[int, IterationRecord], None]
"""Called with a block and what an iteration of it did."""
OnDone = Callable[[int, Any], None]
"""Called with a block and what its task returned."""

TASKS: Final = {
    "reference": measure_reference,
    "floor": learn_floor,
    "separate": separate_and_store_block,
    "error": measure_error,
}
ROOMS_OF_A_BLOCK: Final = (blending, separation, qc)
"""What works on a block; its compiled modules are named ``..kernels`` and imported on first use."""
_TOPIC: Final = "deblend-iterations"
_POLL_S: Final = 0.2
_REPORT_INTERVAL_S: Final = 0.5
"""Least time between two messages of a worker: each takes a millisecond of whoever listens."""
_TRIES: Final = 3


@dataclass(frozen=True)
class Machines:
    """Where to compute."""

    processes: int = 1
    """Local processes; with one, this process itself."""
    scheduler: str | None = None
    """Address of a dask.distributed scheduler, in place of local processes."""
    stalled_after_s: float = 1800.0
    """A worker that says nothing of its block for so long, or a scheduler, is given up."""
    workers: int = 1
    """Of a scheduler, as far as it has been asked (`count_workers`)."""
    workers_on_fullest_host: int = 1
    """Of these, on the host that has most of them."""

    @property
    def here(self) -> bool:
        """Whether this process computes."""
        return self.scheduler is None and self.processes == 1

    @property
    def blocks_at_once(self) -> int:
        """Blocks that are worked on at a time."""
        return self.processes if self.scheduler is None else self.workers

    @property
    def blocks_on_one_host(self) -> int:
        """Blocks that are in the memory of one machine at a time."""
        return self.processes if self.scheduler is None else self.workers_on_fullest_host


def machines_of(line: LineFile) -> Machines:
    """Where the line file says to compute."""
    keys = line.keys.run
    return Machines(processes_of(line), keys.scheduler, keys.stalled_after_s)


def count_workers(machines: Machines) -> Machines:
    """Machines with the workers that a scheduler has: blocks are planned for all of them.

    Raises
    ------
    ClusterError
        If the scheduler does not answer or has no workers.
    """
    if machines.scheduler is None:
        return machines
    with scheduler_client(machines.scheduler) as client:
        hosts = Counter(host_of(address) for address in require_workers(client))
    return replace(machines, workers=hosts.total(), workers_on_fullest_host=max(hosts.values()))


BlockRunner = Callable[[Task, Sequence[int], OnDone, OnBlockIteration], None]
"""Works on blocks, in any order: the task, the blocks, what is called after each, and after each
iteration."""


@contextmanager
def runner(
    machines: Machines, log: Callable[[str], None]
) -> Iterator[Callable[[UnfinishedRun], BlockRunner]]:
    """Something that works on blocks of a run.

    Local processes start in a thread until the caller has a run for them; a scheduler is asked at
    once. `log` gets messages on the workers, and where a cluster can be watched.

    Raises
    ------
    ClusterError
        If the scheduler does not answer, has no workers, or workers have other versions.
    """
    if machines.here:
        yield lambda unfinished: lambda *asked: _in_process(unfinished, *asked)
        return
    with ExitStack() as resources, ThreadPoolExecutor(1) as thread:
        client_promise: ThreadFuture[Client] = thread.submit(_ready_client, machines, resources)
        if machines.scheduler is not None:
            client_promise.result()

        def make_runner(unfinished: UnfinishedRun) -> BlockRunner:
            client = client_promise.result()
            log(counted(len(workers_of(client, ANSWER_S)), "worker") + dashboard_of(client))
            return lambda task, blocks, on_done, on_iteration: _Dispatch(
                client, machines, unfinished, task, on_done, on_iteration, log
            ).run(blocks)

        try:
            yield make_runner
        except KeyboardInterrupt:
            if machines.scheduler is None:
                log("stopping: the local processes get some seconds to end")
            raise


def _ready_client(machines: Machines, resources: ExitStack) -> Client:
    client = resources.enter_context(
        local_client(machines.processes)
        if machines.scheduler is None
        else scheduler_client(machines.scheduler)
    )
    check_versions(client)
    call_on_each(client, _warm_up, within_s=machines.stalled_after_s)
    return client


def _warm_up() -> None:
    """Load on a worker all that its first block would wait for; most of it comes with this file."""
    use_one_heap()
    keep_freed_memory()
    for kernels in kernel_modules():
        import_module(kernels)


def kernel_modules() -> list[str]:
    """Names of the compiled modules of `ROOMS_OF_A_BLOCK`."""
    found = (walk_packages(room.__path__, f"{room.__name__}.") for room in ROOMS_OF_A_BLOCK)
    return sorted(
        module.name for room in found for module in room if module.name.endswith("kernels")
    )


def _in_process(
    unfinished: UnfinishedRun,
    task: Task,
    blocks: Sequence[int],
    on_done: OnDone,
    on_iteration: OnBlockIteration,
) -> None:
    for block in blocks:

        def report(record: IterationRecord, block: int = block) -> None:
            on_iteration(block, record)

        on_done(block, _run_task(task, unfinished, block, report))


def _run_task(task: Task, unfinished: UnfinishedRun, block: int, report: OnIteration) -> Any:
    """Work on one block, and leave none of its memory to the next one, whose sizes may differ."""
    try:
        return TASKS[task](unfinished, block, report)
    finally:
        give_back_freed_memory()


def run_on_worker(
    task: Task, folder: str, started_utc: str, block: int, workers_on_host: int
) -> Any:
    """Work on one block in a worker, which opens the run once.

    The `workers_on_host` share the cores of their host, unless the environment of the worker sets
    its threads.
    """
    from distributed import Reschedule, get_worker

    worker = get_worker()
    if isinstance(worker.name, int):  # local processes are numbered
        use_card(worker.name)
    use_one_heap()
    keep_freed_memory()
    if "NUMBA_NUM_THREADS" not in os.environ:
        os.environ.update(thread_variables(workers_on_host))

    reported_s = float("-inf")
    key = worker.get_current_task()

    def report(record: IterationRecord) -> None:
        nonlocal reported_s
        # A run that was stopped, or is gone, wants its blocks no more; the next one waits for us.
        if key not in worker.state.tasks or worker.state.tasks[key].state == "cancelled":
            raise Reschedule
        if time.monotonic() - reported_s < _REPORT_INTERVAL_S and not record.review_follows:
            return
        reported_s = time.monotonic()
        worker.log_event(_TOPIC, (block, asdict(record)))

    return _run_task(task, cached_unfinished_run(Path(folder), started_utc), block, report)


@dataclass(eq=False)
class _Dispatch:
    """Gives each worker one block at a time, so that none holds two blocks in memory."""

    client: Client
    machines: Machines
    unfinished: UnfinishedRun
    task: Task
    on_done: OnDone
    on_iteration: OnBlockIteration
    log: Callable[[str], None]
    running: dict[str, tuple[int, Future]] = field(default_factory=dict)
    last_report_s: dict[int, float] = field(default_factory=dict)
    tries: Counter[int] = field(default_factory=Counter)
    abandoned: set[str] = field(default_factory=set)
    worker_free: Event = field(default_factory=Event)

    def run(self, blocks: Sequence[int]) -> None:
        """Work on all blocks; returns when the last one is done."""
        waiting = list(blocks)
        self.client.subscribe_topic(_TOPIC, self._on_event)
        try:
            present = self._workers_present()
            while waiting or self.running:
                self._assign_blocks(waiting, present)
                self.worker_free.wait(_POLL_S)
                self.worker_free.clear()
                present = self._workers_present()
                # Before blocks are assigned: a worker that ended is free.
                self._collect_ended(waiting, present)
        except DeblendError:
            raise
        except (OSError, TimeoutError, RuntimeError, CancelledError) as error:
            raise self._cluster_lost(error) from error
        finally:
            with suppress(Exception):  # the cluster may be gone; what ended the run counts
                for _, future in self.running.values():
                    future.cancel(force=True)
                self.client.unsubscribe_topic(_TOPIC)

    def _on_event(self, event: tuple[float, tuple[int, dict[str, Any]]]) -> None:
        block, record = event[1]
        self.last_report_s[block] = time.monotonic()
        self.on_iteration(block, IterationRecord(**record))

    def _assign_blocks(self, waiting: list[int], present: dict[str, int]) -> None:
        if not present and not self.running:
            raise ClusterError(
                "no worker is left",
                where=self.client.scheduler.address,
                remedy="Start workers and give the same command again: finished blocks are kept.",
            )
        workers_on_host = Counter(host_of(address) for address in present)
        for address in sorted(set(present) - set(self.running) - self.abandoned):
            if waiting:
                block = waiting.pop(0)
                self.tries[block] += 1
                self.last_report_s[block] = time.monotonic()
                future = self.client.submit(
                    run_on_worker,
                    self.task,
                    str(self.unfinished.folder.path.absolute()),
                    self.unfinished.plan.started_utc,
                    block,
                    workers_on_host[host_of(address)],
                    workers=[address],
                    pure=False,
                    retries=0,
                )
                future.add_done_callback(lambda _: self.worker_free.set())
                self.running[address] = (block, future)

    def _workers_present(self) -> dict[str, int]:
        if self.client.status != "running":
            raise self._cluster_lost(None)
        return workers_of(self.client, self.machines.stalled_after_s)

    def _collect_ended(self, waiting: list[int], present: dict[str, int]) -> None:
        for address, (block, future) in list(self.running.items()):
            if future.done():
                del self.running[address]
                if future.status == "finished":
                    self._collect_result(block, future, waiting)
                elif future.status == "error" and not _worker_died(future):
                    raise future.exception()
                else:
                    self._requeue(block, waiting, "ended")
            elif address not in present:
                self._give_up(address, block, future, waiting, "went away")
            elif time.monotonic() - self.last_report_s[block] > self.machines.stalled_after_s:
                self.abandoned.add(address)
                self._give_up(address, block, future, waiting, "said nothing more")

    def _collect_result(self, block: int, future: Future, waiting: list[int]) -> None:
        """Hand on what a task returned, unless its worker died before it had sent that."""
        from distributed.scheduler import KilledWorker

        try:
            value = future.result(timeout=ANSWER_S)
        except (TimeoutError, CancelledError, KilledWorker):
            future.cancel(force=True)
            self._requeue(block, waiting, "ended before it had answered")
        else:
            self.on_done(block, value)

    def _give_up(
        self, address: str, block: int, future: Future, waiting: list[int], why: str
    ) -> None:
        del self.running[address]
        future.cancel(force=True)
        if address in self.abandoned:
            with suppress(OSError, TimeoutError, ValueError):  # one without a nanny stays away
                self.client.restart_workers([address], timeout=ANSWER_S, raise_for_error=False)
        self._requeue(block, waiting, why)

    def _requeue(self, block: int, waiting: list[int], why: str) -> None:
        if self.tries[block] >= _TRIES:
            raise ClusterError(
                f"block {block} was given to {_TRIES} workers and none came back; the last "
                f"one {why}",
                where=self.client.scheduler.address,
                remedy="Give the workers more memory, or the run a smaller budget with a new "
                "output folder; finished blocks are kept.",
            )
        self.log(f"block {block} begins again: the worker that had it {why}")
        waiting.insert(0, block)

    def _cluster_lost(self, error: BaseException | None) -> ClusterError:
        return ClusterError(
            f"the cluster went away{f' ({error})' if error else ''}",
            where=self.machines.scheduler or "local processes",
            remedy="Give the same command again: finished blocks are kept.",
        )


def _worker_died(future: Future) -> bool:
    from distributed.scheduler import KilledWorker

    return isinstance(future.exception(), KilledWorker)
