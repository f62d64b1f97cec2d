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
_MOST: Final = 1000
"""Shots that a rate is fitted to."""
_MOSTLY: Final = 0.5
"""Of the shots: more that differ have one cause."""
_FAR_S: Final = 5.0
"""More lies between two clocks, not between two sources."""
_STEP_PERCENTILE: Final = 90
_STEP_LEAVES: Final = 0.1
"""Part of a step that most shots may be off beside it: a drift leaves more."""


@dataclass(frozen=True)
class LogClock:
    """How the times of a log lie against those of the table."""

    offset_ns: int
    """Common to all: log minus table; 0 where it is within the tolerance or not known."""
    findings: tuple[Finding, ...]
    rate: float = 0.0
    """Growth of that difference, seconds a second."""
    origin_ns: int = 0
    """Time of the table at which it is `offset_ns`."""
    step_ns: int = 0
    """By which it grows at once."""
    stepped_at_ns: int = 0
    """Time of the log from which on it does."""

    def on_table(self, instant_ns: int) -> int:
        """An instant of the log by the clock of the table."""
        if self.step_ns and instant_ns >= self.stepped_at_ns:
            instant_ns -= self.step_ns
        since_ns = instant_ns - self.offset_ns - self.origin_ns
        return instant_ns - self.offset_ns - round(self.rate * since_ns)


def log_clock(
    shots: Shots, shot: NDArray[np.int64], logged_ns: NDArray[np.int64], name: str
) -> LogClock:
    """Hold the times of a log against the table.

    `shot` is the shot of each row of the log, `logged_ns` its time in the scale of the table.
    """
    if not len(shot):
        return LogClock(0, ())
    order = np.argsort(shots.fire_time_ns[shot], kind="stable")
    shot, logged_ns = shot[order], logged_ns[order]
    late_s = (logged_ns - shots.fire_time_ns[shot]) / NS_PER_S
    limit_s = next((s for ns, s in _COARSE_S.items() if not (logged_ns % ns).any()), FINE_S)
    findings = []
    step, stepped_at_ns = _step(late_s), 0
    if step is not None and abs(step[1]) > limit_s:
        late_s[step[0] :] -= step[1]
        stepped_at_ns = int(logged_ns[step[0]])
        findings.append(_stepped(shots, int(shot[step[0]]), step[1], limit_s, name))
    else:
        step = None
    middle_s = _common(shots.source[shot], late_s, limit_s)
    if abs(middle_s) > limit_s:
        findings.insert(0, _offset(shots, middle_s, limit_s, name))
    off_s = late_s - middle_s
    seconds = (shots.fire_time_ns[shot] - shots.fire_time_ns.min()) / NS_PER_S
    at_s, slope = float(np.median(seconds)), _drift(seconds, off_s, limit_s)
    if slope:
        off_s -= slope * (seconds - at_s)
        findings.append(_rate(slope, float(np.ptp(seconds)), limit_s, name))
    for source in shots.sources:
        own = shots.source[shot] == source
        apart_s = float(np.median(off_s[own])) if own.sum() >= _FEWEST else 0.0
        if abs(apart_s) > limit_s:
            findings.append(_of_source(source, apart_s, limit_s, name))
            off_s[own] -= apart_s
    if np.count_nonzero(np.abs(off_s) > limit_s) > max(_NAMED, _MOSTLY * len(shot)):
        # Nothing was common to them.
        raw_s = (logged_ns - shots.fire_time_ns[shot]) / NS_PER_S
        return LogClock(0, (_of_most(shots, shot, raw_s, limit_s, name),))
    findings += _of_shots(shots, shot, off_s, limit_s, name)
    return LogClock(
        offset_ns=round(middle_s * NS_PER_S) if abs(middle_s) > limit_s else 0,
        findings=tuple(findings),
        rate=slope,
        origin_ns=int(shots.fire_time_ns.min()) + round(at_s * NS_PER_S),
        step_ns=round(step[1] * NS_PER_S) if step is not None else 0,
        stepped_at_ns=stepped_at_ns,
    )


