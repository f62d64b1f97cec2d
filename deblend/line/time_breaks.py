"""Fire times held against time breaks that were recorded on auxiliary traces.

A time break is a pulse on a trace of the recorder at the instant at which a source fired. Its onset
is where the trace first reaches half of the largest value near a fire time. What all shots of a
source have in common is an offset of that source: the rise of the pulse, a delay of the cable, or
fire times that count from another zero. Shots that differ from it are named.

It fails where pulses of several sources on one trace lie within a tenth of a second of each other.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import SettingsError
from deblend.line.line_file import LineFile
from deblend.line.source_states import row_of_channel
from deblend.model.findings import Finding, Verdict
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.model.timebase import NS_PER_S

_WITHIN_S: Final = 1.2
"""From a fire time to its pulse, where no other is nearer."""
_SPREAD_S: Final = 0.1
"""By which the shots of a source may differ from each other."""
_PART: Final = 0.5
_OVER_NOISE: Final = 8.0
"""Height of a pulse over the usual absolute value of the trace."""
_OFFSET_MS: Final = 2.0
_SHOT_MS: Final = 1.5
"""Deviation beyond which a shot is marked, as of guns (common practice, no source)."""
_FEWEST: Final = 5


def time_break_findings(line: LineFile, auxiliary: Recording, shots: Shots) -> tuple[Finding, ...]:
    """Offset of each source, and shots that differ; nothing without the table [auxiliary].

    Raises
    ------
    SettingsError
        If a source or a channel is not there.
    """
    from deblend.records.conditioned import as_recorded

    keys = line.keys.auxiliary
    if keys is None:
        return ()
    auxiliary = as_recorded(auxiliary)
    by_name = {str(source): source for source in shots.sources}
    findings: list[Finding] = []
    late_ms: dict[int | str, NDArray[np.float64]] = {}
    rows: dict[int | str, NDArray[np.int64]] = {}
    for name, number in keys.time_breaks.items():
        if name not in by_name:
            raise SettingsError(
                f"time breaks are given for source {name!r}, which is not in the shot table",
                where=f"{line.path}, table [auxiliary]",
                remedy=f"Sources: {', '.join(by_name)}.",
            )
        row = row_of_channel(line, auxiliary, number, "auxiliary")
        trace = auxiliary.read([row], 0, auxiliary.shape[1])[0]
        onset_ns = onsets_ns(trace, auxiliary.start_ns, auxiliary.interval_ns)
        own = shots.rows_of(by_name[name])
        own = own[shots.live[own] & held(auxiliary, shots.fire_time_ns[own], trace)]
        if len(own) >= _FEWEST and onset_ns.size:
            late_ms[by_name[name]] = _nearest_late_ms(shots.fire_time_ns[own], onset_ns)
            rows[by_name[name]] = own
    offset_ms = {
        source: float(np.nanmedian(late))
        for source, late in late_ms.items()
        if np.isfinite(late).sum() >= _FEWEST
    }
    common_ms = float(np.median(list(offset_ms.values()))) if offset_ms else 0.0
    limit_ms = max(_OFFSET_MS, auxiliary.interval_ns * 1e-6)
    for source, late in late_ms.items():
        channel = keys.time_breaks[str(source)]
        if source not in offset_ms:
            findings.append(_missing(source, late, channel))
            continue
        apart_ms = offset_ms[source] - common_ms
        wrong = abs(apart_ms) > _OFFSET_MS or abs(common_ms) > limit_ms
        findings.append(_offset(source, offset_ms[source], apart_ms, channel, wrong=wrong))
        findings += _of_shots(shots, rows[source], late - offset_ms[source], channel)
    return tuple(findings)


def onsets_ns(trace: NDArray[np.float32], start_ns: int, interval_ns: int) -> NDArray[np.int64]:
    """Instants at which a trace first reaches half of each of its pulses, in their order."""
    known = np.where(np.isfinite(trace), trace, 0.0).astype(np.float64)
    level = np.abs(known - np.median(known))
    high = np.flatnonzero(level > _OVER_NOISE * np.median(level) + 1e-3 * level.max())
    if not high.size:
        return np.zeros(0, np.int64)
    quiet = max(1, round(0.1 * NS_PER_S / interval_ns))
    begins = np.flatnonzero(np.diff(high, prepend=-quiet - 1) > quiet)
    ends = np.append(begins[1:], high.size) - 1
    onsets = []
    for first, last in zip(high[begins], high[ends], strict=True):
        pulse = level[first : last + 1]
        half = _PART * pulse.max()
        at = int(first) + int(np.argmax(pulse >= half))
        below = level[at - 1] if at else 0.0
        part = (half - below) / (level[at] - below) if level[at] > below else 1.0
        onsets.append(start_ns + round((at - 1 + part) * interval_ns))
    return np.array(onsets, np.int64)


def held(
    auxiliary: Recording, fire_time_ns: NDArray[np.int64], trace: NDArray[np.float32]
) -> NDArray[np.bool_]:
    """(shot,): Whether the trace was recorded where the time break of each shot should be."""
    at = (fire_time_ns - auxiliary.start_ns) // auxiliary.interval_ns
    inside = (at >= 0) & (at < len(trace))
    return inside & np.isfinite(trace[np.clip(at, 0, len(trace) - 1)])


def _missing(source: int | str, late_ms: NDArray[np.float64], channel: int) -> Finding:
    count = int(np.isfinite(late_ms).sum())
    message = (
        f"Auxiliary channel {channel} holds time breaks of {count} of {len(late_ms)} shots of "
        f"source {source}: it is another channel, or fire times are wrong by more than "
        f"{_WITHIN_S:g} s."
    )
    missing = float(len(late_ms) - count)
    return Finding("time_breaks_missing", missing, "shots", "look", message, source)


def _offset(
    source: int | str, offset_ms: float, apart_ms: float, channel: int, *, wrong: bool
) -> Finding:
    message = (
        f"Time breaks of source {source} on auxiliary channel {channel} come {offset_ms:+.2f} ms "
        f"from its fire times (median), {apart_ms:+.2f} ms from those of the sources together. "
        "Nothing is moved."
    )
    verdict: Verdict = "look" if wrong else "pass"
    return Finding("time_break_offset", offset_ms, "ms", verdict, message, source, limit=_OFFSET_MS)


def _of_shots(
    shots: Shots, own: NDArray[np.int64], off_ms: NDArray[np.float64], channel: int
) -> Iterator[Finding]:
    source = shots.source[own[0]].item()
    for row, late in zip(own.tolist(), off_ms.tolist(), strict=True):
        if abs(late) <= _SHOT_MS:
            continue
        point = int(shots.shot_point[row])
        missing = math.isnan(late)
        message = f"Source {source} shot point {point}: " + (
            f"no time break on auxiliary channel {channel} within {_SPREAD_S:g} s of where those "
            "of its source are; it may have misfired."
            if missing
            else f"its time break comes {late:+.2f} ms from where those of its source do. It is "
            "separated at its time in the table."
        )
        yield Finding(
            "time_break_missing" if missing else "time_break_differs",
            float(late),
            "ms",
            "look",
            message,
            source,
            shot_point=point,
            limit=_SHOT_MS,
        )


def _nearest_late_ms(
    fired_ns: NDArray[np.int64], onset_ns: NDArray[np.int64]
) -> NDArray[np.float64]:
    """(shot,): From each fire time to the pulse nearest to where the others come; NaN without."""
    late_ms = 1e-6 * (onset_ns[None, :] - fired_ns[:, None])
    rows = np.arange(len(fired_ns))
    first = late_ms[rows, np.abs(late_ms).argmin(axis=1)]
    within = np.abs(first) < 1e3 * _WITHIN_S
    usual = float(np.median(first[within])) if within.any() else 0.0
    best = late_ms[rows, np.abs(late_ms - usual).argmin(axis=1)]
    return np.where(np.abs(best - usual) < 1e3 * _SPREAD_S, best, np.nan)
