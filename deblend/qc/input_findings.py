"""Sentences about clocks and shots, from what the samples of the record say."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.model.shots import Shots
from deblend.model.time_scales import convert_instants, gps_minus_utc_s
from deblend.model.timebase import format_instant
from deblend.qc.arrival_search import OVERLAPPING
from deblend.qc.direct_arrivals import DirectArrivals, Stray
from deblend.qc.input_clock import ClockCourse, ClockStep
from deblend.qc.onsets import ClockLag

OFFSET_LIMIT_S: Final = 0.03
"""What an onset can be told to, with a receiver some 10 m from where it is thought to be."""
SOURCE_LIMIT_S: Final = 0.01
"""Between sources, whose positions against each other are known better."""
LATEST_ARRIVAL_S: Final = 2.0
"""Without positions the direct arrival may come as late as this, 3 km away."""
_SCALE_TOLERANCE_S: Final = 0.1

MISFIRE_BELOW: Final = 0.3
WEAK_BELOW: Final = 0.5
DOUBLE_ABOVE: Final = 1.6
_FIRED_ABOVE: Final = 0.7
TIME_LIMIT_S: Final = 0.003
_SAME_SHOT_S: Final = 0.5
_ON_TIME_S: Final = 0.02
_NEARLY_USUAL: Final = 0.3
_DISTURBED: Final = 1.15
"""Times are told of shots whose amplitude scatters at most this much more than others."""
_NO_NEGATIVE: Final = -0.25
_FEW_FINDINGS: Final = 6
_MANY: Final = 0.1
_MOSTLY: Final = 0.5
"""Of the shots: so many may be silent, as of a source that stopped, while the others fit."""
_LEAST_JUDGED: Final = 0.5
"""Of the shots: with fewer, what is found says little of the line."""
UNJUDGED_BECAUSE: Final = {
    "not_recorded": (
        "not recorded or in a gap",
        "its direct arrival falls into a gap or outside the record",
    ),
    "few_shots": (
        "of a source with too few shots",
        "its source has too few recorded shots to know what is usual",
    ),
    "overlapped": (
        "at one time with others",
        "its direct arrival cannot be told from that of a shot fired at nearly the same time",
    ),
    "disturbed": (
        "in noise or interference",
        "noise or interference there is as large as its direct arrival",
    ),
}
"""For each of the reasons of `arrival_search.UNJUDGED`, in short and in a sentence."""
_DRIFT_LIMIT_S: Final = 0.002
_DRIFT_DEVIATIONS: Final = 6.0
_FEWEST_FOR_DRIFT: Final = 12
_FIT_WELL: Final = 0.4
_SLOWNESS_LIMIT: Final = 0.2


def clock_findings(
    shots: Shots,
    course: ClockCourse,
    arrivals: DirectArrivals,
    order: NDArray[np.int64],
    *,
    positions_known: bool,
) -> list[Finding]:
    """Offset, steps and drift between the clocks of recorder and source controller.

    Parameters
    ----------
    shots : Shots
        The table.
    course : ClockCourse
        Of its live shots.
    arrivals : DirectArrivals
        Of all its shots, fire times corrected by `course`.
    order : ndarray of int64
        Row of the table for each shot of `course`.
    positions_known : bool
        Whether travel times were predicted from offsets.
    """
    lag = course.lag
    null = (
        f"(agreement {lag.peak:.2f}; with shuffled dither, by chance, {lag.null_mean:.2f} ± "
        f"{lag.null_deviation:.2f})"
    )
    if not lag.found:
        message = (
            "Whether the fire times fit the record could not be determined: no lag within a minute "
            f"stands out {null}. The dither is too small, the record too noisy, or the clocks "
            "differ by more. No shot is verified; separation takes the table as it is."
        )
        unverified = [Finding("clock_not_verified", np.nan, "", "look", message)]
        if not lag.usable:
            return unverified
        message = _regular_firing(lag, null)
        unverified = [Finding("clock_not_verified", lag.lag_s, "s", "look", message)]
    else:
        unverified = []
    findings = [_step_finding(shots, order, step) for step in course.steps]
    begin_s = float(course.lag_s[0])
    late = arrivals.first_break_s[np.isfinite(arrivals.first_break_s)]
    offset_s = begin_s + (float(np.median(late)) if late.size else 0.0)
    latest = OFFSET_LIMIT_S if positions_known else LATEST_ARRIVAL_S
    if -OFFSET_LIMIT_S <= offset_s <= latest:
        message = f"Direct arrivals come {offset_s * 1e3:+.0f} ms from where they should {null}."
        findings.append(Finding("clock_offset", offset_s, "s", "pass", message, limit=latest))
    else:
        findings.insert(0, _offset_finding(shots, offset_s, null, latest))
    return unverified + findings + _drift_finding(shots, course)


def _regular_firing(lag: ClockLag, null: str) -> str:
    taken = f"{lag.lag_s:+.2f} s was taken for what follows; separation takes the table as it is."
    if len(lag.alike_s) < 2:
        return (
            "Firing is so regular that a shot interval more or less fits the record nearly as well "
            f"{null}. {taken}"
        )
    nearest = sorted(lag.alike_s, key=abs)[:5]
    others = ", ".join(f"{other:+.2f}" for other in nearest)
    more = f" and {len(lag.alike_s) - len(nearest)} more" if len(lag.alike_s) > 5 else ""
    return (
        f"Firing is so regular that lags of {others} s{more} fit the record alike {null}; the "
        f"clocks may differ by any of them. {taken}"
    )


def offset_findings(arrivals: DirectArrivals, velocity_m_s: float) -> list[Finding]:
    """Whether direct arrivals cross the channels as the offsets say.

    Parameters
    ----------
    arrivals : DirectArrivals
        Fitted at the right clock.
    velocity_m_s : float
        Of the water, by which they were predicted.
    """
    known = arrivals.slowness[np.isfinite(arrivals.slowness)]
    if not known.size:
        return []
    ratio = float(np.median(known))
    if abs(ratio - 1.0) <= _SLOWNESS_LIMIT:
        message = f"Direct arrivals cross the nearest channels as offsets say, within {ratio:.2f}."
        return [Finding("offsets_fit", ratio, "", "pass", message, limit=_SLOWNESS_LIMIT)]
    speed = f"at {velocity_m_s / ratio:.0f} m/s" if ratio > 0.05 else "towards the vessel"
    message = (
        f"Direct arrivals cross the nearest channels {speed} instead of {velocity_m_s:.0f} m/s: "
        "offsets, group interval or the order of channels are wrong. Separation needs channels in "
        "order; headers, midpoints and everything by offset would be wrong."
    )
    return [Finding("offsets_fit", ratio, "", "look", message, limit=_SLOWNESS_LIMIT)]


def source_offset_findings(shots: Shots, arrivals: DirectArrivals) -> list[Finding]:
    """Whether all sources fire at their times alike; offsets have to be known."""
    late_s = arrivals.first_break_s
    found = []
    for row, source in enumerate(shots.sources):
        others = np.delete(late_s, row)
        others = others[np.isfinite(others)]
        apart_s = late_s[row] - np.median(others) if others.size else np.nan
        # Of two sources only the later one is named.
        least_s = 0.0 if others.size == 1 else -np.inf
        if abs(apart_s) > SOURCE_LIMIT_S and apart_s > least_s:
            found.append(_source_offset(source, float(apart_s * 1e3)))
    # Where most differ from each other, none is the odd one.
    return found if len(found) <= len(late_s) // 2 else []


def _source_offset(source: int | str, apart_ms: float) -> Finding:
    way = "later" if apart_ms > 0 else "earlier"
    message = (
        f"Direct arrivals of source {source} come {abs(apart_ms):.0f} ms {way} than those of the "
        "other sources, by its fire times and positions: its times have another zero, as a command "
        "before the break, or its positions are off. It would be separated, and all its gathers be "
        f"{abs(apart_ms):.0f} ms {way}."
    )
    limit = SOURCE_LIMIT_S * 1e3
    return Finding("source_offset", apart_ms, "ms", "look", message, source=source, limit=limit)


def mixed_scales_s(shots: Shots) -> tuple[float, float]:
    """Lags if fire times are in GPS time and the record in UTC, and the other way round."""
    first = int(shots.fire_time_ns.min())
    utc_ns = int(convert_instants(np.array([first]), shots.time_scale, "utc")[0])
    leap_s = float(gps_minus_utc_s(utc_ns))
    return -leap_s, leap_s


def _offset_finding(shots: Shots, offset_s: float, null: str, limit: float) -> Finding:
    first = int(shots.fire_time_ns.min())
    utc_ns = int(convert_instants(np.array([first]), shots.time_scale, "utc")[0])
    leap_s = gps_minus_utc_s(utc_ns)
    if abs(abs(offset_s) - leap_s) <= _SCALE_TOLERANCE_S:
        ahead = "GPS time and the record in UTC" if offset_s < 0 else "UTC and the record in GPS"
        cause = f"Likely the fire times are in {ahead}, {leap_s} s apart on that date."
    else:
        cause = "Likely one of the clocks was set wrong, or a command time was taken for the break."
    message = (
        f"Direct arrivals come {offset_s:+.3f} s from where the fire times put them {null}. "
        f"{cause} Separation with these times would fail; correct them first."
    )
    return Finding("clock_offset", offset_s, "s", "fail", message, limit=limit)


def _step_finding(shots: Shots, order: NDArray[np.int64], step: ClockStep) -> Finding:
    row = int(order[step.shot])
    instant = format_instant(int(shots.fire_time_ns[row]), shots.time_scale, 3)
    where = f"source {shots.source[row]} shot point {shots.shot_point[row]} ({instant})"
    if step.latest > step.shot:
        last = int(order[step.latest])
        where += (
            f" or one of the next up to source {shots.source[last]} shot point "
            f"{shots.shot_point[last]}, between which the record does not tell,"
        )
    way = "later" if step.size_s > 0 else "earlier"
    message = (
        f"From {where} on, direct arrivals come {abs(step.size_s):.3f} s {way} than before: a "
        "clock was stepped. Correct the fire times of one side; otherwise all shots there are "
        "separated wrongly."
    )
    return Finding(
        "clock_step",
        step.size_s,
        "s",
        "fail",
        message,
        source=shots.source[row].item(),
        shot_point=int(shots.shot_point[row]),
    )


def _drift_finding(shots: Shots, course: ClockCourse) -> list[Finding]:
    seconds = (shots.fire_time_ns - shots.fire_time_ns.min()) * 1e-9
    total_s = course.drift * float(seconds.max())
    if abs(total_s) <= _DRIFT_LIMIT_S:
        return []
    message = (
        f"Direct arrivals drift by {total_s * 1e3:+.1f} ms over the line "
        f"({course.drift * 1e6:+.2f} µs a second) against the fire times: the two clocks run at "
        "different rates. Separation takes the fire times as they are unless [records] asks for "
        f"drift_ppm = {course.drift * 1e6:.2f}."
    )
    limit = _DRIFT_LIMIT_S * 1e3
    return [Finding("clock_drift", total_s * 1e3, "ms", "look", message, limit=limit)]


def remaining_drift(shots: Shots, arrivals: DirectArrivals) -> float:
    """Growth of the lag that fitted arrivals still show, in seconds a second; 0 if uncertain."""
    lag_s = arrivals.lag_s - _usual_of_source(shots, arrivals.lag_s)
    good = np.isfinite(lag_s) & shots.live & (np.abs(arrivals.amplitude - 1.0) < _FIT_WELL)
    if np.count_nonzero(good) < _FEWEST_FOR_DRIFT:
        return 0.0
    seconds = (shots.fire_time_ns[good] - shots.fire_time_ns.min()) * 1e-9
    x, y = seconds - seconds.mean(), lag_s[good]
    keep = np.abs(y - np.median(y)) <= 4.0 * _deviation(y) + 1e-6
    x, y = x[keep] - x[keep].mean(), y[keep]
    spread = float((x**2).sum())
    slope = float((x * y).sum()) / spread
    deviation = float(np.std(y - slope * x)) / np.sqrt(spread)
    return slope if abs(slope) > _DRIFT_DEVIATIONS * deviation else 0.0


def shot_findings(
    shots: Shots,
    arrivals: DirectArrivals,
    corrected_ns: NDArray[np.int64],
    wrong: dict[int, int],
) -> list[Finding]:
    """Misfires, weak shots, wrong times, wrong sources and unknown shots.

    Parameters
    ----------
    shots : Shots
        The table.
    arrivals : DirectArrivals
        Of its shots.
    corrected_ns : ndarray of int64, shape (shot,)
        Fire times as they were fitted: by the clock of the record.
    wrong : dict of int to int
        Row of each shot that looks like another source, and that source; fitted as such.
    """
    relative = arrivals.amplitude / _usual_of_source(shots, arrivals.amplitude)
    strays = [
        stray
        for stray in arrivals.strays
        if all(abs(stray.time_ns - int(corrected_ns[row])) > _ON_TIME_S * 1e9 for row in wrong)
    ]
    why = np.full(len(shots), "") if arrivals.unjudged is None else arrivals.unjudged.copy()
    findings = [_swap_finding(shots, row, source) for row, source in wrong.items()]
    for row in np.flatnonzero(np.isfinite(relative) & arrivals.unusual).tolist():
        if row in wrong:
            continue
        stray = _nearest(strays, int(corrected_ns[row]))
        if shots.live[row] and relative[row] < WEAK_BELOW and stray is not None:
            strays.remove(stray)
            findings.append(_moved_finding(shots, row, stray, int(corrected_ns[row])))
        elif found := _amplitude_finding(shots, row, float(relative[row]), arrivals.wider[row]):
            findings.append(found)
        elif _shared(float(relative[row]), arrivals.wider[row]):
            why[row] = "overlapped"
    timed = _is_timed(shots, arrivals, relative) & (why == "")
    findings += _late_shots(shots, arrivals, relative, timed, wrong)
    findings += [_stray_finding(shots, arrivals, stray, corrected_ns) for stray in strays]
    silent = {found.metric for found in findings} <= {"misfire_not_marked"}
    if len(findings) > max(_FEW_FINDINGS, (_MOSTLY if silent else _MANY) * len(shots)):
        # Each of them is a consequence, and stays for whoever looks for the cause.
        return [_summed_up(findings), *(replace(found, verdict="note") for found in findings)]
    return findings + judged_findings(shots, why, int(np.count_nonzero(timed)))


def _amplitude_finding(shots: Shots, row: int, relative: float, wider: float) -> Finding | None:
    """A shot that left another amplitude than usual, or None where that can be said of no one."""
    if not shots.live[row]:
        return _fired_finding(shots, row, relative) if relative > _FIRED_ABOVE else None
    if _shared(relative, wider):
        return None
    if relative < WEAK_BELOW:
        return _weak_finding(shots, row, relative)
    return _double_finding(shots, row, relative) if relative > DOUBLE_ABOVE else None


def _shared(relative: float, wider: float) -> bool:
    """Whether a shot shares its amplitude with those beside it.

    A misfire leaves nothing; less than nothing is lent to the shot beside it, and a part of an
    arrival may be.
    """
    if relative < MISFIRE_BELOW:
        return bool(relative <= _NO_NEGATIVE * np.sqrt(wider))
    return wider > OVERLAPPING


def judged_findings(shots: Shots, why: NDArray[np.str_], timed: int) -> list[Finding]:
    """How many shots were held against the record, and each one that could not be.

    Parameters
    ----------
    shots : Shots
        The table.
    why : ndarray of str, shape (shot,)
        Why a shot was not, a key of `UNJUDGED_BECAUSE`; empty where it was.
    timed : int
        How many fired so far from others that their time is told to milliseconds.
    """
    missing = np.flatnonzero(why != "")
    count = len(shots) - missing.size
    few = count < _LEAST_JUDGED * len(shots)
    reasons = ", ".join(
        f"{np.count_nonzero(why == key)} {short}"
        for key, (short, _) in UNJUDGED_BECAUSE.items()
        if np.any(why == key)
    )
    message = f"{count} of {len(shots)} shots were held against their direct arrival"
    if timed < count:
        message += f"; the times of {timed} to milliseconds, of those that overlap to some 20 ms"
    if missing.size:
        message += f"; not verified: {reasons}. Separation takes those as the table has them"
    return [
        Finding(
            "shots_verified",
            float(count),
            "shots",
            "look" if few else "pass",
            f"{message}.",
            limit=_LEAST_JUDGED * len(shots),
        ),
        *(_unjudged_finding(shots, row, str(why[row])) for row in missing.tolist()),
    ]


def _unjudged_finding(shots: Shots, row: int, why: str) -> Finding:
    source, point = shots.source[row].item(), int(shots.shot_point[row])
    message = (
        f"Whether source {source} shot point {point} fired as the table says is not verified: "
        f"{UNJUDGED_BECAUSE[why][1]}. Separation takes it as the table has it."
    )
    return Finding(
        "shot_not_verified", np.nan, "", "note", message, source=source, shot_point=point
    )


def _summed_up(findings: list[Finding]) -> Finding:
    """One finding in place of very many: they have one cause, and it is not in the shots."""
    points = [finding.shot_point for finding in findings if finding.shot_point is not None]
    most = 2 * len(points) > len(findings)
    where = f", shot points {min(points)} to {max(points)}" if most else ""
    kinds = Counter(finding.metric.replace("_", " ") for finding in findings)
    named = ", ".join(f"{count} {kind}" for kind, count in kinds.most_common())
    strays = kinds["shot not in table"] > _MOSTLY * len(findings)
    likely = "rows, or whole sources, missing from the table" if strays else "a step of a clock"
    message = (
        f"{len(findings)} shots or arrivals do not fit the table{where} ({named}). So many have "
        f"one cause: {likely}, source numbers mixed up, the table of another line or sequence, or "
        "positions far off. Separation with this table would fail."
    )
    return Finding("table_does_not_fit", float(len(findings)), "shots", "fail", message)


def _usual_of_source(shots: Shots, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median of the live shots of the same source, for each shot."""
    out = np.full(len(shots), np.nan)
    for source in shots.sources:
        rows = shots.rows_of(source)
        known = values[rows][shots.live[rows] & np.isfinite(values[rows])]
        if known.size:
            out[rows] = np.median(known)
    return out


