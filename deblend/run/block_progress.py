"""How far the blocks of a run are, told as one figure."""

from __future__ import annotations

from collections.abc import Sequence

from deblend.run.progress import Progress, Step
from deblend.run.work_plan import WorkPlan
from deblend.separation.job import Job
from deblend.separation.loop import IterationRecord


class BlockProgress:
    """How far the separation of some blocks is, told by each of them.

    Parameters
    ----------
    job : Job
        The line.
    plan : WorkPlan
        How it is cut.
    blocks : sequence of int
        Blocks to be separated.
    progress : callable
        Told in samples times iterations.
    """

    def __init__(self, job: Job, plan: WorkPlan, blocks: Sequence[int], progress: Progress) -> None:
        self._iterations = job.schedule.iterations
        self._progress = progress
        self._size = {block: _samples(job, plan, block) for block in blocks}
        self._reached = dict.fromkeys(blocks, 0)
        self._tell("")

    def told(self, block: int, record: IterationRecord) -> None:
        """An iteration of a block is done."""
        self._reached[block] = max(self._reached[block], record.iteration)
        self._tell(f"block {block}, iteration {record.iteration}: {record.residual_db:.1f} dB")

    def done(self, block: int) -> None:
        """A block is done, however many iterations it took."""
        self._reached[block] = self._iterations
        self._tell(f"block {block} finished")

    def _tell(self, note: str) -> None:
        done = sum(self._size[block] * count for block, count in self._reached.items())
        total = self._iterations * sum(self._size.values())
        self._progress(Step("separate", done, total, note))


def _samples(job: Job, plan: WorkPlan, block: int) -> int:
    """Samples of the gathers of a block, without its neighbours."""
    span, channels = plan.place(block)
    begin, end = plan.spans[span]
    shots = int((job.layout.row[:, begin:end] >= 0).sum())
    return shots * len(channels) * job.length
