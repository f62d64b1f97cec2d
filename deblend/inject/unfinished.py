"""An injection on its way, in the folder of unfinished work: it goes on after a kill."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.array_file import scratch_array
from deblend.cluster import software_versions
from deblend.errors import OutputError
from deblend.files import make_folder, sync
from deblend.inject.event_response import Response
from deblend.line.open_line import OpenLine
from deblend.progress import Progress, Step
from deblend.results.output_folder import (
    INJECTION,
    INJECTION_FINDINGS,
    INJECTION_LINE,
    UNFINISHED,
)
from deblend.run.begin import plan_inputs
from deblend.run.checkpoints import FileCheckpoints
from deblend.run.run_folder import RunFolder, locked
from deblend.run.run_plan import RunPlan, read_plan, refuse_changed, utc_now, write_plan
from deblend.run.stored_values import read_value, write_value
from deblend.separation.job import Job
from deblend.separation.learned_floor import LearnedFloor
from deblend.words import counted

PAGE: Final = "injection.html"
_SEPARATIONS: Final = 3

Source = int | str


@dataclass(frozen=True, eq=False)
class BlockResponse:
    """What a block of channels shows; nothing of the separation without events."""

    responses: Mapping[Source, Response]
    """By source."""
    appeared: Mapping[Source, NDArray[np.float64]]
    """(window,): Energy that appeared in a source that got no events."""
    put_in: NDArray[np.float64]
    """(window,): Energy of the events."""


@dataclass(frozen=True, eq=False)
class UnfinishedInjection:
    """Three separations, whose blocks are numbered one after the other."""

    folder: RunFolder
    """Where it is."""
    plan: RunPlan
    """What is done, of what input."""
    baseline: NDArray[np.float32]
    """(shot, channel, time): Estimate without events, on disk."""

    def checkpoints(self, number: int) -> FileCheckpoints:
        """How far the iterations of a block are."""
        return FileCheckpoints(self.folder.checkpoint(number), self.plan.started_utc)

    def block(self, number: int) -> BlockResponse:
        """What a finished block shows."""
        found: BlockResponse = read_value(self.folder.done(number))
        return found

    def keep_block(self, number: int, found: BlockResponse) -> None:
        """Mark a block as finished, once its part of the baseline is on disk."""
        sync(self.folder.baseline)
        write_value(self.folder.done(number), found)
        self.checkpoints(number).remove()

    @property
    def learned(self) -> LearnedFloor | None:
        """What was learned of the noise before the separations, once it is."""
        if not self.folder.noise_share.exists():
            return None
        found: LearnedFloor = read_value(self.folder.noise_share)
        return found

    def keep_learned(self, learned: LearnedFloor) -> None:
        """Keep what was learned of the noise."""
        write_value(self.folder.noise_share, learned)

    def finished_so_far(self) -> str:
        """How much is finished, in words."""
        count = _SEPARATIONS * self.plan.count
        done = sum(self.folder.is_done(number) for number in range(count))
        begun = sum(self.folder.checkpoint(number).exists() for number in range(count))
        return (
            f"{done} of {counted(count, 'block')} of the three separations finished"
            f"{f', {begun} to go on from a checkpoint' if begun else ''}"
        )


@contextmanager
def begin_or_resume(
    folder: Path,
    opened: OpenLine,
    job: Job,
    asked: Mapping[str, Any],
    progress: Progress,
    *,
    restart: bool,
) -> Iterator[UnfinishedInjection]:
    """A new injection, or the one that was not finished; its work is gone when all went well.

    Parameters
    ----------
    folder : Path
        Gets the results; made if absent, must hold nothing else.
    asked : mapping
        What the result depends on besides line and settings, by name.

    Raises
    ------
    OutputError
        If the folder holds something else.
    InputError
        If it was begun with something else and not to `restart`.
    """
    refuse_other_content(folder)
    now = _plan(opened, job, asked)
    with locked(folder) as run_folder:
        if restart or not run_folder.plan.exists():
            run_folder.clear()
            scratch_array(run_folder.baseline, (len(job.shots), job.recording.shape[0], job.length))
            write_plan(now, run_folder.plan)
            plan = now
        else:
            plan = read_plan(run_folder.plan)
            refuse_changed(plan, now, folder)
        unfinished = UnfinishedInjection(run_folder, plan, _open_baseline(run_folder.baseline))
        if plan is not now:
            said = f"going on: {unfinished.finished_so_far()}; --restart begins anew"
            progress(Step("plan", 0, 0, said))
        try:
            yield unfinished
        except KeyboardInterrupt as error:
            said = f"{unfinished.finished_so_far()} and kept; the same command goes on"
            raise KeyboardInterrupt(said) from error
        run_folder.remove()


def refuse_other_content(folder: Path) -> None:
    """Refuse a folder that holds anything but an unfinished injection and its results.

    Raises
    ------
    OutputError
        If it does, or cannot be made.
    """
    if not folder.exists():
        return
    make_folder(folder)  # refuses a file
    names = {entry.name for entry in folder.iterdir()}
    own = {UNFINISHED, INJECTION, INJECTION_FINDINGS, INJECTION_LINE, PAGE}
    if names - {UNFINISHED} and not (names <= own and RunFolder.of(folder).plan.exists()):
        raise OutputError(
            "the folder is not empty",
            where=str(folder),
            remedy="Name a new folder, or empty this one.",
        )


def _plan(opened: OpenLine, job: Job, asked: Mapping[str, Any]) -> RunPlan:
    return RunPlan(
        line_path=str(opened.line.path),
        keys=opened.line.keys,
        settings=job.all_settings | {f"injection.{name}": value for name, value in asked.items()},
        versions=software_versions(),
        inputs=plan_inputs(opened),
        spans=((0, job.layout.slot_count),),
        channels=tuple((block.start, block.stop) for block in job.blocks),
        block_bytes=0,
        memory_bytes=0,
        started_utc=utc_now(),
    )


def _open_baseline(path: Path) -> NDArray[np.float32]:
    try:
        array: NDArray[np.float32] = np.lib.format.open_memmap(path, mode="r+")
    except (OSError, ValueError) as error:
        raise OutputError(
            f"the work cannot be gone on with ({error})",
            where=str(path),
            remedy="Begin anew with --restart.",
        ) from error
    return array
