"""What a metric is, and what it is given: one block of a line, then the whole line.

A metric measures blocks while their gathers are in memory, adds up what it measured, and turns the
sum into rows of the findings table. Sums come first and decibels last: energies add up over blocks,
decibels do not. `deblend.qc.metrics` lists all metrics.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Generic, Protocol, Self, TypeVar

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.qc.measure_setup import Gathers, MeasureSetup
from deblend.qc.sums import Row, in_line_rows
from deblend.qc.unknown_samples import with_unknown_from

if TYPE_CHECKING:
    from deblend.qc.expected_error import ErrorTrial
    from deblend.qc.group_likeness import GroupLikeness
    from deblend.qc.limits import Limit
    from deblend.qc.record_samples import SampleCounts
    from deblend.qc.scores import LineTruth
    from deblend.qc.seams import SeamWindows
    from deblend.separation.downweighted import Downweighted


class Addable(Protocol):
    """What a metric keeps of a block: a frozen dataclass of arrays, to be stored."""

    def __add__(self, other: Self, /) -> Self:
        """Sum of two blocks."""
        ...


Measured = TypeVar("Measured", bound=Addable)


@dataclass(frozen=True)
class Metric(Generic[Measured]):
    """One metric; `deblend.qc.removed` is the shortest example."""

    name: str
    """Under which its values are stored."""
    rows: Callable[[MeasuredLine, Measured], Iterable[Finding]]
    """Rows of the findings table. Not called where no block had anything to measure."""
    measure: Callable[[MeasuredBlock], Measured | None] | None = None
    """Value of a block; None where there is nothing to measure. A metric without it works on the
    line alone, and its rows are given None."""
    summed: Callable[[Measured], Measured] | None = None
    """What of a value is added up, where a part of it grows with the line and stays with its
    block."""


@dataclass(frozen=True, eq=False)
class MeasuredBlock:
    """One block of a line with its gathers; its shots are those of its span, without neighbours."""

    setup: MeasureSetup
    """Of the whole line."""
    channels: range
    """Channel rows."""
    rows: NDArray[np.int64]
    """(shot,): Rows of the shot table of the line."""
    alive: NDArray[np.bool_]
    """(channel,): False for dead channels, which take no part."""
    pseudo_deblended: Gathers
    estimate: Gathers
    """(shot, channel, time): Gathers before and after separation; zeros for shots that are not
    delivered."""
    residual: NDArray[np.float32]
    record: NDArray[np.float32]
    """(channel, time): Unexplained part, and the record with zeros for unknown samples."""
    known: NDArray[np.bool_]
    """(channel, time): Samples of the record that are known."""
    fold: NDArray[np.integer[Any]]
    """(time,): Number of shots active at each sample of the record."""
    first_sample: NDArray[np.int64]
    """(shot,): Sample of the record nearest to each time break; may lie outside."""
    truth: LineTruth | None = None
    """The answer, where it is known."""
    downweighted: Downweighted | None = None
    """What lost weight in the fit, where weights were asked for; shots as in `rows`."""

    @cached_property
    def before(self) -> Gathers:
        """Pseudo-deblended, and the estimate where the record is not known: nothing was removed."""
        return with_unknown_from(
            self.estimate, self.pseudo_deblended, self.known, self.first_sample
        )

    @property
    def own_setup(self) -> MeasureSetup:
        """The setup with the shots of the block."""
        if len(self.rows) == len(self.setup.shots):
            return self.setup
        return self.setup.of_rows(self.rows, self.setup.counted[self.rows])

    def in_line_rows(self, value: Row) -> Row:
        """An array, or a dataclass of arrays, (shot, ...) in the rows of the line."""
        return in_line_rows(value, self.rows, len(self.setup.shots))


@dataclass(frozen=True, eq=False)
class MeasuredLine:
    """What all metrics of a line know besides their sums."""

    setup: MeasureSetup
    """Shots, windows, groups."""
    channel_numbers: NDArray[np.int64]
    """(channel,): Labels of the channels."""
    sample_count: int
    """Samples of a channel of the record."""
    limits: Mapping[str, Limit]
    """From `deblend.qc.limits`."""
    counts: SampleCounts | None = None
    """Dead channels and unusable samples."""
    likeness: GroupLikeness | None = None
    """Likeness of kept and removed part in groups of shots."""
    seams: SeamWindows | None = None
    """Estimates beside the cuts of the line; None where it is in one piece."""
    truth: LineTruth | None = None
    """The answer, where it is known."""
    error_trial: ErrorTrial | None = None
    """What trial separations show of the error; None where none was wanted."""

    @property
    def alive_count(self) -> int:
        """Channels that are not dead."""
        dead = 0 if self.counts is None else int(self.counts.dead.sum())
        return len(self.channel_numbers) - dead
