"""Carrying out a study: what is missing in the results file, in parallel, one row at a time."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from itertools import groupby
from pathlib import Path

from deblend.cluster import check_versions, scheduler_client
from deblend.errors import InputError, SettingsError
from deblend.files import lock, make_folder
from deblend.study.child import Child
from deblend.study.content import content_of
from deblend.study.kept import keep_files
from deblend.study.known_rows import KnownRows, StaleRow
from deblend.study.one_run import SAMPLE, failed, first_columns
from deblend.study.results import Row, read_results, write_results
from deblend.study.samples import keep_sample
from deblend.study.study import Study, StudyRun

OnRow = Callable[[Row, int, int], None]
OnStale = Callable[[list[StaleRow]], None]


def run_study(
    study: Study,
    results: Path,
    *,
    processes: int = 1,
    scheduler: str | None = None,
    only: Collection[str] = (),
    again: Collection[str] = (),
    retry: bool = False,
    on_row: OnRow | None = None,
    on_stale: OnStale | None = None,
) -> list[Row]:
    """Carry out what the results file does not hold yet, and return all rows of the study.

    A row is known by its content: method with the source of own code, settings, blend, noise,
    samples, scoring, and the code of this package (`deblend.study.content`). Where any of it has
    changed, the row is stale and computed again. What is needed to repeat a row is kept beside the
    results.

    Every row is written as soon as it is there, so that a study can be stopped at any time and
    continued: the rows are the same. Rows of other runs in the file stay there. A method that
    raises, hangs, returns NaN or another shape, or ends its process, gets a row that says so.

    Parameters
    ----------
    results : Path
        Parquet file; made if absent.
    processes : int, optional
        Runs at the same time, each in a process of its own with its share of the threads.
    scheduler : str, optional
        Address of a dask.distributed scheduler whose workers do the runs instead.
    only : collection of str, optional
        Labels of the methods to run now; all where it is empty.
    retry : bool, optional
        Also compute rows again that are not done.
    on_row : callable, optional
        Sees each new row, how many of the missing ones are done, and how many there are.
    on_stale : callable, optional
        Sees the rows that are called as a run of the study and stand for something else, before
        anything is computed. They are replaced, or left out of what is returned where `only` says
        so.

    Returns
    -------
    list of dict
        In the order of `Study.runs`.

    Raises
    ------
    InputError
        If the results file is damaged or of another version, or a file of the study is missing.
    OutputError
        If another study is at work in the folder.
    ClusterError
        If the scheduler does not answer, has no workers, or workers have other versions.
    """
    results = Path(results)
    _check_labels(study, [*only, *again])
    contents = [content_of(run, study.folder) for run in study.runs()]
    with _alone(results):
        known = KnownRows(read_results(results), list(study.runs()), contents)
        stale = known.stale()
        if stale and on_stale is not None:
            on_stale(stale)
        missing = [
            run
            for run in known.runs
            if not _is_known(known.row_of(run), again, retry)
            and (not only or run.method.label in only)
        ]
        if missing:
            keep_files(study, contents, results.parent)
        for number, row in enumerate(_rows(study, missing, processes, scheduler), start=1):
            sample = row.pop(SAMPLE, None)
            row = known.take(row)
            if sample is not None:
                keep_sample(sample, results.parent, row["key"])
            write_results(results, known.rows())
            if on_row is not None:
                on_row(row, number, len(missing))
    return [found for run in known.runs if (found := known.row_of(run)) is not None]


@contextmanager
def _alone(results: Path) -> Iterator[None]:
    """The results file for this process alone."""
    make_folder(results.parent)
    path = results.with_name(f".{results.name}.lock")
    handle = lock(path, results.parent)
    try:
        yield
    finally:
        path.unlink(missing_ok=True)
        os.close(handle)


def _check_labels(study: Study, labels: Collection[str]) -> None:
    known = [method.label for method in study.methods]
    unknown = [label for label in labels if label not in known]
    if unknown:
        raise SettingsError(
            f"the study has no method {unknown[0]!r}",
            where=f"study {study.name}",
            remedy=f"It has {', '.join(known)}.",
        )


def _is_known(row: Row | None, again: Collection[str], retry: bool) -> bool:
    if row is None or row["method"] in again:
        return False
    return row["status"] == "done" or not retry


def _rows(
    study: Study, missing: list[StudyRun], processes: int, scheduler: str | None
) -> Iterator[Row]:
    """Rows as they come; runs on one line stay in one process, which keeps the line."""
    if not missing:
        return
    if processes < 1:
        raise InputError(f"{processes} processes cannot work", remedy="Give one or more.")
    groups = [list(group) for _, group in groupby(missing, key=lambda run: run.line_labels)]
    if scheduler is not None:
        yield from _on_cluster(study, groups, scheduler)
        return
    if len(groups) < processes:  # few lines: rather make them twice than wait
        groups = [[run] for run in missing]
    queue = iter(groups)
    ready: list[Row] = []
    changed = threading.Condition()

    def run_groups() -> None:
        with Child(study.folder, processes) as child:
            while True:
                with changed:
                    group = next(queue, None)
                if group is None:
                    return
                for run in group:
                    try:
                        row = child.row(run, study.limit_s)
                    except Exception as error:  # a method that cannot be sent to a process
                        row = first_columns(run) | failed(error)
                    with changed:
                        ready.append(row)
                        changed.notify()

    with _threads(run_groups, processes) as threads:
        for _ in missing:
            with changed:
                while not ready:
                    changed.wait(0.5)
                    if not ready and not any(thread.is_alive() for thread in threads):
                        raise RuntimeError("all workers of the study have ended")
                row = ready.pop(0)
            yield row


@contextmanager
def _threads(target: Callable[[], None], count: int) -> Iterator[list[threading.Thread]]:
    """Threads that each look after one process; they end with the program."""
    threads = [threading.Thread(target=target, daemon=True) for _ in range(count)]
    for thread in threads:
        thread.start()
    yield threads
    for thread in threads:
        thread.join()


def _on_cluster(study: Study, groups: list[list[StudyRun]], scheduler: str) -> Iterator[Row]:
    """Rows of the workers of a dask cluster, a task for the runs on one line."""
    from distributed import as_completed as completed

    folder = str(study.folder.resolve())
    with scheduler_client(scheduler) as client:
        check_versions(client)
        futures = [
            client.submit(run_group, group, folder, study.limit_s, pure=False) for group in groups
        ]
        for _, rows in completed(futures, with_results=True, loop=client.loop):
            yield from rows


def run_group(group: list[StudyRun], folder: str, limit_s: float) -> list[Row]:
    """Rows of some runs on one line, in a process of their own below this one."""
    with Child(Path(folder)) as child:
        return [child.row(run, limit_s) for run in group]