def _deviation(values: NDArray[np.float64]) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def _nearest(strays: list[Stray], instant_ns: int) -> Stray | None:
    near = [stray for stray in strays if abs(stray.time_ns - instant_ns) < _SAME_SHOT_S * 1e9]
    return min(near, key=lambda stray: abs(stray.time_ns - instant_ns), default=None)


def _moved_finding(shots: Shots, row: int, stray: Stray, instant_ns: int) -> Finding:
    """By the travel time of its own source, whichever one the arrival resembles most."""
    fired_ns = stray.fired_ns[shots.sources.index(shots.source[row])]
    return _late_finding(shots, row, (fired_ns - instant_ns) * 1e-6)


def _fired_finding(shots: Shots, row: int, relative: float) -> Finding:
    text = "is marked as a misfire, and a direct arrival of {:.0f} % of the usual one is there; it "
    text += "would stay in its neighbours as interference"
    return _about(shots, row, "misfire_that_fired", relative, text)


def _weak_finding(shots: Shots, row: int, relative: float) -> Finding:
    if relative < MISFIRE_BELOW:
        text = "left {:.0f} % of the usual direct arrival: a misfire that the table calls live; "
        text += "mark it live = false, or a gather without signal is delivered for it"
        return _about(shots, row, "misfire_not_marked", relative, text)
    text = "left {:.0f} % of the usual direct arrival: fewer guns or a wrong source; it "
    text += "is separated all the same"
    return _about(shots, row, "weak_shot", relative, text)


