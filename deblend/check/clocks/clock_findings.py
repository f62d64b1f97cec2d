"""Findings about clocks and offsets, from direct arrivals."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.check.arrivals.direct_arrivals import DirectArrivals
from deblend.check.arrivals.search import robust_deviation
from deblend.check.arrivals.shot_findings import usual_of_source
from deblend.check.clocks.clock_course import ClockCourse, ClockStep
from deblend.check.clocks.onsets import ClockLag
from deblend.model.findings import Finding
from deblend.model.shots import Shots
from deblend.model.time_scales import convert_instants, gps_minus_utc_s
from deblend.model.timebase import format_instant

OFFSET_LIMIT_S: Final = 0.03
"""Accuracy of an onset, with a receiver some 10 m from where it is thought to be."""
SOURCE_LIMIT_S: Final = 0.004
"""Between sources, whose positions against each other are known better: 6 m of water."""
UNKNOWN_PLACE_LIMIT_S: Final = 0.05
"""Between sources at places that are not known: 75 m of water."""
ZERO_MOVED_S: Final = 0.5
"""A pulse as late as this after its fire time still leaves its arrivals in the gather."""
LATEST_ARRIVAL_S: Final = 2.0
"""Without positions the direct arrival may come as late as this, 3 km away."""
_OF_RISE: Final = 0.25
"""Of the time over which a pulse rises: its begin is known no better between sources."""
_SCALE_TOLERANCE_S: Final = 0.1
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
    pulse_delay_s: float = 0.0,
    earliest_s: float = 0.0,
) -> list[Finding]:
    """Offset, steps and drift between the clocks of recorder and source controller.

    Parameters
    ----------
    arrivals : DirectArrivals
        Of all shots, fire times corrected by `course`.
    order : ndarray of int64
        Row of the table for each shot of `course`.
    positions_known : bool
        Whether travel times were predicted from offsets.
    pulse_delay_s : float, optional
        From the fire time to the begin of the pulse, as far as it is known.
    earliest_s : float, optional
        Shortest of the predicted travel times: arrivals earlier by more come before sample zero.
    """
    lag = course.lag
    null = (
        f"(agreement {lag.peak:.2f}; with shuffled dither, by chance, {lag.null_mean:.2f} ± "
        f"{lag.null_deviation:.2f})"
    )
    if lag.changes:
        message = (
            f"Whether the fire times fit the record could not be determined: at {lag.changes} "
            "places along the line arrivals come at other times than before. No clock is stepped "
            "so often; they move with the offset, where positions are unknown, or hardly stand "
            "out. No shot is verified; separation takes the table as it is."
        )
        return [Finding("clock_not_verified", np.nan, "", "look", message)]
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
    late_s = float(np.median(late)) if late.size else 0.0
    offset_s = begin_s + late_s - pulse_delay_s
    rise_s = arrivals.slow_rise_s
    offset_s = min(max(offset_s, 0.0), offset_s + rise_s) if offset_s < 0.0 else offset_s
    latest = OFFSET_LIMIT_S if positions_known else LATEST_ARRIVAL_S
    stated = f", with a pulse delay of {pulse_delay_s * 1e3:g} ms" if pulse_delay_s else ""
    if rise_s:
        stated += f", as far as a pulse that rises over {rise_s * 1e3:.0f} ms can tell"
    if -OFFSET_LIMIT_S <= offset_s <= latest:
        if positions_known:
            what = f"{offset_s * 1e3:+.0f} ms from where they should{stated} {null}."
        else:
            what = (
                f"{offset_s * 1e3:.0f} ms after the fire times{stated} {null}. Offsets are not "
                "known: what of it is travel time, and what an offset of a clock, cannot be told."
            )
        message = f"Direct arrivals come {what}"
        findings.append(Finding("clock_offset", offset_s, "s", "pass", message, limit=latest))
    elif positions_known and -earliest_s <= offset_s + pulse_delay_s <= ZERO_MOVED_S:
        findings.insert(0, _time_zero_finding(offset_s, f"{stated} {null}", latest))
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
    """Whether direct arrivals, fitted at the right clock, cross the channels as offsets say."""
    known = arrivals.slowness[np.isfinite(arrivals.slowness)]
    if not known.size:
        return []
    ratio = float(np.median(known))
    if abs(ratio - 1.0) <= _SLOWNESS_LIMIT:
        message = (
            f"Direct arrivals cross the nearest channels at {velocity_m_s / ratio:.0f} m/s, as "
            "offsets say."
        )
        return [Finding("offsets_fit", ratio, "", "pass", message, limit=_SLOWNESS_LIMIT)]
    speed = f"at {velocity_m_s / ratio:.0f} m/s" if ratio > 0.05 else "towards the vessel"
    message = (
        f"Direct arrivals cross the nearest channels {speed} instead of {velocity_m_s:.0f} m/s: "
        "offsets, group interval or the order of channels are wrong. Separation needs channels in "
        "order; headers, midpoints and everything by offset would be wrong."
    )
    return [Finding("offsets_fit", ratio, "", "look", message, limit=_SLOWNESS_LIMIT)]


def source_offset_findings(
    shots: Shots,
    arrivals: DirectArrivals,
    source_late_s: NDArray[np.float64],
    *,
    positions_known: bool,
) -> list[Finding]:
    """Sources that are late or early throughout.

    `source_late_s` was added to the fire times of each source before the fit. Where positions are
    not known sources may lie at other distances.
    """
    limit_s = SOURCE_LIMIT_S if positions_known else UNKNOWN_PLACE_LIMIT_S
    limit_s = max(limit_s, _OF_RISE * arrivals.slow_rise_s)
    late_s = arrivals.first_break_s + source_late_s
    known = late_s[np.isfinite(late_s)]
    if known.size < 2:
        return []
    on_time_s = _on_time_s(known)
    return [
        _source_offset(source, float(apart_s * 1e3), limit_s * 1e3)
        for source, apart_s in zip(shots.sources, late_s - on_time_s, strict=True)
        if abs(apart_s) > limit_s
    ]


def _on_time_s(late_s: NDArray[np.float64]) -> float:
    """Lateness of most sources; of two, of the one that is where positions say, or the earlier."""
    if late_s.size > 2:
        alike = np.abs(late_s[:, None] - late_s) <= SOURCE_LIMIT_S
        best = alike[alike.sum(axis=1).argmax()]
        if 2 * best.sum() > late_s.size:
            return float(np.median(late_s[best]))
        return float(np.median(late_s))
    fits = np.abs(late_s) <= OFFSET_LIMIT_S
    return float(late_s[fits][0]) if fits.sum() == 1 else float(late_s.min())


def _source_offset(source: int | str, apart_ms: float, limit: float) -> Finding:
    way, comparative = ("late", "later") if apart_ms > 0 else ("early", "earlier")
    message = (
        f"Source {source} fires {abs(apart_ms):.1f} ms {way} throughout: its direct arrivals come "
        f"that much {comparative} than those of the other sources, by its fire times and "
        "positions. Its times have another zero, as a command before the break, or its positions "
        f"are off. It would be separated, and all its gathers be {abs(apart_ms):.1f} ms {way}."
    )
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
        scales = "GPS time and the record in UTC" if offset_s < 0 else "UTC and the record in GPS"
        cause = f"Likely the fire times are in {scales}, {leap_s} s apart on that date."
    else:
        cause = "Likely one of the clocks was set wrong, or a command time was taken for the break."
    message = (
        f"Direct arrivals come {offset_s:+.3f} s from where the fire times put them {null}. "
        f"{cause} Separation with these times would fail; correct them first."
    )
    return Finding("clock_offset", offset_s, "s", "fail", message, limit=limit)


def _time_zero_finding(offset_s: float, how: str, limit: float) -> Finding:
    """All shots alike are so little off that their arrivals stay in the gathers."""
    way = "later" if offset_s > 0 else "earlier"
    message = (
        f"Direct arrivals of all shots alike come {abs(offset_s) * 1e3:.0f} ms {way} than the fire "
        f"times and offsets say{how}: time zero is not the fire time. Separation is not harmed, "
        f"and all its gathers are {abs(offset_s) * 1e3:.0f} ms {way}. Either the pulse begins that "
        "long after the fire time, which pulse_delay_ms in [shots] can state; or a clock has a "
        "constant offset; or the offsets are wrong."
    )
    return Finding("clock_offset", offset_s, "s", "look", message, limit=limit)


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


def remaining_drift(
    shots: Shots, arrivals: DirectArrivals, stretch: NDArray[np.int64], *, certain: bool
) -> float:
    """Growth of the lag that fitted arrivals still show, in seconds a second; 0 if uncertain.

    `stretch` numbers the stretch between steps of a clock that each shot lies in: what a step is
    thought to be may have a part of the drift. Where a drift is certain its best value is wanted.
    """
    lag_s = arrivals.lag_s - usual_of_source(shots, arrivals.lag_s)
    good = np.isfinite(lag_s) & shots.live & (np.abs(arrivals.amplitude - 1.0) < _FIT_WELL)
    if np.count_nonzero(good) < _FEWEST_FOR_DRIFT:
        return 0.0
    seconds = (shots.fire_time_ns - shots.fire_time_ns.min()) * 1e-9
    x, y = (_centred(values[good], stretch[good]) for values in (seconds, lag_s))
    keep = np.abs(y) <= 4.0 * robust_deviation(y) + 1e-6
    x, y = (_centred(values[keep], stretch[good][keep]) for values in (x, y))
    spread = float((x**2).sum())
    slope = float((x * y).sum()) / spread
    deviation = float(np.std(y - slope * x)) / np.sqrt(spread)
    return slope if certain or abs(slope) > _DRIFT_DEVIATIONS * deviation else 0.0


def _centred(values: NDArray[np.float64], stretch: NDArray[np.int64]) -> NDArray[np.float64]:
    """Values minus the median of their stretch."""
    out = values.copy()
    for number in np.unique(stretch):
        own = stretch == number
        out[own] -= np.median(values[own])
    return out
