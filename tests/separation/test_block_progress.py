"""Progress of a separation never steps back, and what is left is told rightly."""

from __future__ import annotations

import numpy as np
import pytest

from deblend.progress import Step
from deblend.separation.block_progress import BlockProgress
from deblend.separation.loop import IterationRecord

ITERATIONS = 60


class RecordedProgress:
    """A run of some blocks, and what was told of it."""

    def __init__(self, blocks: int) -> None:
        self.steps: list[Step] = []
        samples = dict.fromkeys(range(blocks), 8000)
        self.progress = BlockProgress(ITERATIONS, samples, self.steps.append)

    def iterations(self, block: int, count: int) -> None:
        for k in range(count):
            self.progress.on_iteration(block, IterationRecord(k + 1, 0.1, 1.0, 10.0))

    @property
    def parts(self) -> np.ndarray:
        return np.array([step.done / step.total for step in self.steps])


def test_without_a_fresh_start_every_iteration_counts_the_same() -> None:
    recorded = RecordedProgress(2)
    for block in range(2):
        recorded.iterations(block, ITERATIONS)
        recorded.progress.on_done(block)
    moved = np.diff(recorded.parts)
    np.testing.assert_allclose(moved[moved > 0], 1 / (2 * ITERATIONS))
    assert recorded.parts[-1] == pytest.approx(1)
    assert recorded.steps[-1].worked == recorded.steps[-1].total


def test_a_fresh_start_takes_the_figure_on_more_slowly_and_never_back() -> None:
    recorded = RecordedProgress(1)
    recorded.iterations(0, 20)
    recorded.iterations(0, 40)
    recorded.iterations(0, ITERATIONS)
    assert (np.diff(recorded.parts) > 0).all()
    assert recorded.parts[-1] == pytest.approx(1)
    # steps are one iteration apart: what remains by the present speed is what is left
    size = recorded.steps[-1].total / ITERATIONS
    for at, remaining in ((20, 40), (40, 40), (60, 20), (90, 30)):
        assert recorded.steps[at].remaining == remaining * size
        speed = recorded.parts[at] - recorded.parts[at - 1]
        assert (1 - recorded.parts[at]) / speed == pytest.approx(remaining)
    assert recorded.steps[-1].worked == 2 * recorded.steps[-1].total


def test_blocks_to_come_are_taken_to_be_as_long_as_those_done() -> None:
    recorded = RecordedProgress(3)
    recorded.iterations(0, 20)
    recorded.iterations(0, ITERATIONS)
    recorded.progress.on_done(0)
    recorded.iterations(1, 1)
    speed = recorded.parts[-1] - recorded.parts[-2]
    # when it began, blocks 1 and 2 were thought to take as long as block 0
    assert (1 - recorded.parts[-2]) / speed == pytest.approx(2 * 80)
    recorded.iterations(2, 5)
    recorded.progress.on_done(1)
    recorded.progress.on_done(2)
    assert (np.diff(recorded.parts) >= 0).all()
    assert recorded.parts[-1] == pytest.approx(1)


@pytest.mark.parametrize(("blocks", "where"), [(1, ""), (2, "block 0, ")])
def test_pauses_between_iterations_are_told(blocks: int, where: str) -> None:
    recorded = RecordedProgress(blocks)
    for record, said in (
        (IterationRecord(19, 0.1, 1.0, 10.0), "iteration 19, -10.0 dB unexplained"),
        (
            IterationRecord(20, 0.1, 1.0, 10.0, review_follows=True),
            "looking for outliers after iteration 20",
        ),
        (IterationRecord(ITERATIONS, 0.1, 1.0, 10.0), f"measuring after iteration {ITERATIONS}"),
    ):
        recorded.progress.on_iteration(0, record)
        assert recorded.steps[-1].note == f"{where}{said}"


def test_late_news_of_a_finished_block_change_nothing() -> None:
    recorded = RecordedProgress(2)
    recorded.progress.on_done(0)
    before = recorded.parts[-1]
    recorded.iterations(0, 3)
    assert recorded.parts[-1] == before == pytest.approx(0.5)
