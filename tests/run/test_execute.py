"""Handing blocks to workers, with a client that only pretends."""

from __future__ import annotations

import socket
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext, suppress
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from threading import Timer
from types import SimpleNamespace
from typing import Any

import pytest

import deblend
from deblend import cluster
from deblend.errors import ClusterError
from deblend.run import execute
from deblend.run.execute import Machines, _Dispatch, count_workers, kernel_modules, runner

A, B = "tcp://10.0.0.1:1", "tcp://10.0.0.1:2"


@dataclass
class PretendedFuture:
    block: int
    status: str = "finished"
    ends: bool = True
    mute: bool = False

    def done(self) -> bool:
        return self.ends

    def result(self, timeout: float) -> int:
        if self.mute:
            raise TimeoutError
        return 10 * self.block

    def cancel(self, *, force: bool) -> None: ...

    def add_done_callback(self, call: Callable[[object], None]) -> None:
        if self.ends:
            call(self)


@dataclass
class PretendedClient:
    """Workers as long as `present` says so; blocks in `lost` never end on worker A."""

    present: list[str]
    lost: tuple[int, ...] = ()
    leaves: bool = False
    given: list[tuple[str, int, int]] = field(default_factory=list)
    status: str = "running"
    restarted: list[str] = field(default_factory=list)
    scheduler: Any = field(
        default_factory=lambda: SimpleNamespace(address="tcp://10.0.0.9:8786", ncores="ncores")
    )

    def sync(self, call: object, *, callback_timeout: float) -> dict[str, int]:
        assert call == "ncores"
        return dict.fromkeys(self.present, 1)

    def submit(
        self, call: object, task: str, folder: str, started: str, block: int, workers_on_host: int,
        *, workers: list[str], pure: bool, retries: int,
    ) -> PretendedFuture:  # fmt: skip
        self.given.append((workers[0], block, workers_on_host))
        ends = not (block in self.lost and workers[0] == A)
        if not ends and self.leaves:
            self.present.remove(A)
        return PretendedFuture(block, ends=ends)

    def subscribe_topic(self, topic: str, hear: object) -> None: ...

    def unsubscribe_topic(self, topic: str) -> None: ...

    def restart_workers(self, workers: list[str], timeout: float, *, raise_for_error: bool) -> None:
        self.restarted += workers


def run(
    client: PretendedClient,
    blocks: int,
    stalled_after_s: float = 1800.0,
    log: Callable[[str], object] = str,
) -> dict[int, int]:
    found: dict[int, int] = {}
    unfinished: Any = SimpleNamespace(
        folder=SimpleNamespace(path=Path("unfinished")), plan=SimpleNamespace(started_utc="now")
    )
    pretended: Any = client
    machines = Machines(2, stalled_after_s=stalled_after_s)
    on_iteration: Any = None
    said: Any = log
    _Dispatch(
        pretended, machines, unfinished, "separate", found.__setitem__, on_iteration, said
    ).run(range(blocks))
    return found


def test_every_block_goes_out_once_and_workers_of_a_host_share_its_cores() -> None:
    client = PretendedClient([A, B, "tcp://10.0.0.2:1"])
    assert run(client, 7) == {block: 10 * block for block in range(7)}
    assert sorted(block for _, block, _ in client.given) == list(range(7))
    assert {address: workers_on_host for address, _, workers_on_host in client.given} == {
        A: 2, B: 2, "tcp://10.0.0.2:1": 1,
    }  # fmt: skip


def test_a_worker_that_ended_gets_its_next_block_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(execute, "_POLL_S", 30.0)

    class Later(PretendedFuture):
        def add_done_callback(self, call: Callable[[object], None]) -> None:
            def end() -> None:
                self.ends = True
                call(self)

            self.ends = False
            Timer(1.0 if self.block == 1 else 0.01, end).start()

    class Working(PretendedClient):
        def submit(self, *asked: Any, **settings: Any) -> PretendedFuture:
            return Later(super().submit(*asked, **settings).block)

    client = Working([A, B])
    assert sorted(run(client, 5)) == [0, 1, 2, 3, 4]
    assert [address for address, _, _ in client.given] == [A, B, A, A, A]


def test_a_worker_that_leaves_and_one_that_says_nothing() -> None:
    client = PretendedClient([A, B], lost=(0,), leaves=True)
    assert sorted(run(client, 3)) == [0, 1, 2]
    assert [given for given in client.given if given[1] == 0] == [(A, 0, 2), (B, 0, 1)]
    silent = PretendedClient([A, B], lost=(0,))
    assert sorted(run(silent, 3, stalled_after_s=0.0)) == [0, 1, 2]
    assert silent.restarted == [A]


