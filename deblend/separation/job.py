"""Preparation of a line: everything that is settled before the first block is separated."""

from __future__ import annotations

import warnings
from dataclasses import asdict, dataclass, fields, is_dataclass, replace
from functools import cached_property, reduce
from operator import add
from types import ModuleType
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from deblend.arrays import Array, give_back_card_memory, is_host, namespace_for, to_host
from deblend.blending.operator import (
    BlendingOperator,
    check_same_scale,
    length_in_samples,
    operator_at,
)
from deblend.errors import InputError
from deblend.model.findings import Finding
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.model.timebase import format_instant
from deblend.separation.amplitudes import with_possible_samples
from deblend.separation.block import (
    Block,
    SeparatedBlock,
    block_reference,
    separate_block,
)
from deblend.separation.checkpoint import Checkpoints
from deblend.separation.choose import (
    MethodChoice,
    choose_method,
    method_name,
    processor_finding,
    runs_on_card,
    shrunk_windows,
)
from deblend.separation.contract import Separator
from deblend.separation.downweighted import Downweighted, downweighted
from deblend.separation.loop import Callback, IterationRecord, merge_histories
from deblend.separation.neighbours import Neighbours, channels_beyond
from deblend.separation.outliers import CHANNELS as NEIGHBOUR_CHANNELS
from deblend.separation.own_code import code_name
from deblend.separation.patch_grid import CutEnds, margin
from deblend.separation.plan_blocks import Extent, halo, least_bytes, memory_for_block, plan_blocks
from deblend.separation.schedule import Schedule
from deblend.separation.settings import DEFAULTS, SeparationSettings, checked_settings
from deblend.separation.slots import SlotLayout, pair_shots
from deblend.separation.unblended import keep_unblended, nothing_blended, unblended_findings


