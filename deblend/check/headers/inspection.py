"""What a recording and its shots hold and what is wrong with them, from headers and tables only."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from deblend.check.headers.fire_time_variation import never_overlap, regularity_findings
from deblend.check.headers.missing_shot_points import missing_shot_points
from deblend.check.headers.source_numbers import (
    as_placed,
    refuse_swapped_columns,
    source_consistency,
)
from deblend.errors import InputError, NavigationError, TimeError
from deblend.model.findings import Finding, Verdict
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.model.time_scales import leap_seconds_known
from deblend.model.timebase import NS_PER_S, format_instant
from deblend.records.clock_correction import drift_of_files
from deblend.records.navigation.positions import refuse_degrees
from deblend.words import are, counted

_NAMED_SHOTS = 8
_FEWEST_POSITIONS = 5
_FEWEST_TIMES = 10
_UNITS_NS = (10**9, 10**8, 10**7, 10**6)
_FINE_NS = 10**6


def inspect_line(recording: Recording, shots: Shots, length_s: float) -> list[Finding]:
    """Look at headers and tables of a line before any sample is read.

    Contents come first, then what deserves a look. Dead channels without a mark in the headers, NaN
    and Inf show in the samples only, and are not found here.

    Raises
    ------
    TimeError
        If recording and shots have different time scales.
    ShotTableError
        If the columns source and shot_point are swapped.
    InputError
        If `length_s` is shorter than one sample or not finite.
    """
    if shots.time_scale != recording.scale:
        raise TimeError(
            f"the record is in {recording.scale.upper()} and the shots are in "
            f"{shots.time_scale.upper()}",
            remedy="Read both in one time scale; at present GPS clocks read 18 s more than UTC.",
        )
    refuse_swapped_columns(shots)
    samples = gather_samples(recording, length_s)
    length_ns = samples * recording.interval_ns
    return [
        *_contents(recording, shots),
        *file_clock_findings(recording),
        *_leap_seconds(recording),
        *_outside(recording, shots, samples),
        *_in_gaps(recording, shots, samples),
        *_flags(shots),
        *_rounded_times(shots),
        *_same_instant(shots),
        *_line_names(shots),
        *_degrees(shots),
        *source_consistency(shots),
        *missing_shot_points(recording, shots),
        *never_overlap(shots, length_ns),
        *regularity_findings(as_placed(shots), length_ns),
    ]


def gather_samples(recording: Recording, length_s: float) -> int:
    """Samples of a gather of `length_s` seconds.

    Raises
    ------
    InputError
        If that is less than one.
    """
    ratio = length_s / recording.interval_s
    samples = round(ratio) if np.isfinite(ratio) else 0
    if samples < 1:
        raise InputError(
            f"a gather of {length_s} s holds no sample of {recording.interval_s} s",
            remedy="Give the length of the gathers in seconds.",
        )
    return samples


def file_clock_findings(recording: Recording) -> list[Finding]:
    """What the reader found, with the many small steps of a drifting clock said once.

    A drift is a jump from the end of each file to the start of the next that has one sign and grows
    with the length of the files: timestamps and sample count run at different rates.
    """
    drift = drift_of_files(recording.files, recording.interval_ns)
    if drift is None:
        return list(recording.findings)
    total_ms = drift * recording.duration_s * 1e3
    message = (
        f"Timestamps of the files drift by {drift * 1e6:+.2f} µs a second against their sample "
        f"count, {total_ms:+.3f} ms over the record: the sample clock is off by "
        f"{drift * 1e6:.2f} parts in a million. Nothing is corrected; each file is placed on the "
        "nearest sample."
    )
    others = [finding for finding in recording.findings if finding.metric != "start_off_grid"]
    return [*others, Finding("record_clock_drift", total_ms, "ms", "look", message)]


def _contents(recording: Recording, shots: Shots) -> list[Finding]:
    channels, samples = recording.shape
    numbers = recording.channel_numbers
    start, last = (
        format_instant(instant, recording.scale, 6)
        for instant in (recording.start_ns, recording.last_ns)
    )
    record = Finding(
        "record_duration",
        recording.duration_s,
        "s",
        "note",
        f"{counted(channels, 'channel')} ({numbers.min()} to {numbers.max()}) of "
        f"{counted(samples, 'sample')} of {recording.interval_ns / 1e6:g} ms, "
        f"{recording.scale.upper()} {start} to {last}, in {recording.amplitude_unit}.",
    )
    return [record, *(_source_contents(shots, source) for source in shots.sources)]


def _leap_seconds(recording: Recording) -> list[Finding]:
    """A note for records beyond the end of the table of leap seconds."""
    if leap_seconds_known(recording.last_ns):
        return []
    message = (
        f"The record ends at {format_instant(recording.last_ns, recording.scale, 0)}, outside the "
        "table of leap seconds; the nearest known difference between GPS and UTC is used."
    )
    return [Finding("leap_seconds_unknown", np.nan, "", "note", message)]


def _source_contents(shots: Shots, source: int | str) -> Finding:
    rows = shots.rows_of(source)
    intervals = np.diff(np.sort(shots.fire_time_ns[rows])) / NS_PER_S
    spacing = (
        f", {intervals.min():.3f} to {intervals.max():.3f} s apart (median "
        f"{np.median(intervals):.3f} s)"
        if intervals.size
        else ""
    )
    points = shots.shot_point[rows]
    message = (
        f"Source {source}: {counted(rows.size, 'shot')}, shot points {points.min()} to "
        f"{points.max()}{spacing}."
    )
    return Finding("shots_of_source", float(rows.size), "shots", "note", message, source=source)


def _outside(recording: Recording, shots: Shots, samples: int) -> list[Finding]:
    """Shots of which the record does not hold every sample."""
    begin = shots.fire_time_ns
    wholly, partly = recording.not_held(begin, samples)
    first = begin[wholly][:1].tolist() or [0]
    times = [
        format_instant(int(instant), recording.scale, 3)
        for instant in (begin.min(), begin.max(), recording.start_ns, recording.last_ns, *first)
    ]
    if wholly.all():
        message = (
            f"No shot falls into the record: shots from {times[0]} to {times[1]}, record from "
            f"{times[2]} to {times[3]}. Check date and time scale of both."
        )
        return [Finding("shots_outside_record", float(len(shots)), "shots", "fail", message)]
    return [
        *_shots_finding(
            shots,
            np.flatnonzero(wholly),
            "shots_outside_record",
            "look",
            f"wholly outside the record, from {times[2]} to {times[3]}, and not delivered (the "
            f"first by its time at {times[4]})",
        ),
        *_shots_finding(
            shots,
            np.flatnonzero(partly),
            "shots_partly_outside_record",
            "look",
            "partly outside the record and not delivered",
        ),
    ]


def _in_gaps(recording: Recording, shots: Shots, samples: int) -> list[Finding]:
    """Shots of which some samples fall into a gap."""
    if not recording.gaps:
        return []
    first = (shots.fire_time_ns - recording.start_ns) / recording.interval_ns
    starts = np.array([gap.start for gap in recording.gaps])
    stops = np.array([gap.stop for gap in recording.gaps])
    # Of the gaps that end after the shot fired, the first one is the nearest.
    nearest = np.searchsorted(stops, first, side="right")
    hit = np.zeros(len(shots), np.bool_)
    inside = nearest < len(starts)
    hit[inside] = starts[nearest[inside]] < first[inside] + samples
    how = "recorded partly or wholly in a gap; unknown samples take no part"
    return _shots_finding(shots, np.flatnonzero(hit), "shots_in_gap", "look", how)


def _flags(shots: Shots) -> list[Finding]:
    misfires = _shots_finding(
        shots, np.flatnonzero(~shots.live), "misfires", "note", "not live; no energy is given to it"
    )
    undelivered = _shots_finding(
        shots,
        np.flatnonzero(shots.live & ~shots.deliver),
        "shots_not_wanted",
        "note",
        "marked deliver = false; separated as interference only",
    )
    return [*misfires, *undelivered]


def _line_names(shots: Shots) -> list[Finding]:
    """More than one line in one table."""
    names = sorted({str(name) for name in shots.line} - {""})
    if len(names) < 2:
        return []
    message = (
        f"The shots are of {len(names)} lines ({', '.join(names[:4])}): all of them are separated "
        "together, as one. Right only if they were recorded together."
    )
    return [Finding("mixed_lines", float(len(names)), "lines", "look", message)]


def _degrees(shots: Shots) -> list[Finding]:
    """Positions that can only be degrees, where metres are expected."""
    known = np.isfinite(shots.x_m) & np.isfinite(shots.y_m)
    if np.count_nonzero(known) < _FEWEST_POSITIONS or not np.ptp(shots.x_m[known]):
        return []
    try:
        refuse_degrees(shots.x_m, shots.y_m, "source", "")
    except NavigationError as error:
        message = (
            f"{error.what[0].upper()}{error.what[1:]}: offsets, midpoints and headers of the "
            "delivered files would be wrong. Give metres of a projected system."
        )
        return [Finding("positions_in_degrees", np.nan, "", "fail", message)]
    return []


def _rounded_times(shots: Shots) -> list[Finding]:
    """Fire times that are all whole milliseconds or coarser: others were cut off."""
    if len(shots) < _FEWEST_TIMES:
        return []
    unit_ns = next((unit for unit in _UNITS_NS if not np.any(shots.fire_time_ns % unit)), 0)
    if not unit_ns:
        return []
    unit_ms = unit_ns * 1e-6
    message = (
        f"All fire times are whole {unit_ms:g} ms: they were rounded or cut off, and are wrong by "
        f"{unit_ms / 12**0.5:.1f} ms rms. "
    )
    if unit_ns > _FINE_NS:
        message += "Separation needs them to a fraction of a sample and would fail; find the times "
        message += "of the source controller."
    else:
        message += "refine_times estimates such errors from the data."
    verdict: Verdict = "fail" if unit_ns > _FINE_NS else "note"
    return [Finding("fire_times_rounded", unit_ms, "ms", verdict, message, limit=_FINE_NS * 1e-6)]


def _same_instant(shots: Shots) -> list[Finding]:
    """Shots that fire at one instant: legal, and inseparable in that pair."""
    order = np.argsort(shots.fire_time_ns, kind="stable")
    first = np.flatnonzero(np.diff(shots.fire_time_ns[order]) == 0)
    if not first.size:
        return []
    rows = np.unique(np.concatenate([order[first], order[first + 1]]))
    how = (
        "fired at the same instant as another source; those pairs cannot be told apart by their "
        "times, only by their neighbours"
    )
    return _shots_finding(shots, rows, "shots_at_one_instant", "look", how)


def _shots_finding(
    shots: Shots, rows: NDArray[np.intp], metric: str, verdict: Verdict, how: str
) -> list[Finding]:
    if not rows.size:
        return []
    named = _named(shots, rows.tolist())
    message = f"{rows.size} of {counted(len(shots), 'shot')} {are(rows.size)} {how}: {named}."
    return [Finding(metric, float(rows.size), "shots", verdict, message)]


def _named(shots: Shots, rows: Sequence[int]) -> str:
    """The first few shots by source and shot point."""
    names = [f"source {shots.source[row]} shot point {shots.shot_point[row]}" for row in rows]
    rest = f" and {len(names) - _NAMED_SHOTS} more" if len(names) > _NAMED_SHOTS else ""
    return ", ".join(names[:_NAMED_SHOTS]) + rest
