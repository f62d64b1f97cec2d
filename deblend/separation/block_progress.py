"""Progress of many blocks as one figure that only grows."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from deblend.progress import Progress, Step
from deblend.separation.loop import IterationRecord


class BlockProgress:
    """Progress of the separation of some blocks, from the iterations of each.

    A robust fit may restart (`block.separate_block`), so the remaining work can grow. The figure
    never steps back: each iteration advances it by its part of all that remains at that time, so
    that it arrives with the last one.

    Parameters
    ----------
    iterations : int
        Of a block without a restart.
    samples : mapping of int to int
        Samples of the gathers of each block, by its number.
    progress : callable
        Gets samples times iterations, as many in all as without a restart.
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
        self._report("")

    def on_iteration(self, block: int, record: IterationRecord) -> None:
        """An iteration of a block is done; one that comes again belongs to a restart."""
        if block in self._finished:
            return
        if record.iteration <= self._reached[block]:
            self._reached[block] = 0
        iterations = record.iteration - self._reached[block]
        self._advance(self._size[block] * iterations)
        # The first one that is told may follow those before a checkpoint.
        self._spent[block] += iterations if self._reached[block] else 1
        self._reached[block] = record.iteration
        where = f"{self._name(block)}, " if len(self._size) > 1 else ""
        self._report(f"{where}{self._status(record)}")

    def _status(self, record: IterationRecord) -> str:
        """Where a block stands; what keeps it from its next iteration, where that takes a while."""
        if record.review_follows:
            return f"looking for outliers after iteration {record.iteration}"
        if record.iteration == self._iterations:
            return f"measuring after iteration {record.iteration}"
        return f"iteration {record.iteration}, {record.residual_db:.1f} dB unexplained"

    def on_done(self, block: int) -> None:
        """A block is done, however many iterations it took."""
        if block not in self._finished:
            self._advance(self._size[block] * (self._iterations - self._reached[block]))
            self._finished.add(block)
        self._report(f"{self._name(block)} finished")

    def _advance(self, sample_iterations: float) -> None:
        remaining = self._samples_remaining()
        if remaining > 0:
            self._part += (1 - self._part) * min(1.0, sample_iterations / remaining)

    def _samples_remaining(self) -> float:
        return sum(size * self._iterations_remaining(block) for block, size in self._size.items())

    def _iterations_remaining(self, block: int) -> float:
        """Iterations that a block still needs; one that has not begun, as many as others took."""
        if block in self._finished:
            return 0
        if self._reached[block]:
            return self._iterations - self._reached[block]
        took = [self._spent[one] for one in self._finished if self._spent[one]]
        return max(self._iterations, sum(took) / len(took)) if took else self._iterations

    def _report(self, note: str) -> None:
        total = self._iterations * sum(self._size.values())
        worked = sum(self._size[block] * count for block, count in self._spent.items())
        self._progress(
            Step("separate", self._part * total, total, note, worked, self._samples_remaining())
        )
