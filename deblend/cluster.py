"""Other processes to compute in: those of this machine, and the workers of a scheduler."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from deblend.arrays import thread_count
from deblend.errors import ClusterError
from deblend.versions import installed_versions

if TYPE_CHECKING:
    from distributed import Client, LocalCluster

ANSWER_S: Final = 20.0
"""How long a scheduler may take to answer."""
SOFTWARE: Final = ("deblend", "numpy", "scipy", "numba", "zarr")
"""What a result depends on, with the version of Python."""
_QUIET_CLUSTER: Final = {
    "distributed.worker.profile.enabled": False,
    "distributed.admin.tick.interval": "500ms",
}
"""What looks after local processes wakes up a hundred times a second by default, and takes time
from the cores that they compute on."""


def software_versions() -> dict[str, str]:
    """Versions of what a result depends on."""
    return installed_versions(SOFTWARE)


def thread_variables(processes: int) -> dict[str, str]:
    """Environment of one of so many processes that share the cores of a machine."""
    threads = str(max(1, thread_count() // processes))
    names = ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")
    return dict.fromkeys(names, threads)


@contextmanager
def scheduler_client(scheduler: str) -> Iterator[Client]:
    """A client of the dask.distributed scheduler at an address."""
    from distributed import Client

    try:
        with ThreadPoolExecutor(1) as thread:  # a notebook has a loop of its own
            thread.submit(asyncio.run, _check_reachable(scheduler)).result()
        client = Client(scheduler, timeout=ANSWER_S, set_as_default=False)
    except Exception as error:  # what is no scheduler answers anything
        raise ClusterError(
            f"no scheduler answers within {ANSWER_S:.0f} s",
            where=scheduler,
            remedy="Check the address and that `dask scheduler` runs there.",
        ) from error
    with client:
        yield client


async def _check_reachable(scheduler: str) -> None:
    """Connect once: a client waits without end for what takes connections and says nothing."""
    from distributed.comm import connect
    from distributed.security import Security

    settings = Security().get_connection_args("client")
    async with asyncio.timeout(ANSWER_S):
        (await connect(scheduler, timeout=ANSWER_S, **settings)).abort()


@contextmanager
def local_client(processes: int) -> Iterator[Client]:
    """A client of so many processes of this machine, started for it."""
    from distributed import Client

    with (
        _local_cluster(processes) as cluster,
        Client(cluster, timeout=ANSWER_S, set_as_default=False) as client,
    ):
        yield client


def _local_cluster(processes: int) -> LocalCluster:
    """Processes of this machine, each with its part of the cores."""
    import dask.config
    from distributed import LocalCluster

    try:
        with dask.config.set(_QUIET_CLUSTER):
            return LocalCluster(
                n_workers=processes,
                threads_per_worker=1,
                processes=True,
                memory_limit=0,
                dashboard_address="127.0.0.1:0",
                host="127.0.0.1",
                security=True,  # of its own, for this run: others of the machine are kept out
                env=thread_variables(processes) | {"DASK_LOGGING__DISTRIBUTED": "error"},
                silence_logs=logging.ERROR,
            )
    except (OSError, TimeoutError, RuntimeError) as error:
        raise ClusterError(
            f"the {processes} local processes could not be started ({error})",
            remedy="Give the same command again, or --processes 1: finished blocks are kept.",
        ) from error


def check_versions(client: Client) -> None:
    """Refuse workers with other software: their results would differ."""
    require_workers(client)
    ours = software_versions()

    def versions(names: list[str]) -> dict[str, str]:  # sent by value: deblend may be missing
        import platform
        from importlib import metadata

        found = {"python": platform.python_version()}
        for name in names:
            try:
                found[name] = metadata.version(name)
            except metadata.PackageNotFoundError:
                found[name] = "not installed"
        return found

    names = [name for name in ours if name != "python"]
    for address, found in call_on_each(client, versions, names, within_s=ANSWER_S).items():
        other = [
            f"{name} {found[name]}, here {ours[name]}" for name in ours if found[name] != ours[name]
        ]
        if other:
            raise ClusterError(
                f"the worker has other versions: {'; '.join(other)}",
                where=address,
                remedy="Give all workers the environment of this process.",
            )


def call_on_each(
    client: Client, function: Callable[..., Any], *arguments: Any, within_s: float
) -> dict[str, Any]:
    """What a function returns on each worker; one that dies meanwhile is left out."""
    try:
        found: dict[str, Any] = client.run(
            function, *arguments, on_error="ignore", callback_timeout=within_s
        )
    except TimeoutError as error:
        raise ClusterError(
            f"a worker does not answer within {within_s:.0f} s",
            where=client.scheduler.address,
            remedy="The dashboard of the scheduler shows which one; end it and give the same "
            "command again.",
        ) from error
    return found


def workers_of(client: Client, within_s: float) -> dict[str, int]:
    """Threads of each worker; not from scheduler_info, which a look of its own empties at times."""
    found: dict[str, int] = client.sync(client.scheduler.ncores, callback_timeout=within_s)
    return found


def require_workers(client: Client) -> dict[str, int]:
    """Threads of each worker."""
    present = workers_of(client, ANSWER_S)
    if not present:
        raise ClusterError(
            "the scheduler has no workers",
            where=client.scheduler.address,
            remedy=f"Start some with `dask worker {client.scheduler.address} --nthreads 1`.",
        )
    return present


def dashboard_of(client: Client) -> str:
    """Where the workers can be watched, if the scheduler has a page for it."""
    shown = "dashboard" in client.scheduler_info().get("services", {})
    return f"; watch them at {client.dashboard_link}" if shown else ""


def host_of(address: str) -> str:
    """Host in the address of a worker."""
    return address.rpartition("://")[2].rpartition(":")[0]
