"""Spans of slots: a part of a very long line, with its neighbours, as a line of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deblend.model.recording import Recording, SampleSource
from deblend.separation.job import Job
from deblend.separation.neighbours import SEAM_SLOTS
from deblend.separation.plan_blocks import halo
from deblend.separation.slots import SlotLayout
from deblend.separation.weights import windows_of


@dataclass(frozen=True, eq=False)
class Span:
    """A part of a line."""

    job: Job
    """The part with its neighbours; its shots are those of `rows`, and only those that belong to
    the span itself count as delivered."""
    rows: NDArray[np.int64]
    """(shot,): Rows of the shot table of the line."""
    own: NDArray[np.bool_]
    """(shot,): False for the neighbours."""
    seam_shots: NDArray[np.bool_]
    """(shot,): Neighbours next to the span that another one delivers."""


@dataclass(frozen=True, eq=False)
class SpanSamples:
    """Samples ``[begin, end)`` of a record, weighted."""

    source: SampleSource
    """The whole record."""
    begin: int
    end: int
    """Samples of it."""
    weight: NDArray[np.float32]
    """(end - begin,): Factors; NaN makes samples unknown."""

    @property
    def shape(self) -> tuple[int, int]:
        """Number of channels and of samples."""
        return self.source.shape[0], self.end - self.begin

    def read(self, channels: Sequence[int], start: int, stop: int) -> NDArray[np.float32]:
        """Samples ``[start, stop)`` of the span."""
        samples = self.source.read(channels, self.begin + start, self.begin + stop)
        return samples * self.weight[start:stop]


def slot_halo(job: Job) -> int:
    """Slots on each side of a span: of the method, and those that reach into it in time."""
    return halo(job.method, 0) + slots_of_a_trace(job)


def slots_of_a_trace(job: Job) -> int:
    """How many slots later a shot still writes into the record."""
    filled = np.where(job.layout.row >= 0, job.shots.fire_time_ns[job.layout.row], -1)
    clock = filled[np.argmax((filled >= 0).sum(axis=1))]
    slot = np.flatnonzero(clock >= 0)
    if len(slot) < 2:
        return 1
    interval_ns = np.median(np.diff(clock[slot]) / np.diff(slot))
    return int(np.ceil(job.length * job.recording.interval_ns / max(interval_ns, 1.0))) + 1


def span_of(job: Job, slots: range, *, shared: bool = False) -> Span:
    """A span of a line with its neighbours.

    Samples that other shots write, too, are unknown to it: their energy would have nowhere to go.
    With `shared` these samples are shared out by the blending fold of the whole line instead, so
    that the first back-projection is that of the line.
    """
    everything = np.arange(len(job.shots))
    if len(slots) >= job.layout.slot_count:
        all_own = np.ones(len(job.shots), np.bool_)
        return Span(job, everything, all_own, ~all_own)
    beyond = slot_halo(job)
    wide = range(max(0, slots.start - beyond), min(job.layout.slot_count, slots.stop + beyond))
    row = job.layout.row[:, wide.start : wide.stop]
    own_row = job.layout.row[:, slots.start : slots.stop]
    rows = np.sort(row[row >= 0])
    local = np.full(len(job.shots) + 1, -1)
    local[rows] = np.arange(len(rows))
    own = np.isin(rows, own_row)
    near = range(max(0, slots.start - SEAM_SLOTS), slots.stop + SEAM_SLOTS)
    seam_shots = (
        np.isin(rows, job.layout.row[:, near.start : near.stop]) & job.delivered[rows] & ~own
    )
    recording = _recording_of(job, rows, shared)
    part = replace(
        job,
        recording=recording,
        shots=job.shots.take(rows),
        delivered=job.delivered[rows] & own,
        layout=SlotLayout(np.where(row >= 0, local[row], -1)),
        first_slot=job.first_slot + wide.start,
        cut_slots=(wide.start > 0, wide.stop < job.layout.slot_count),
        blocks=(),
    )
    return Span(part, rows, own, seam_shots)


def _recording_of(job: Job, rows: NDArray[np.int64], shared: bool) -> Recording:
    """The stretch that some shots write, weighted where others write, too."""
    inside = np.isin(job.layout.row.ravel(), rows) & job.operator.live
    first, last = job.operator.first_sample, job.operator.first_sample + job.operator.padded_length
    count = job.recording.shape[1]
    step = windows_of(count, job.recording.interval_s).step
    begin = int(np.clip(first[inside].min(initial=count), 0, count))
    end = int(np.clip(last[inside].max(initial=0), 0, count))
    end = max(end, min(begin + job.length, count))
    # Weights belong to windows of the line, and those of the span need all of their samples.
    begin = max(0, (begin // step - 1) * step)
    end = min(count, (-(-end // step) + 1) * step)
    edges = np.zeros(end - begin + 1, np.int64)
    np.add.at(edges, np.clip(first[inside], begin, end) - begin, 1)
    np.add.at(edges, np.clip(last[inside], begin, end) - begin, -1)
    own, whole = np.cumsum(edges[:-1]), job.operator.fold[begin:end]
    alone = np.where(own == whole, 1.0, np.nan)
    weight = own / np.maximum(whole, 1) if shared else alone
    return replace(
        job.recording,
        samples=SpanSamples(job.recording.source, begin, end, weight.astype(np.float32)),
        start=job.recording.start_ns + begin * job.recording.interval_ns,
        gaps=(),
    )
