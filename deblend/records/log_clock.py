"""Fire times of a log held against those of the table: offset, rate, and single shots.

A log may be kept in another time scale, by another clock, or to the second only. What all its
times have in common is one finding; what one source or one shot differs by beyond that is another.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import theilslopes

from deblend.model.findings import Finding
from deblend.model.shots import Shots
from deblend.model.time_scales import convert_instants, gps_minus_utc_s
from deblend.model.timebase import NS_PER_S

FINE_S: Final = 0.0015
"""Deviation beyond which a shot is marked, as of guns (common practice, no source)."""
_COARSE_S: Final = {NS_PER_S: 1.0, NS_PER_S // 10: 0.1, NS_PER_S // 100: 0.01}
"""Tolerance of logs that write whole seconds, tenths or hundredths."""
_SCALE_S: Final = 0.1
"""By which a difference may miss the leap seconds and still be that of the time scales."""
_FEWEST: Final = 5
_NAMED: Final = 8


@dataclass(frozen=True)
class LogClock:
    """How the times of a log lie against those of the table."""

    offset_ns: int
    """Common to all: log minus table; 0 where it is within the tolerance or not known."""
    findings: tuple[Finding, ...]


def log_clock(
    shots: Shots, shot: NDArray[np.int64], logged_ns: NDArray[np.int64], name: str
) -> LogClock:
    """Hold the times of a log against the table.

    `shot` is the shot of each row of the log, `logged_ns` its time in the scale of the table.
    """
    if not len(shot):
        return LogClock(0, ())
    late_s = (logged_ns - shots.fire_time_ns[shot]) / NS_PER_S
    limit_s = next((s for ns, s in _COARSE_S.items() if not (logged_ns % ns).any()), FINE_S)
    middle_s = float(np.median(late_s))
    findings = []
    common_s = np.full(len(shot), middle_s)
    if abs(middle_s) > limit_s:
        findings.append(_offset(shots, middle_s, limit_s, name))
    seconds = (shots.fire_time_ns[shot] - shots.fire_time_ns.min()) / NS_PER_S
    if len(shot) >= _FEWEST and np.ptp(seconds) > 0.0:
        slope = float(theilslopes(late_s, seconds)[0])
        scatter_s = float(np.median(np.abs(late_s - middle_s - slope * (seconds - seconds.mean()))))
        if abs(slope) * np.ptp(seconds) > limit_s + 4.0 * scatter_s:
            common_s += slope * (seconds - np.median(seconds))
            findings.append(_rate(slope, float(np.ptp(seconds)), limit_s, name))
    off_s = late_s - common_s
    for source in shots.sources:
        own = shots.source[shot] == source
        apart_s = float(np.median(off_s[own])) if own.sum() >= _FEWEST else 0.0
        if abs(apart_s) > limit_s:
            findings.append(_of_source(source, apart_s, limit_s, name))
            off_s[own] -= apart_s
    findings += _of_shots(shots, shot, off_s, limit_s, name)
    return LogClock(round(middle_s * NS_PER_S) if abs(middle_s) > limit_s else 0, tuple(findings))


def _offset(shots: Shots, middle_s: float, limit_s: float, name: str) -> Finding:
    utc_ns = convert_instants(shots.fire_time_ns[:1], shots.time_scale, "utc")
    leap_s = gps_minus_utc_s(int(utc_ns[0]))
    mixed = abs(abs(middle_s) - leap_s) <= _SCALE_S
    cause = (
        f"{leap_s} s is GPS minus UTC on that date, so that the log is in another time scale"
        if mixed
        else "a clock was set otherwise, or one of them gives commands and the other time breaks"
    )
    message = (
        f"Times of {name} lie {middle_s:+.4f} s from those of the shot table (median): {cause}. "
        "The table is used; what the log adds is moved by that difference."
    )
    return Finding("log_clock_offset", middle_s, "s", "look", message, limit=limit_s)


def _rate(slope: float, length_s: float, limit_s: float, name: str) -> Finding:
    message = (
        f"Times of {name} drift by {slope * length_s * 1e3:+.1f} ms over the line against the shot "
        f"table ({slope * 1e6:+.2f} ppm). The table is used."
    )
    return Finding("log_clock_drift", slope * 1e6, "ppm", "look", message, limit=limit_s * 1e3)


def _of_source(source: int | str, apart_s: float, limit_s: float, name: str) -> Finding:
    message = (
        f"Times of source {source} in {name} lie {apart_s * 1e3:+.1f} ms from the shot table, "
        "beyond what is common to all sources: one of the two gives that source another zero. "
        "The table is used."
    )
    limit = limit_s * 1e3
    return Finding("log_source_offset", apart_s * 1e3, "ms", "look", message, source, limit=limit)


def _of_shots(
    shots: Shots, shot: NDArray[np.int64], off_s: NDArray[np.float64], limit_s: float, name: str
) -> list[Finding]:
    astray = np.flatnonzero(np.abs(off_s) > limit_s)
    astray = astray[np.argsort(-np.abs(off_s[astray]), kind="stable")]
    findings = []
    for at in astray[:_NAMED].tolist():
        source, point = shots.source[shot[at]].item(), int(shots.shot_point[shot[at]])
        message = (
            f"Source {source} shot point {point} fired {off_s[at] * 1e3:+.1f} ms from its time in "
            f"the shot table by {name}; it is separated at its time in the table."
        )
        findings.append(
            Finding(
                "log_time_differs",
                float(off_s[at] * 1e3),
                "ms",
                "look",
                message,
                source,
                shot_point=point,
                limit=limit_s * 1e3,
            )
        )
    if len(astray) > _NAMED:
        message = (
            f"{len(astray)} shots differ from {name} in time; the {_NAMED} farthest are named."
        )
        findings.append(Finding("log_times_differ", float(len(astray)), "shots", "look", message))
    return findings