def test_a_block_that_begins_again_is_told() -> None:
    said: list[str] = []
    client = PretendedClient([A, B], lost=(0,), leaves=True)
    run(client, 3, log=said.append)
    assert said == ["block 0 begins again: the worker that had it went away"]


@pytest.mark.parametrize("words", [b"", b"HTTP/1.0 400 Bad request\r\n\r\n"], ids=["mute", "web"])
def test_what_is_no_scheduler_is_refused_in_time(
    words: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "ANSWER_S", 0.3)
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(5)
        address = f"tcp://127.0.0.1:{server.getsockname()[1]}"
        callers: list[socket.socket] = []

        def answer() -> None:
            with suppress(OSError):
                while True:
                    callers.append(server.accept()[0])
                    callers[-1].sendall(words)

        with ThreadPoolExecutor(1) as beside:
            beside.submit(answer)
            with pytest.raises(ClusterError, match=r"no scheduler answers within .*dask scheduler"):
                count_workers(Machines(scheduler=address))
            server.shutdown(socket.SHUT_RDWR)
        for caller in callers:
            caller.close()


def test_a_worker_that_hangs_from_the_beginning() -> None:
    class Hanging(PretendedClient):
        def run(self, *asked: object, **settings: object) -> None:
            assert settings["callback_timeout"] == 5.0
            raise TimeoutError

    hanging: Any = Hanging([A])
    with pytest.raises(ClusterError, match=r"a worker does not answer within 5 s.* end it and"):
        cluster.call_on_each(hanging, len, within_s=5.0)


def test_a_worker_that_dies_before_it_has_answered() -> None:
    class Muted(PretendedClient):
        def submit(self, *asked: Any, **settings: Any) -> PretendedFuture:
            future = super().submit(*asked, **settings)
            future.mute = len(self.given) == 1
            return future

    client = Muted([A])
    assert run(client, 2) == {0: 0, 1: 10}
    assert [block for _, block, _ in client.given] == [0, 0, 1]


def test_no_worker_is_left() -> None:
    client = PretendedClient([A], lost=(0,), leaves=True)
    with pytest.raises(ClusterError, match=r"no worker is left.*finished blocks are kept"):
        run(client, 2)


def test_a_block_that_no_worker_survives() -> None:
    class Mourning(PretendedClient):
        def submit(self, *asked: Any, **settings: Any) -> PretendedFuture:
            future = super().submit(*asked, **settings)
            if len(self.given) <= 3:
                self.present[:] = [f"tcp://10.0.0.1:{len(self.given) + 5}"]
                future.ends = False
            return future

    with pytest.raises(ClusterError, match=r"block 0 was given to 3 workers .* last one went away"):
        run(Mourning([A]), 1)


def test_processes_that_do_not_start(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(**settings: object) -> None:
        raise RuntimeError("Nanny failed to start.")

    monkeypatch.setattr("distributed.LocalCluster", fail)
    said = r"2 local processes could not be started \(Nanny.*Give the same command again"
    with runner(Machines(2), print) as run_on:
        unfinished: Any = None
        with pytest.raises(ClusterError, match=said):
            run_on(unfinished)


def test_blocks_are_planned_for_the_workers_of_a_scheduler(monkeypatch: pytest.MonkeyPatch) -> None:
    # Two workers on one host share its memory; a third has that of another.
    client = PretendedClient([A, B, "tcp://10.0.0.2:1"])
    monkeypatch.setattr(execute, "scheduler_client", lambda address: nullcontext(client))
    found = count_workers(Machines(scheduler="tcp://10.0.0.9:8786"))
    assert (found.blocks_at_once, found.blocks_on_one_host) == (3, 2)
    assert count_workers(Machines(processes=4)).blocks_at_once == 4
    client.present.clear()
    with pytest.raises(ClusterError, match="has no workers"):
        count_workers(Machines(scheduler="tcp://10.0.0.9:8786"))


def test_a_worker_loads_every_compiled_module_beforehand() -> None:
    package = Path(deblend.__file__).parent
    rooms = ("blending", "separation", "vector_transforms", "qc")
    compiled = {
        ".".join(path.relative_to(package.parent).with_suffix("").parts)
        for room in rooms
        for path in (package / room).rglob("*.py")
        if "compiler(" in path.read_text(encoding="utf-8")
    }
    assert len(compiled) > 9
    for name in kernel_modules():
        import_module(name)
    assert compiled <= set(sys.modules)
