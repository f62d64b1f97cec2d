"""Findings about shots, from their direct arrivals."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.check.arrivals.direct_arrivals import DirectArrivals, Stray
from deblend.check.arrivals.search import OVERLAPPING, robust_deviation
from deblend.model.findings import Finding
from deblend.model.shots import Shots
from deblend.model.timebase import format_instant

MISFIRE_BELOW: Final = 0.3
WEAK_BELOW: Final = 0.5
DOUBLE_ABOVE: Final = 1.6
_FIRED_ABOVE: Final = 0.7
TIME_LIMIT_S: Final = 0.003
_SAME_SHOT_S: Final = 0.5
_ON_TIME_S: Final = 0.02
_NEARLY_USUAL: Final = 0.3
_DISTURBED: Final = 1.15
"""Times are given of shots whose amplitude scatters at most this much more than others."""
_NO_NEGATIVE: Final = -0.25
_FEW_FINDINGS: Final = 6
_MANY: Final = 0.1
_MOSTLY: Final = 0.5
"""Of the shots: so many may be silent, as of a source that stopped, while the others fit."""
_LEAST_VERIFIED: Final = 0.5
"""Of the shots: with fewer, what is found says little of the line."""
_FEWEST_IN_GROUP: Final = 8
"""Shots of a source before its share of verified ones says anything."""
UNVERIFIED_BECAUSE: Final = {
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
        "noise, interference or what changes from shot to shot there is as large as what it left",
    ),
}
"""For each of the reasons of `search.UNVERIFIED`, in short and in a sentence."""


def shot_findings(
    shots: Shots,
    arrivals: DirectArrivals,
    corrected_ns: NDArray[np.int64],
    wrong: dict[int, int],
) -> list[Finding]:
    """Misfires, weak shots, wrong times, wrong sources and unknown shots.

    `corrected_ns` are the fire times by the clock of the record; `wrong` has the row of each shot
    that looks like another source, and that source, as which it was fitted.
    """
    if not mostly_verified(arrivals.unverified):
        # Interference passes for shots there, and nothing is known of what is usual.
        return verified_findings(shots, np.asarray(arrivals.unverified), 0)
    neighbours = arrivals.by_neighbours
    relative = arrivals.amplitude / usual_of_source(shots, arrivals.amplitude)
    strays = [
        stray
        for stray in arrivals.strays
        if all(abs(stray.time_ns - int(corrected_ns[row])) > _ON_TIME_S * 1e9 for row in wrong)
    ]
    why = np.full(len(shots), "") if arrivals.unverified is None else arrivals.unverified.copy()
    findings = [_swap_finding(shots, row, source) for row, source in wrong.items()]
    for row in np.flatnonzero(np.isfinite(relative) & arrivals.unusual).tolist():
        if row in wrong:
            continue
        stray = _nearest(strays, int(corrected_ns[row]))
        if shots.live[row] and relative[row] < WEAK_BELOW and stray is not None:
            strays.remove(stray)
            findings.append(_shifted_finding(shots, row, stray, int(corrected_ns[row])))
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
    if arrivals.likeness is not None:
        findings += source_number_findings(shots.sources, arrivals.likeness.distinguishable)
    timed_count = int(np.count_nonzero(timed))
    return findings + verified_findings(shots, why, timed_count, by_neighbours=neighbours)


def _amplitude_finding(shots: Shots, row: int, relative: float, wider: float) -> Finding | None:
    """A shot that left another amplitude than usual, or None where that is not certain."""
    if not shots.live[row]:
        return _fired_finding(shots, row, relative) if relative > _FIRED_ABOVE else None
    if _shared(relative, wider):
        return None
    if relative < WEAK_BELOW:
        return _weak_finding(shots, row, relative)
    return _double_finding(shots, row, relative) if relative > DOUBLE_ABOVE else None


def _shared(relative: float, wider: float) -> bool:
    """Whether a shot shares its amplitude with those near it.

    A misfire leaves nothing; less than nothing is lent to the shot near it, and a part of an
    arrival may be.
    """
    if relative < MISFIRE_BELOW:
        return bool(relative <= _NO_NEGATIVE * np.sqrt(wider))
    return wider > OVERLAPPING


def source_number_findings(
    sources: tuple[int | str, ...], distinguishable: NDArray[np.bool_]
) -> list[Finding]:
    """Which sources leave arrivals too alike for an exchange of their numbers to be seen."""
    alike = [
        f"{sources[one]} and {sources[other]}"
        for one, other in combinations(range(len(sources)), 2)
        if not distinguishable[one, other]
    ]
    if not alike:
        return []
    message = (
        f"Source numbers of {', '.join(alike)} are not verified against the samples: their direct "
        "arrivals are too alike, or their shots too few. Only positions or the order of firing "
        "show an exchange; separation takes the numbers of the table."
    )
    return [Finding("source_numbers_not_verified", float(len(alike)), "pairs", "note", message)]


def mostly_verified(why: NDArray[np.str_] | None) -> bool:
    """Whether at least half of the shots could be verified, so that what is usual is known."""
    return why is None or bool(np.count_nonzero(why == "") >= _LEAST_VERIFIED * len(why))


def verified_findings(
    shots: Shots, why: NDArray[np.str_], timed: int, *, by_neighbours: bool = False
) -> list[Finding]:
    """How many shots were held against the record, and each one that could not be.

    `why` has a key of `UNVERIFIED_BECAUSE` for those; `timed` is how many fired so far from others
    that their time is certain to milliseconds; `by_neighbours` says what they were held against.
    """
    missing = np.flatnonzero(why != "")
    count = len(shots) - missing.size
    few = count < _LEAST_VERIFIED * len(shots)
    reasons = ", ".join(
        f"{np.count_nonzero(why == key)} {short}"
        for key, (short, _) in UNVERIFIED_BECAUSE.items()
        if np.any(why == key)
    )
    against = "their neighbours" if by_neighbours else "their direct arrival"
    message = f"{count} of {len(shots)} shots were held against {against}"
    if by_neighbours:
        message += (
            ", because direct arrivals do not stand out from what else arrives, or no positions "
            "say when they come"
        )
    elif timed < count:
        message += f"; the times of {timed} to milliseconds, of those that overlap to some 20 ms"
    if missing.size:
        message += f"; not verified: {reasons}. Separation takes those as the table has them"
    if few:
        message += "; rows missing from the table and swapped source numbers are not looked for"
    return [
        Finding(
            "shots_verified",
            float(count),
            "shots",
            "look" if few else "pass",
            f"{message}.",
            limit=_LEAST_VERIFIED * len(shots),
        ),
        *_unverified_sources(shots, why),
        *(_unverified_finding(shots, row, str(why[row])) for row in missing.tolist()),
    ]


def _unverified_sources(shots: Shots, why: NDArray[np.str_]) -> list[Finding]:
    """Sources of which hardly a recorded shot could be verified, so that all may be wrong alike."""
    findings = []
    for source in shots.sources:
        reasons = why[shots.rows_of(source)]
        recorded = reasons[reasons != "not_recorded"]
        missing = int(np.count_nonzero(recorded != ""))
        if len(recorded) < _FEWEST_IN_GROUP or missing <= (1.0 - _LEAST_VERIFIED) * len(recorded):
            continue
        commonest = Counter(recorded[recorded != ""].tolist()).most_common(1)[0][0]
        message = (
            f"{missing} of {len(recorded)} recorded shots of source {source} are not verified, "
            f"most because {UNVERIFIED_BECAUSE[commonest][1]}: nothing shows that the source fired "
            "at its times. Separation takes them as the table has them; check them by its log or "
            "its hydrophones."
        )
        limit = (1.0 - _LEAST_VERIFIED) * len(recorded)
        findings.append(
            Finding("source_not_verified", missing, "shots", "look", message, source, limit=limit)
        )
    return findings


def _unverified_finding(shots: Shots, row: int, why: str) -> Finding:
    source, point = shots.source[row].item(), int(shots.shot_point[row])
    message = (
        f"Whether source {source} shot point {point} fired as the table says is not verified: "
        f"{UNVERIFIED_BECAUSE[why][1]}. Separation takes it as the table has it."
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


def usual_of_source(shots: Shots, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median of the live shots of the same source, for each shot."""
    out = np.full(len(shots), np.nan)
    for source in shots.sources:
        rows = shots.rows_of(source)
        known = values[rows][shots.live[rows] & np.isfinite(values[rows])]
        if known.size:
            out[rows] = np.median(known)
    return out


