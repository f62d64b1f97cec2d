"""What is noticed about the channels of SEG-D records, said once however many records show it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from deblend.model.findings import Finding
from deblend.records.segd.channels import (
    Choice,
    chosen_sets,
    nominal_starts_us,
    own_starts_us,
    set_in_words,
    trace_starts_us,
    windows_of,
)
from deblend.records.segd.read_headers import RecordHeader
from deblend.records.segd.source import SegdSlice
from deblend.words import counted

_TOLERANCE_SAMPLES: Final = 0.01
_EDITED: Final = 3


def said_once(found: Iterable[tuple[RecordHeader, Finding]], count: int) -> list[Finding]:
    """Findings of `count` records: what several say alike is one, with the first named."""
    alike: dict[tuple[str, str, str], list[tuple[RecordHeader, Finding]]] = {}
    for record, finding in found:
        key = finding.metric, finding.verdict, finding.message
        alike.setdefault(key, []).append((record, finding))
    merged = []
    for those in alike.values():
        record, finding = those[0]
        more = f" and {len(those) - 1} more of {count} records" if len(those) > 1 else ""
        message = f"{record.name}{more}: {finding.message}"
        merged.append(replace(finding, message=message))
    return merged


def slice_findings(piece: SegdSlice) -> Iterator[Finding]:
    """What is noticed about the chosen traces of a record."""
    traces = piece.record.traces
    edited = int((traces.edit[piece.trace] == _EDITED).sum())
    if edited:
        yield Finding(
            "edited_trace",
            float(edited),
            "traces",
            "note",
            f"{counted(edited, 'trace')} marked as edited, read as recorded",
        )
    yield from _skewed(piece)
    yield from _off_grid(piece)
    sensitivity = traces.sensitivity[piece.trace]
    if 0 < np.count_nonzero(sensitivity) < len(sensitivity):
        yield Finding(
            "sensitivity",
            float((sensitivity == 0).sum()),
            "traces",
            "look",
            "some traces give the sensitivity of their sensor and some do not; "
            "their amplitudes are not in one unit",
        )


def left_out_findings(record: RecordHeader, choice: Choice) -> Iterator[Finding]:
    """Channel sets that hold traces and are not read."""
    chosen = chosen_sets(record, choice)
    left_out = [of for row, of in enumerate(record.sets) if of.channels and row not in chosen]
    if left_out:
        yield Finding(
            "channel_sets_left_out",
            float(len(left_out)),
            "channel sets",
            "note",
            f"channel sets that are not among these: {', '.join(map(set_in_words, left_out))}; "
            "channel_sets in [records], [near_field] and [auxiliary] chooses sets",
        )


def numbering_findings(record: RecordHeader, choice: Choice) -> Iterator[Finding]:
    """How channels are counted through, and which sets are joined in time."""
    windows = windows_of(record, choice)
    if len(windows) > 1:
        yield Finding(
            "time_windows",
            float(len(windows)),
            "channel sets",
            "note",
            "channel sets of the same streamer follow each other in time and are joined: "
            + ", then ".join(
                " and ".join(str(record.sets[row].number) for row in rows) for rows in windows
            ),
        )
    if len(windows[0]) < 2:
        return
    parts, first = [], 1
    for row in windows[0]:
        of = record.sets[row]
        parts.append(
            f"{first} to {first + of.channels - 1} are set {of.number} (streamer {of.streamer})"
        )
        first += of.channels
    yield Finding(
        "channel_numbers", float(len(parts)), "channel sets", "note", f"channels {', '.join(parts)}"
    )


def unit_findings(records: list[RecordHeader], choice: Choice) -> Iterator[Finding]:
    """Chosen channel sets that give different units, within a record or from one to the next."""
    where: dict[str, str] = {}
    for record in records:
        for row in chosen_sets(record, choice):
            of = record.sets[row]
            where.setdefault(of.unit, f"{of.unit} in channel set {of.number} of {record.name}")
    if len(where) < 2:
        return
    yield Finding(
        "amplitude_units",
        float(len(where)),
        "units",
        "look",
        "channels that are read together give different physical units: "
        f"{', '.join(where.values())}. Nothing is converted, so that their amplitudes do not "
        "compare; correct the descriptors, or choose sets of one unit in channel_sets",
    )


def _skewed(piece: SegdSlice) -> Iterator[Finding]:
    """Sample skew, one finding a channel set."""
    record, traces = piece.record, piece.record.traces
    for row in np.unique(traces.channel_set[piece.trace]).tolist():
        skew = traces.skew[piece.trace][traces.channel_set[piece.trace] == row]
        if skew.any():
            longest_us = float(skew.max()) / 256 * record.general.base_interval_ns / 1000
            yield Finding(
                "sample_skew",
                longest_us,
                "µs",
                "look",
                f"samples of channel set {record.sets[row].number} are skewed by up to "
                f"{longest_us:g} µs between channels; they are not shifted",
            )


def trace_time_findings(record: RecordHeader, choice: Choice) -> Iterator[Finding]:
    """Timestamps of traces (block 42) against the time of the record (general header 3)."""
    sets = chosen_sets(record, choice)
    trace = np.flatnonzero(np.isin(record.traces.channel_set, sets))
    own_us, given = own_starts_us(record, trace)
    zero_us = record.general.time_zero_us
    if zero_us is None or not given.any():
        return
    late_us = (own_us - zero_us - nominal_starts_us(record, trace))[given]
    # In extended recording mode traces may begin at times of their own; not all at another one.
    if record.general.extended_recording and np.ptp(late_us):
        return
    worst_us = int(late_us[np.abs(late_us).argmax()])
    limit_us = min(
        1.0, _TOLERANCE_SAMPLES * min(record.sets[row].interval_ns for row in sets) / 1e3
    )
    if abs(worst_us) <= limit_us:
        return
    yield Finding(
        "trace_time",
        worst_us / 1000,
        "ms",
        "look",
        f"block 42 of {np.count_nonzero(late_us)} of {counted(len(trace), 'trace')} is "
        f"{worst_us / 1000:+g} ms from where general header 3 and the channel set place the first "
        "sample; block 42 is used. One of the two is wrong, and fire times fit only one: the input "
        "check with samples shows which",
        limit=limit_us / 1000,
    )


def _off_grid(piece: SegdSlice) -> Iterator[Finding]:
    starts_us = trace_starts_us(piece.record, piece.trace)
    elapsed_ns = (starts_us - starts_us.min()) * 1000
    deviation = np.abs(elapsed_ns - piece.offset * piece.interval_ns)
    worst = int(deviation.max())
    if worst > _TOLERANCE_SAMPLES * piece.interval_ns:
        yield Finding(
            "trace_start_off_grid",
            worst / 1e6,
            "ms",
            "look",
            f"traces start up to {worst / 1e6:g} ms off each other's sample "
            "grid; each is placed on the nearest sample",
            limit=_TOLERANCE_SAMPLES * piece.interval_ns / 1e6,
        )