def _common(source: NDArray[np.generic], late_s: NDArray[np.float64], limit_s: float) -> float:
    """Median of all; where sources differ, of most of them, and of two of the one on time."""
    each = np.array([np.median(late_s[source == name]) for name in np.unique(source)])
    if np.ptp(each) <= limit_s:
        return float(np.median(late_s))
    alike = np.abs(each[:, None] - each) <= limit_s
    best = alike[alike.sum(axis=1).argmax()]
    most = 2 * best.sum() > len(each)
    return float(np.median(each[best]) if most else each[np.abs(each).argmin()])


def _step(off_s: NDArray[np.float64]) -> tuple[int, float] | None:
    """First row after a step and its size, where it explains the differences; else None."""
    count = len(off_s)
    if count < 2 * _FEWEST:
        return None
    before = np.arange(_FEWEST, count - _FEWEST + 1)
    total = np.cumsum(off_s)
    apart = total[before - 1] / before - (total[-1] - total[before - 1]) / (count - before)
    at = int(before[(apart**2 * before * (count - before)).argmax()])
    size_s = float(np.median(off_s[at:]) - np.median(off_s[:at]))
    left = np.concatenate([off_s[:at] - np.median(off_s[:at]), off_s[at:] - np.median(off_s[at:])])
    explains = np.percentile(np.abs(left), _STEP_PERCENTILE) < _STEP_LEAVES * abs(size_s)
    return (at, size_s) if explains else None


def _drift(seconds: NDArray[np.float64], off_s: NDArray[np.float64], limit_s: float) -> float:
    """Growth of the difference in seconds a second; 0 where it stays within the limit."""
    some = np.unique(np.linspace(0, len(off_s) - 1, min(len(off_s), _MOST)).astype(np.int64))
    length_s = float(np.ptp(seconds))
    if len(some) < _FEWEST or length_s <= 0.0:
        return 0.0
    slope = float(theilslopes(off_s[some], seconds[some])[0])
    left = off_s - slope * (seconds - seconds.mean())
    scatter_s = float(np.median(np.abs(left - np.median(left))))
    return slope if abs(slope) * length_s > limit_s + 4.0 * scatter_s else 0.0


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


def _stepped(shots: Shots, row: int, size_s: float, limit_s: float, name: str) -> Finding:
    source, point = shots.source[row].item(), int(shots.shot_point[row])
    message = (
        f"From source {source} shot point {point} on, times of {name} lie {size_s * 1e3:+.1f} ms "
        "from where they lay before, against the shot table: one of the two clocks was stepped. "
        "The table is used."
    )
    limit = limit_s * 1e3
    return Finding(
        "log_clock_step", size_s * 1e3, "ms", "look", message, source, point, limit=limit
    )


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


def _of_most(
    shots: Shots, shot: NDArray[np.int64], late_s: NDArray[np.float64], limit_s: float, name: str
) -> Finding:
    """One finding where most times differ, with the exchange of sources named if it is that."""
    middle_s = float(np.median(late_s))
    off_s = late_s - middle_s if abs(middle_s) > _FAR_S else late_s
    astray = np.flatnonzero(np.abs(off_s) > limit_s)
    fired = (shots.fire_time_ns - shots.fire_time_ns.min()) / NS_PER_S
    exchanged = 0
    for at in astray.tolist():
        row = shot[at]
        beside = (shots.shot_point == shots.shot_point[row]) & (shots.source != shots.source[row])
        logged = fired[row] + off_s[at]
        exchanged += bool((np.abs(fired[beside] - logged) <= limit_s).any())
    cause = (
        "they are the times of other sources at the same shot points: sources are exchanged in the "
        "log, in source_names of [source_log] or in the table"
        if exchanged > _MOSTLY * len(astray)
        else "the log is of another line or sequence, or counts shot points otherwise"
    )
    message = (
        f"{len(astray)} of {len(shot)} times of {name} differ from the shot table, by "
        f"{np.median(np.abs(off_s[astray])) * 1e3:,.1f} ms in the median: {cause}. The table is "
        "used."
    )
    return Finding("log_times_differ", float(len(astray)), "shots", "fail", message)
