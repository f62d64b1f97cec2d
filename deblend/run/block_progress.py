"""How far the blocks of a run are, told as one figure that only grows."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from deblend.progress import Progress, Step
from deblend.run.run_plan import RunPlan
from deblend.separation.job import Job
from deblend.separation.loop import IterationRecord


class BlockProgress:
    """How far the separation of some blocks is, told by each of them.

    A robust fit may begin anew (`block.separate_block`), so what is left to do can grow. The figure
    never steps back: each iteration takes it on by its part of all that is left at that time, so
    that it arrives with the last one. What is left is told beside it.

    Parameters
    ----------
    iterations : int
        Of a block without a fresh start.
    samples : mapping of int to int
        Samples of the gathers of each block, by its number.
    progress : callable
        Told in samples times iterations, as many in all as without a fresh start.
    name : callable, optional
        What a block is called, where there are several.
    """

    def __init__(
        self,
        iterations: int,
        samples: Mapping[int, int],
        progress: Progress,
        name: Callable[[int], str] = "block {}".format,
    ) -> None:
        self._iterations = iterations
        self._progress = progress
        self._name = name
        self._size = dict(samples)
        self._reached = dict.fromkeys(samples, 0)
        self._spent = dict.fromkeys(samples, 0)
        self._finished: set[int] = set()
        self._part = 0.0
        self._tell("")

    def told(self, block: int, record: IterationRecord) -> None:
        """An iteration of a block is done; one that comes again belongs to a fresh start."""
        if block in self._finished:
            return
        if record.iteration <= self._reached[block]:
            self._reached[block] = 0
        done = record.iteration - self._reached[block]
        self._advance(self._size[block] * done)
        self._spent[block] += done
        self._reached[block] = record.iteration
        where = f"{self._name(block)}, " if len(self._size) > 1 else ""
        self._tell(f"{where}{self._now(record)}")

    def _now(self, record: IterationRecord) -> str:
        """Where a block stands; what keeps it from its next iteration, where that takes a while."""
        if record.review_follows:
            return f"looking for outliers after iteration {record.iteration}"
        if record.iteration == self._iterations:
            return f"measuring after iteration {record.iteration}"
        return f"iteration {record.iteration}, {record.residual_db:.1f} dB unexplained"

    def done(self, block: int) -> None:
        """A block is done, however many iterations it took."""
        if block not in self._finished:
            self._advance(self._size[block] * (self._iterations - self._reached[block]))
            self._finished.add(block)
        self._tell(f"{self._name(block)} finished")

    def _advance(self, work: float) -> None:
        left = self._work_left()
        if left > 0:
            self._part += (1 - self._part) * min(1.0, work / left)

    def _work_left(self) -> float:
        return sum(size * self._left(block) for block, size in self._size.items())

    def _left(self, block: int) -> float:
        """Iterations that a block still needs; one that has not begun, as many as others took."""
        if block in self._finished:
            return 0
        if self._reached[block]:
            return self._iterations - self._reached[block]
        took = [self._spent[one] for one in self._finished if self._spent[one]]
        return max(self._iterations, sum(took) / len(took)) if took else self._iterations

    def _tell(self, note: str) -> None:
        total = self._iterations * sum(self._size.values())
        worked = sum(self._size[block] * count for block, count in self._spent.items())
        self._progress(Step("separate", self._part * total, total, note, worked, self._work_left()))


def samples_of(job: Job, plan: RunPlan, block: int) -> int:
    """Samples of the gathers of a block, without its neighbours."""
    span, channels = plan.place(block)
    begin, end = plan.spans[span]
    shots = int((job.layout.row[:, begin:end] >= 0).sum())
    return shots * len(channels) * job.length