def _double_finding(shots: Shots, row: int, relative: float) -> Finding:
    text = (
        "left {:.0f} % of the usual direct arrival: something that is in no row of the table fired "
        "within milliseconds of it, or it is another source"
    )
    return _about(shots, row, "shot_not_in_table", relative, text)


def _swap_finding(shots: Shots, row: int, source_row: int) -> Finding:
    text = (
        f"looks like source {shots.sources[source_row]} and not like its own: the source number is "
        "wrong; positions and gathers of both sources suffer"
    )
    return _about(shots, row, "source_number_wrong", np.nan, text, unit="")


def _is_timed(
    shots: Shots, arrivals: DirectArrivals, relative: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Shots whose time can be told to milliseconds: as usual otherwise, and by themselves."""
    good = np.isfinite(arrivals.lag_s) & shots.live & (np.abs(relative - 1.0) < _NEARLY_USUAL)
    return np.asarray(good & (arrivals.wider < _DISTURBED))


def _late_shots(
    shots: Shots,
    arrivals: DirectArrivals,
    relative: NDArray[np.float64],
    timed: NDArray[np.bool_],
    wrong: dict[int, int],
) -> list[Finding]:
    """Shots, of those that can be timed, whose arrival is a few milliseconds off the usual time."""
    late_s = arrivals.lag_s - _usual_of_source(shots, arrivals.lag_s)
    good = np.isfinite(late_s) & shots.live & (np.abs(relative - 1.0) < _NEARLY_USUAL)
    if not good.any():
        return []
    limit = max(TIME_LIMIT_S, 10.0 * _deviation(late_s[good]))
    late = timed & (np.abs(late_s) > limit)
    return [
        _late_finding(shots, row, float(late_s[row] * 1e3))
        for row in np.flatnonzero(late).tolist()
        if row not in wrong
    ]


def _late_finding(shots: Shots, row: int, late_ms: float) -> Finding:
    text = f"fired {late_ms:+.1f} ms from its time in the table; it is separated wrongly"
    return _about(shots, row, "fire_time_error", late_ms, text, unit="ms")


def _stray_finding(
    shots: Shots, arrivals: DirectArrivals, stray: Stray, corrected_ns: NDArray[np.int64]
) -> Finding:
    near = int(np.abs(corrected_ns - stray.time_ns).argmin())
    lag_ns = int(corrected_ns[near] - shots.fire_time_ns[near])
    instant = format_instant(stray.time_ns - lag_ns, shots.time_scale, 3)
    source = shots.sources[stray.source_row]
    message = (
        f"Something fired at {instant} that is in no row of the table: {100 * stray.amplitude:.0f} "
        f"% of a direct arrival, most like source {source} (chance leaves "
        f"{100 * arrivals.stray_null:.1f} %). Add a row with deliver = false, so that it is "
        "separated as interference."
    )
    return Finding("shot_not_in_table", 100 * stray.amplitude, "%", "fail", message, source=source)


def _about(
    shots: Shots, row: int, metric: str, value: float, text: str, *, unit: str = "%"
) -> Finding:
    """A finding that concerns one shot; `{}` in `text` takes the value."""
    value = 100.0 * value if unit == "%" else value
    source, point = shots.source[row].item(), int(shots.shot_point[row])
    message = f"Source {source} shot point {point} {text.format(value)}."
    return Finding(metric, value, unit, "fail", message, source=source, shot_point=point)