def _nearest(strays: list[Stray], instant_ns: int) -> Stray | None:
    near = [stray for stray in strays if abs(stray.time_ns - instant_ns) < _SAME_SHOT_S * 1e9]
    return min(near, key=lambda stray: abs(stray.time_ns - instant_ns), default=None)


def _shifted_finding(shots: Shots, row: int, stray: Stray, instant_ns: int) -> Finding:
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
    found = _about(shots, row, "source_number_wrong", np.nan, text, unit="")
    return replace(found, other_source=shots.sources[source_row])


def _is_timed(
    shots: Shots, arrivals: DirectArrivals, relative: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Shots whose time is certain to milliseconds: as usual otherwise, and by themselves."""
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
    late_s = arrivals.lag_s - usual_of_source(shots, arrivals.lag_s)
    good = np.isfinite(late_s) & shots.live & (np.abs(relative - 1.0) < _NEARLY_USUAL)
    if not good.any():
        return []
    limit = max(TIME_LIMIT_S, 10.0 * robust_deviation(late_s[good]))
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
    fired_ns = stray.time_ns - lag_ns
    instant = format_instant(fired_ns, shots.time_scale, 3)
    source = shots.sources[stray.source_row]
    message = (
        f"Something fired at {instant} that is in no row of the table: {100 * stray.amplitude:.0f} "
        f"% of a direct arrival, most like source {source} (chance leaves "
        f"{100 * arrivals.stray_null:.1f} %). Add a row with deliver = false, so that it is "
        "separated as interference."
    )
    found = Finding("shot_not_in_table", 100 * stray.amplitude, "%", "fail", message, source=source)
    return replace(found, instant_ns=fired_ns)


def _about(
    shots: Shots, row: int, metric: str, value: float, text: str, *, unit: str = "%"
) -> Finding:
    """A finding that concerns one shot; `{}` in `text` takes the value."""
    value = 100.0 * value if unit == "%" else value
    source, point = shots.source[row].item(), int(shots.shot_point[row])
    message = f"Source {source} shot point {point} {text.format(value)}."
    return Finding(metric, value, unit, "fail", message, source=source, shot_point=point)