@dataclass(frozen=True, eq=False)
class Job:
    """A line that is ready to be separated, block by block."""

    recording: Recording
    """The record."""
    shots: Shots
    """As given, in table order."""
    delivered: NDArray[np.bool_]
    """(shot,): Live, wanted, and wholly inside the record."""
    layout: SlotLayout
    """Shots paired along the line."""
    length: int
    """Samples of a gather trace."""
    method: Separator
    """Coherence filter."""
    settings: SeparationSettings
    """As checked by `prepare`."""
    xp: ModuleType
    """Array namespace."""
    blocks: tuple[range, ...]
    """Channel rows of each block; together all channels."""
    findings: tuple[Finding, ...]
    """What was noticed while preparing."""
    first_slot: int = 0
    """Slot of the whole line at which this job begins."""
    cut_slots: tuple[bool, bool] = (False, False)
    """Whether the line continues before and behind the slots of this job."""
    measured_reference: float | None = None
    """Largest coefficient of the whole line, where it has been measured before."""
    noise_share: NDArray[np.float32] | float = 1.0
    """(time place, frequency), or one for all: Part of the noise level that thresholds are made
    of; see `learned_floor`."""
    scale: float = 1.0
    """What samples are divided by inside the loop, and `reference` with them; a power of two."""

    @cached_property
    def operator(self) -> BlendingOperator:
        """Blending operator of the shots in slot order."""
        return operator_at(
            self.layout.in_slots(self.shots.fire_time_ns, 0),
            self.layout.in_slots(self.shots.live, False),
            start_ns=self.recording.start_ns,
            interval_ns=self.recording.interval_ns,
            sample_count=self.recording.shape[1],
            length=self.length,
            xp=self.xp,
        )

    @cached_property
    def reference(self) -> float:
        """Largest coefficient of the whole line; reads every sample once if not yet measured."""
        if self.measured_reference is not None:
            return self.measured_reference
        return max(self.reference_of(block) for block in self.blocks)

    def reference_of(self, block: range) -> float:
        """Largest coefficient of one block of channels."""
        wide = self.with_halo(block)
        return block_reference(
            self.read(wide) / np.float32(self.scale),
            self.operator,
            self.method,
            (self.first_slot, wide.start, 0),
            source_count=self.layout.source_count,
            interval_s=self.recording.interval_s,
            seed=self.settings.seed,
            cut_ends=CutEnds(self.cut_slots, self._cut_channels(wide)),
        )

    def _cut_channels(self, wide: range) -> tuple[bool, bool]:
        """Whether the streamer continues before and behind a block with its neighbours."""
        beyond = self.channel_margin
        return wide.start > -beyond, wide.stop < self.recording.shape[0] + beyond

    @property
    def all_settings(self) -> dict[str, str | int | float | bool]:
        """Every setting that is used, by name, for manifests and reports."""
        settings = {
            "method": method_name(self.method),
            "length_s": self.length * self.recording.interval_s,
            **msgspec.structs.asdict(self.settings),
            "device": "cpu" if is_host(self.xp) else "gpu",
            **asdict(Schedule(self.settings.iterations)),
        }
        for name, value in fields_of(self.method).items():
            settings[f"method.{name}"] = plain_setting(value)
        return settings

    @property
    def channel_halo(self) -> int:
        """Channels on each side of a block that are computed and thrown away."""
        return max(halo(self.method, 1), NEIGHBOUR_CHANNELS if self.settings.robust else 0)

    @property
    def channel_margin(self) -> int:
        """Channels without data that are added at either end of the streamer."""
        return margin(self.method, 1) if halo(self.method, 1) else 0

    @property
    def middle_block(self) -> range:
        """The block that stands for the line where one is measured before all."""
        return self.blocks[len(self.blocks) // 2]

    def with_halo(self, block: range) -> range:
        """Channel rows of a block and its neighbours, where the method looks across channels.

        At the ends of the streamer the range is a little wider, see `patch_grid.margin`.
        """
        near, beyond = self.channel_halo, self.channel_margin
        return range(
            max(-beyond, block.start - near),
            min(self.recording.shape[0] + beyond, block.stop + near),
        )

    def read(self, channels: range) -> Array:
        """All samples of some channels, in the namespace of the job; NaN beyond the streamer."""
        inside = range(max(0, channels.start), min(self.recording.shape[0], channels.stop))
        samples = self.recording.read(inside, 0, self.recording.shape[1])
        if len(inside) == len(channels):
            return self.xp.asarray(samples)
        padded = self.xp.full((len(channels), samples.shape[1]), np.nan, samples.dtype)
        first = inside.start - channels.start
        padded[first : first + len(inside)] = self.xp.asarray(samples)
        return padded


@dataclass(frozen=True, eq=False)
class BlockResult:
    """What came out of one block of channels; shots in table order."""

    channels: range
    """Channel rows."""
    estimate: NDArray[np.float32]
    """(shot, channel, time): Separated gathers; zeros for shots that are not delivered."""
    pseudo_deblended: NDArray[np.float32]
    """(shot, channel, time): The record cut at the fire times, for comparison; zeros likewise."""
    residual: NDArray[np.float32]
    record: NDArray[np.float32]
    """(channel, time): Unexplained part, and the record with zeros for unknown samples."""
    known: NDArray[np.bool_]
    """(channel, time): Samples that are known."""
    history: tuple[IterationRecord, ...]
    """What each iteration did."""
    downweighted: Downweighted | None = None
    """What lost weight in the fit, where weights were asked for; shots in table order."""
    beyond: tuple[Neighbours, ...] = ()
    """What was estimated of traces that other blocks deliver."""


def prepare(
    recording: Recording,
    shots: Shots,
    *,
    length_s: float,
    method: MethodChoice = "auto",
    settings: SeparationSettings = DEFAULTS,
    memory_bytes: int | None = None,
) -> Job:
    """Check the input, settle which shots can be delivered, and plan the blocks.

    Parameters
    ----------
    recording, shots, length_s, method
        As in `deblend.separate`.
    settings : SeparationSettings, optional
        Or a table with more keys, of which only these fields are used.
    memory_bytes : int, optional
        What the arrays of one block may take; sets the channels of a block. By default a part of
        what is free where they are, on the host or a card.

    Raises
    ------
    TimeError
        If shots and recording are in different time scales.
    SettingsError
        If a setting makes no sense.
    InputError
        If no shot can be delivered.
    """
    if not isinstance(recording, Recording):
        raise InputError(
            f"the record is of type {type(recording).__name__}",
            remedy="Say when and how it was sampled: deblend.Recording(samples, interval_s=..., "
            "start=..., time_scale=...).",
        )
    check_same_scale(recording, shots)
    length = length_in_samples(length_s, recording)
    settings = checked_settings(settings)
    delivered, findings = _settle_delivery(recording, shots, length)
    layout = pair_shots(shots, ~recording.not_held(shots.fire_time_ns, length)[0])
    chosen = choose_method(method, layout.source_count, recording.shape[0])
    job = Job(
        recording=recording,
        shots=shots,
        delivered=delivered,
        layout=layout.widened(margin(chosen, 0)),
        length=length,
        method=chosen,
        settings=settings,
        xp=namespace_for(settings.device if runs_on_card(chosen) else "cpu"),
        blocks=(),
        findings=tuple(findings),
    )
    counts = (layout.slot_count, recording.shape[0], length)
    findings += processor_finding(chosen, settings.device)
    findings += shrunk_windows(chosen, counts, method_name(chosen))
    if not nothing_blended(job.operator):
        findings += run_in_finding(chosen, layout.slot_count)
    findings += unblended_findings(job.operator, job.layout.in_slots(delivered, False))
    return replace(job, blocks=_plan_blocks(job, memory_bytes), findings=tuple(findings))


def run_in_finding(method: Separator, slot_count: int) -> list[Finding]:
    """How many shots of each source at either end of a line have neighbours on one side only."""
    window = method.patch[0]
    if window < 2 or slot_count <= window:  # no shot is in the middle
        return []
    count = window // 2
    message = (
        f"Windows of the method hold {window} shots of a source: the first and last {count} shots "
        "have too few neighbours on one side and come out worse than the middle, on made lines by "
        f"two decibels in the median and by up to seven. A run-in and run-out of {count} shots of "
        "each source, in the table with deliver = false, takes that off the shots that are wanted."
    )
    return [Finding("run_in", float(count), "shots", "note", message)]


def with_usual_amplitudes(job: Job) -> Job:
    """The job without impossible samples, and in units of the usual peak inside the loop."""
    recording, scale = with_possible_samples(job.recording)
    return replace(job, recording=recording, scale=scale)


def middle_of(channels: range, most: int) -> range:
    """At most so many channels in the middle: what is at the ends has few neighbours."""
    count = min(most, len(channels))
    first = channels.start + (len(channels) - count) // 2
    return range(first, first + count)


def separate_channels(
    job: Job,
    block: range,
    callback: Callback | None = None,
    seam_shots: NDArray[np.bool_] | None = None,
    checkpoints: Checkpoints | None = None,
) -> BlockResult:
    """Separate one block of a prepared line.

    Parameters
    ----------
    block : range
        One of ``job.blocks``.
    callback : callable, optional
        Sees every iteration; returning True ends the loop of this block.
    seam_shots : ndarray of bool, shape (shot,), optional
        Shots that another span delivers, of which the estimates are wanted, too.
    checkpoints : Checkpoints, optional
        Where the loop goes on from and keeps how far it is.
    """
    try:
        return _separate_channels(job, block, callback, seam_shots, checkpoints)
    except MemoryError:
        if is_host(job.xp) or len(block) < 2:
            raise
    # Outside of the clause above, which keeps the arrays of what failed.
    give_back_card_memory()
    middle = (block.start + block.stop) // 2
    warnings.warn(
        f"{len(block)} channels do not fit into the free memory of the card: they are separated in "
        "two parts, with their neighbours",
        NarrowerBlocks,
        stacklevel=2,
    )
    parts = range(block.start, middle), range(middle, block.stop)
    return _joined([separate_channels(job, part, callback, seam_shots) for part in parts])


class NarrowerBlocks(UserWarning):
    """Blocks were made narrower than planned, which costs more neighbours."""


def _joined(parts: list[BlockResult]) -> BlockResult:
    """One block of blocks side by side."""
    first, last = parts[0].channels, parts[-1].channels
    channels = range(first.start, last.stop)
    lost = [part.downweighted for part in parts if part.downweighted is not None]
    return BlockResult(
        channels=channels,
        estimate=np.concatenate([part.estimate for part in parts], axis=1),
        pseudo_deblended=np.concatenate([part.pseudo_deblended for part in parts], axis=1),
        residual=np.concatenate([part.residual for part in parts]),
        record=np.concatenate([part.record for part in parts]),
        known=np.concatenate([part.known for part in parts]),
        history=merge_histories([part.history for part in parts]),
        downweighted=reduce(add, lost) if lost else None,
        beyond=tuple(
            neighbours
            for part in parts
            for neighbours in part.beyond
            # What one part estimates of the other is no seam of the block.
            if neighbours.channels == part.channels or not set(neighbours.channels) & set(channels)
        ),
    )


def _separate_channels(
    job: Job,
    block: range,
    callback: Callback | None,
    seam_shots: NDArray[np.bool_] | None,
    checkpoints: Checkpoints | None,
) -> BlockResult:
    wide = job.with_halo(block)
    whole = _loop(job, wide, callback, checkpoints)
    beyond = [
        _neighbours(job, part, _finished(job, _inner(whole, part, wide))[0], job.delivered)
        for part in channels_beyond(block, wide, job.recording.shape[0])
    ]
    done = _inner(whole, block, wide)
    del whole  # the neighbours would stay in memory
    estimate, residual = _finished(job, done)
    if seam_shots is not None and seam_shots.any():
        beyond.append(_neighbours(job, block, estimate, seam_shots))
    lost = None
    known = to_host(done.known > 0)
    if done.weights is not None:
        lost = downweighted(done.weights, known, job.operator, block, job.recording.shape[0])
        in_rows = in_table_order(job, lost.shot, job.shots.live)
        lost = replace(lost, shot=in_rows.astype(np.float64))
    samples, history = done.samples, done.history
    ordered = in_table_order(job, estimate, job.delivered)
    del done, estimate  # not held together with the gathers before separation
    return BlockResult(
        channels=block,
        estimate=ordered,
        pseudo_deblended=in_table_order(job, job.operator.pseudo_deblend(samples), job.delivered),
        residual=to_host(residual),
        record=to_host(samples),
        known=known,
        history=history,
        downweighted=lost,
        beyond=tuple(beyond),
    )


def _finished(job: Job, done: SeparatedBlock) -> tuple[Array, Array]:
    """Estimate and residual, once unblended shots are kept."""
    return keep_unblended(done.estimate, done.residual, done.samples, done.known, job.operator)


def _neighbours(
    job: Job, channels: range, estimate: Array, wanted: NDArray[np.bool_]
) -> Neighbours:
    rows = np.flatnonzero(wanted)
    return Neighbours(rows, channels, in_table_order(job, estimate, wanted)[rows])


def loop_channels(job: Job, block: range, callback: Callback | None = None) -> SeparatedBlock:
    """What the loop alone makes of a block, without neighbours.

    `separate_channels` also keeps what nothing overlaps.
    """
    wide = job.with_halo(block)
    return _inner(_loop(job, wide, callback), block, wide)


def _inner(done: SeparatedBlock, part: range, wide: range) -> SeparatedBlock:
    """Some channels of what was made of `wide`."""
    inner = slice(part.start - wide.start, part.stop - wide.start)
    weights = None if done.weights is None else done.weights.of_channels(inner)
    return SeparatedBlock(
        done.estimate[:, inner],
        done.residual[inner],
        done.samples[inner],
        done.known[inner],
        done.history,
        weights,
    )


def _loop(
    job: Job, wide: range, callback: Callback | None, checkpoints: Checkpoints | None = None
) -> SeparatedBlock:
    """Result of some channels, all of them."""
    return separate_alone(job, wide, job.read(wide), callback, checkpoints)


def separate_alone(
    job: Job,
    wide: range,
    record: Array,
    callback: Callback | None = None,
    checkpoints: Checkpoints | None = None,
) -> SeparatedBlock:
    """What the loop makes of the record of some channels, without neighbours."""
    done = separate_block(
        record / np.float32(job.scale),
        job.operator,
        job.method,
        (job.first_slot, wide.start, 0),
        block=Block(
            source_count=job.layout.source_count,
            slot_count=job.layout.slot_count,
            interval_s=job.recording.interval_s,
            reference=job.reference,
            settings=job.settings,
            noise_share=job.noise_share,
        ),
        callback=callback,
        checkpoints=checkpoints,
    )
    for scaled in (done.estimate, done.residual, done.samples):
        scaled *= np.float32(job.scale)
    return done


def in_table_order(job: Job, gathers: Array, wanted: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Rows of the shot table out of slot order; zeros for shots that are not `wanted`."""
    row = job.layout.row.ravel()
    filled = np.flatnonzero(row >= 0)
    places = filled[wanted[row[filled]]]
    ordered = job.xp.zeros((len(job.shots), *gathers.shape[1:]), dtype=np.float32)
    if is_host(job.xp):
        for place in places:  # one at a time: all together would be copied
            ordered[row[place]] = gathers[place]
    else:
        ordered[job.xp.asarray(row[places])] = job.xp.asarray(gathers)[job.xp.asarray(places)]
    in_order: NDArray[np.float32] = to_host(ordered)
    return in_order


def plain_setting(value: Any) -> str | int | float | bool:
    """A setting as a manifest has it; code by its name, and not by its place in memory."""
    if isinstance(value, str | int | float | bool):
        return value
    return code_name(value) if callable(value) else str(value)


def fields_of(method: Any) -> dict[str, Any]:
    """Settings of a method that is a dataclass, by name."""
    if not is_dataclass(method):
        return {}
    return {field.name: getattr(method, field.name) for field in fields(method)}


def _span(first_ns: int, last_ns: int, recording: Recording) -> str:
    """From one instant to another, in words."""
    first, last = (format_instant(ns, recording.scale, 3) for ns in (first_ns, last_ns))
    return f"{first} to {last}"


def _settle_delivery(
    recording: Recording, shots: Shots, length: int
) -> tuple[NDArray[np.bool_], list[Finding]]:
    """Which shots can be delivered, and a finding for each reason why others cannot."""
    wholly, partly = recording.not_held(shots.fire_time_ns, length)
    delivered = shots.live & shots.deliver & ~wholly & ~partly
    if not delivered.any():
        raise InputError(
            f"none of the {len(shots)} shots is live, wanted and wholly inside the record "
            f"({int(wholly.sum())} lie wholly outside): they fire from "
            f"{_span(shots.fire_time_ns.min(), shots.fire_time_ns.max(), recording)}, and the "
            f"record holds {_span(recording.start_ns, recording.last_ns, recording)}",
            remedy="Check the time scale, local time against UTC, the start of the record and "
            "length_s.",
        )
    reasons: list[tuple[str, NDArray[np.bool_], str]] = [
        ("shots_outside_record", wholly, "Wholly outside the record: not delivered."),
        (
            "shots_partly_outside_record",
            partly,
            "Partly outside the record: used to explain it, not delivered.",
        ),
        ("misfires", ~shots.live, "Not live: takes no part, not delivered."),
        (
            "shots_not_wanted",
            ~shots.deliver & shots.live,
            "deliver is false: used to explain the record, not delivered.",
        ),
    ]
    findings = [
        Finding(name, float(which.sum()), "shots", "note", message)
        for name, which, message in reasons
        if which.any()
    ]
    return delivered, findings


def _plan_blocks(job: Job, memory_bytes: int | None) -> tuple[range, ...]:
    """Channels in blocks whose arrays fit into the memory allowed; one by one where none fits."""
    channel_count, sample_count = job.recording.shape
    extent = Extent(
        sources=job.layout.source_count,
        slots=job.layout.slot_count,
        channels=channel_count,
        length=job.length,
        samples=sample_count,
        slot_halo=0,
        channel_halo=job.channel_halo,
        least_slots=job.layout.slot_count,
        channel_margin=job.channel_margin,
    )
    if memory_bytes is None:
        memory_bytes = memory_for_block(job.xp)
    return plan_blocks(extent, max(memory_bytes, least_bytes(extent))).channels
