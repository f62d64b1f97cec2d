"""Blocks of channels, and for very long lines spans of slots, planned from a memory budget.

Every block is separated with neighbours on each side, which are thrown away: channels for methods
that look across channels, slots where the line is cut into spans. Wide blocks waste less of them,
so the plan is the one that ends first among those that fit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from types import ModuleType
from typing import Final

from deblend.arrays import free_bytes, is_host
from deblend.errors import SettingsError
from deblend.separation.contract import Separator

_CARD_BYTES: Final = 4_000_000_000
"""What a card needs besides the arrays of a block: patches, spectra and plans of transforms."""
_PART_OF_FREE: Final = {True: 0.5, False: 0.8}
"""Of the memory that is free, what the arrays of a block may take: on the host the results of all
blocks are there, too."""
LEAST_HALO: Final = 8
GATHER_COPIES: Final = 4
"""Arrays of the size of the gathers that live at the same time in the loop."""
RECORD_COPIES: Final = 11
"""Arrays of the size of the record, its weights included."""
_VALUE_BYTES: Final = 4
_LEAST_GAIN: Final = 0.95
"""More spans have more seams; they must save a twentieth of the work."""


@dataclass(frozen=True)
class Extent:
    """Size of a line, for planning."""

    sources: int
    slots: int
    channels: int
    length: int
    """Of the gathers: sources, slots along the line, channels, samples of a trace."""
    samples: int
    """Samples of the record."""
    slot_halo: int
    channel_halo: int
    """Neighbours on each side that are computed and thrown away."""
    least_slots: int
    """Shortest span that is worth its neighbours."""
    channel_margin: int = 0
    """Channels without data that are added at either end of the streamer."""

    def channel_bytes(self, slots: int) -> int:
        """Bytes that one channel of a block takes, `slots` with their neighbours."""
        gathers = self.sources * slots * self.length
        samples = min(self.samples, self.samples * slots // self.slots + 2 * self.length)
        return _VALUE_BYTES * (GATHER_COPIES * gathers + RECORD_COPIES * samples)

    def wide_slots(self, step: int) -> int:
        """Slots of a span of `step` with its neighbours."""
        return self.slots if step >= self.slots else min(self.slots, step + 2 * self.slot_halo)

    def wide_channels(self, step: int) -> int:
        """Channels of a block of `step` with its neighbours."""
        whole = self.channels + 2 * self.channel_margin
        return whole if step >= self.channels else min(whole, step + 2 * self.channel_halo)


@dataclass(frozen=True)
class BlockCuts:
    """How a line is cut."""

    spans: tuple[range, ...]
    """Slots, together all of the line."""
    channels: tuple[range, ...]
    """Channel rows, together all of the line. Every span is cut into the same ones."""
    block_bytes: int
    """What the arrays of the largest block take."""

    @property
    def count(self) -> int:
        """Number of blocks."""
        return len(self.spans) * len(self.channels)

    def place(self, number: int) -> tuple[int, range]:
        """Span and channels of a block; blocks of one span follow each other."""
        span, block = divmod(number, len(self.channels))
        return span, self.channels[block]


def memory_for_block(xp: ModuleType) -> int:
    """What the arrays of one block may take where nothing else is asked for, in bytes."""
    free = free_bytes(xp)
    if not is_host(xp):
        free = max(free - _CARD_BYTES, free // 4)
    return round(_PART_OF_FREE[is_host(xp)] * free)


def halo(method: Separator, axis: int) -> int:
    """Neighbours on each side along an axis (0 slots, 1 channels); none without windows there.

    One and a half windows of the method. A cut is felt a window further with every iteration, but
    ever less: with half a window fewer the difference beside a seam was 4 to 11 dB larger.
    """
    size = method.patch[axis]
    return 0 if size == 1 else max(LEAST_HALO, round(1.5 * size))


def plan_blocks(extent: Extent, memory_bytes: int, *, processes: int = 1) -> BlockCuts:
    """The plan that ends first of those whose blocks fit.

    Parameters
    ----------
    memory_bytes : int
        What the arrays of one block may take.
    processes : int, optional
        Processes that work on a block each: blocks come in rounds of so many, as far as the line
        has channels for them, and none of the processes waits for the last block of another.
    """
    best: tuple[int, BlockCuts] | None = None
    most = max(1, extent.slots // max(1, extent.least_slots))
    for count in range(1, most + 1):
        found = [
            (_rounds(extent, plan, processes), plan)
            for plan in _plans_of(extent, count, memory_bytes, processes)
        ]
        if not found:
            continue
        cost, plan = min(found, key=lambda pair: pair[0])
        if best is None or cost < _LEAST_GAIN * best[0]:
            best = (cost, plan)
    if best is None:
        raise SettingsError(
            f"a memory budget of {memory_bytes / 1e9:.3g} GB for the arrays of a block is too "
            f"small for one channel with its neighbours",
            remedy=f"Allow at least {least_bytes(extent) / 1e9:.3g} GB for them.",
        )
    return best[1]


def least_bytes(extent: Extent) -> int:
    """Smallest budget that `plan_blocks` accepts."""
    step = min(extent.slots, max(1, extent.least_slots))
    most = max(1, extent.slots // step)
    slots = extent.wide_slots(_step(extent.slots, most))
    return extent.channel_bytes(slots) * extent.wide_channels(1)


def _plans_of(
    extent: Extent, span_count: int, memory_bytes: int, processes: int
) -> Iterator[BlockCuts]:
    """The widest blocks of channels that fit, and narrower ones of which there are more."""
    slots = extent.wide_slots(_step(extent.slots, span_count))
    per_channel = extent.channel_bytes(slots)
    fitting = memory_bytes // per_channel
    whole = fitting >= extent.wide_channels(extent.channels)
    widest = extent.channels if whole else fitting - 2 * extent.channel_halo
    if widest < 1:
        return
    spans = _cut(extent.slots, span_count)
    fewest = -(-extent.channels // widest)
    for count in range(fewest, min(extent.channels, fewest + processes - 1) + 1):
        channels = _cut(extent.channels, count)
        yield BlockCuts(spans, channels, per_channel * extent.wide_channels(len(channels[0])))


def _rounds(extent: Extent, plan: BlockCuts, processes: int) -> int:
    """Slots times channels that the busiest process computes, neighbours with them."""
    slots = extent.wide_slots(_step(extent.slots, len(plan.spans)))
    return slots * extent.wide_channels(len(plan.channels[0])) * -(-plan.count // processes)


def _step(length: int, count: int) -> int:
    return -(-length // count)


def _cut(length: int, count: int) -> tuple[range, ...]:
    """About `count` ranges of one size, the last one shorter: chunks of a store line up with it."""
    edges = [*range(0, length, _step(length, count)), length]
    return tuple(range(a, b) for a, b in pairwise(edges))
