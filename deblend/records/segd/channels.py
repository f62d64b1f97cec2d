"""Which traces of a record are the channels of the line, when they start, and in what unit."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from deblend.errors import RecordError, TimeError
from deblend.model.timebase import NS_PER_S
from deblend.records.segd.channel_sets import ChannelSet
from deblend.records.segd.gps_time import gps_us_to_ns
from deblend.records.segd.read_headers import RecordHeader
from deblend.records.segd.source import SegdSlice
from deblend.records.segd.trace_headers import NO_TIME
from deblend.words import counted

Choice = Literal["seismic", "auxiliary"] | Sequence[int | str]
Amplitudes = Literal["physical", "descaled", "stored"]

_LONGEST_US: Final = 86_400_000_000


def slices_of(record: RecordHeader, choice: Choice, amplitudes: Amplitudes) -> list[SegdSlice]:
    """The chosen channels of a record as time slices: one, or one for each time window.

    Traces are counted through from 1; for `amplitudes` see `open_segd`.
    """
    return [_slice(record, rows, amplitudes) for rows in windows_of(record, choice)]


def windows_of(record: RecordHeader, choice: Choice) -> list[list[int]]:
    """Rows of the chosen channel sets, one list for each time window of the same channels.

    In extended recording mode a recorder may open a new channel set for a new stretch of time. Sets
    of one streamer with as many channels that follow each other in time are taken for that; sets
    that overlap in time are channels beside each other.
    """
    rows = chosen_sets(record, choice)
    alike: dict[tuple[int, int], list[int]] = {}
    for row in rows:
        of = record.sets[row]
        alike.setdefault((of.streamer, of.channels), []).append(row)
    counts = {len(group) for group in alike.values()}
    if counts == {1} or len(counts) > 1 or not all(_follow(record, g) for g in alike.values()):
        return [rows]
    return [sorted(window) for window in zip(*alike.values(), strict=True)]


def _follow(record: RecordHeader, rows: list[int]) -> bool:
    """Whether channel sets follow each other in time, in the order of the file."""
    spans = []
    for row in rows:
        trace = np.flatnonzero(record.traces.channel_set == row)
        starts_us = trace_starts_us(record, trace)
        length_us = record.traces.samples[trace].max() * record.sets[row].interval_ns // 1000
        spans.append((int(starts_us.min()), int(starts_us.max() + length_us)))
    return all(after[0] >= before[1] for before, after in pairwise(spans))


def _slice(record: RecordHeader, rows: list[int], amplitudes: Amplitudes) -> SegdSlice:
    interval_ns = _common_interval(record, [record.sets[row] for row in rows])
    trace = np.concatenate([np.flatnonzero(record.traces.channel_set == row) for row in rows])
    starts_us = trace_starts_us(record, trace)
    first_us = int(starts_us.min())
    offset = ((starts_us - first_us) * 1000 + interval_ns // 2) // interval_ns
    return SegdSlice(
        record=record,
        trace=trace,
        offset=offset,
        factor=_factors(record, trace, amplitudes),
        start_ns=_base_ns(record) + first_us * 1000,
        start_to_ns=record.general.time_zero_us is not None,
        time_scale="utc" if record.general.time_zero_us is None else "gps",
        interval_ns=interval_ns,
    )


def chosen_sets(record: RecordHeader, choice: Choice) -> list[int]:
    """Rows of the channel sets that `choice` names and that hold traces."""
    rows = [row for row, of in enumerate(record.sets) if of.channels and _is_chosen(of, choice)]
    if not rows:
        held = ", ".join(set_in_words(of) for of in record.sets if of.channels)
        raise RecordError(
            f"no channel set is {choice!r}",
            where=record.name,
            remedy="Name some of the sets that the record holds in channel_sets, by number or "
            f"type: {held}.",
        )
    return rows


def set_in_words(of: ChannelSet) -> str:
    """Number, type and channels of a channel set."""
    return (
        f"{of.number} ({of.kind}, type 0x{of.channel_type:02x}, {counted(of.channels, 'channel')})"
    )


def amplitude_unit(record: RecordHeader, choice: Choice, amplitudes: Amplitudes) -> str:
    """Unit of the chosen channels; empty where it is not known or not one."""
    sets = [record.sets[row] for row in chosen_sets(record, choice)]
    units = {of.unit for of in sets}
    if amplitudes == "stored" or len(units) != 1:
        return ""
    if amplitudes == "descaled" and bool((record.traces.sensitivity != 0).any()):
        return "mV"
    return units.pop()


def _is_chosen(of: ChannelSet, choice: Choice) -> bool:
    if isinstance(choice, str):
        return of.kind == choice
    return any(_is_named(of, name) for name in choice)


def _is_named(of: ChannelSet, name: int | str) -> bool:
    """Whether a set has this number, kind, or type by its code in the standard."""
    if isinstance(name, int) or name.strip().isdigit():
        return of.number == int(name)
    word, _, code = name.strip().lower().partition(" ")
    if word != "type":
        return of.kind == word
    try:
        return of.channel_type == int(code, 0)
    except ValueError as error:
        raise RecordError(
            f"channel set {name!r} is not understood",
            remedy='Give a number as "2", "seismic", "auxiliary", or a code as "type 0x70".',
        ) from error


def _common_interval(record: RecordHeader, sets: list[ChannelSet]) -> int:
    intervals = {of.interval_ns for of in sets}
    if len(intervals) > 1:
        held = ", ".join(f"set {of.number} {of.interval_ns / 1e6:g} ms" for of in sets)
        raise RecordError(
            f"the channel sets differ in sample interval: {held}",
            where=record.name,
            remedy="Choose sets of one interval by their numbers.",
        )
    return intervals.pop()


def _base_ns(record: RecordHeader) -> int:
    """Instant from which `trace_starts_us` counts."""
    general = record.general
    try:
        if general.time_zero_us is not None:
            return gps_us_to_ns(general.time_zero_us)
    except TimeError as error:
        raise TimeError(error.what, where=record.name, remedy=error.remedy) from error
    if general.utc_s is None:
        raise RecordError(
            f"{general.date_fault} in general header 1 is no time",
            where=record.name,
            remedy="The record cannot be placed in time; correct that byte, or leave the file out.",
        )
    return general.utc_s * NS_PER_S


def trace_starts_us(record: RecordHeader, trace: NDArray[np.int64]) -> NDArray[np.int64]:
    """Start of each trace after that of its record: by its own timestamp, else by its set."""
    own, given = own_starts_us(record, trace)
    zero_us = record.general.time_zero_us or 0
    far = given & (np.abs(own.astype(np.float64) - zero_us) > _LONGEST_US)
    if far.any():
        row = int(np.flatnonzero(far)[0])
        raise RecordError(
            f"trace {row + 1} starts at {own[row]} µs, more than a day away from its record at "
            f"{zero_us} µs",
            where=record.name,
            remedy="The timestamp of the trace or of the record is damaged.",
        )
    return np.where(given, own - zero_us, nominal_starts_us(record, trace))


def nominal_starts_us(record: RecordHeader, trace: NDArray[np.int64]) -> NDArray[np.int64]:
    """Start of each trace after that of its record, by its channel set."""
    starts_us = np.array([of.start_us for of in record.sets], np.int64)
    return starts_us[record.traces.channel_set[trace]]


def own_starts_us(
    record: RecordHeader, trace: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Timestamp of each trace, and whether it has one."""
    own = record.traces.start_us[trace]
    # A timestamp of zero is the year 1980 in absolute time: a field that was not filled in.
    return own, (own != NO_TIME) & ((own != 0) | record.general.relative_time)


def _factors(
    record: RecordHeader, trace: NDArray[np.int64], amplitudes: Amplitudes
) -> NDArray[np.float32]:
    if amplitudes == "stored":
        return np.ones(len(trace), np.float32)
    descale = np.array([of.descale if of.usable_descale else 1.0 for of in record.sets])
    factor = descale[record.traces.channel_set[trace]]
    sensitivity = record.traces.sensitivity[trace].astype(np.float64)
    if amplitudes == "physical":
        usable = np.isfinite(sensitivity) & (sensitivity != 0)
        factor = factor / np.where(usable, sensitivity, 1.0)
    with np.errstate(over="ignore"):
        return factor.astype(np.float32)
