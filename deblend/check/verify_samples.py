"""Fire times, clocks and shots of a line verified against the samples of its nearest channels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from deblend.check.arrivals.direct_arrivals import DirectArrivals, fit_direct_arrivals
from deblend.check.arrivals.near_record import (
    FiredShots,
    NearRecord,
    offsets_known,
    read_near_record,
)
from deblend.check.arrivals.neighbours import against_neighbours
from deblend.check.arrivals.shot_findings import WEAK_BELOW, shot_findings, usual_of_source
from deblend.check.channels import channel_findings
from deblend.check.clocks.clock_findings import (
    SOURCE_LIMIT_S,
    clock_findings,
    offset_findings,
    source_offset_findings,
)
from deblend.check.clocks.follow_clock import TimedShots, follow_clock, within_reach
from deblend.check.clocks.onsets import FEWEST_SHOTS
from deblend.check.headers.source_numbers import placed_as_other
from deblend.line.open_line import OpenLine
from deblend.model.findings import Finding, Verdict
from deblend.model.geometry import Geometry
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.model.timebase import NS_PER_S
from deblend.model.water import WATER_VELOCITY_M_S
from deblend.records.conditioned import as_recorded

_AGREES: Final = 0.4
"""Part of the difference of a log by which an arrival agrees with one of the two."""
_BY_ITSELF: Final = 1.15
"""Shots whose amplitude scatters more overlap others, and their time is not certain."""
_SAME_TIME_S: Final = 0.01
_SWAP_ROUNDS: Final = 4
_SWAP_REACH: Final = 4
"""Shots before and after one with a wrong number, among which the other side of a swap is."""


def verify_line(opened: OpenLine, recording: Recording) -> list[Finding]:
    """`verify_record` for a line that has been opened, held against its hydrophones and its log."""
    found = verify_record(
        recording,
        opened.shots,
        opened.geometry,
        pulse_delay_s=opened.line.keys.shots.pulse_delay_ms * 1e-3,
        logged=[f for f in opened.findings if f.metric == "log_time_differs"],
    )
    return held_against_hydrophones(found, opened.findings)


def verify_record(
    recording: Recording,
    shots: Shots,
    geometry: Geometry,
    *,
    pulse_delay_s: float = 0.0,
    logged: Sequence[Finding] = (),
) -> list[Finding]:
    """`verify_against_samples` with the sources that positions give, and a look at all channels."""
    found = verify_against_samples(
        recording,
        shots,
        geometry,
        placed_as=placed_as_other(shots),
        pulse_delay_s=pulse_delay_s,
        logged=logged,
    )
    # Windows of clipped samples would have whole channels read.
    return found + channel_findings(as_recorded(recording), shots, geometry)


def held_against_hydrophones(found: list[Finding], known: Sequence[Finding]) -> list[Finding]:
    """Findings on late sources, with what hydrophones beside them and the log say of it."""
    heard_ms = {f.source: f.value for f in known if f.metric == "near_field_time"}
    logged_ms = {f.source: f.value for f in known if f.metric == "log_source_offset"}
    out = []
    for finding in found:
        source, words = finding.source, ""
        if finding.metric == "source_offset" and source in heard_ms:
            if _alike(heard_ms[source], finding.value):
                words += (
                    " Its hydrophones say the same: the fire times are wrong, not the positions."
                )
            elif _alike(heard_ms[source], 0.0):
                words += (
                    " Its hydrophones hear it on time: positions are wrong, not the fire times."
                )
            else:
                words += f" By its hydrophones it is {heard_ms[source]:+.1f} ms late."
        if finding.metric == "source_offset" and source in logged_ms:
            words += f" The log has it {logged_ms[source]:+.1f} ms from the table"
            words += ": the table is wrong." if _alike(logged_ms[source], finding.value) else "."
        out.append(replace(finding, message=finding.message + words) if words else finding)
    return out


def _alike(one_ms: float, other_ms: float) -> bool:
    return abs(one_ms - other_ms) <= 1e3 * SOURCE_LIMIT_S


def verify_against_samples(
    recording: Recording,
    shots: Shots,
    geometry: Geometry,
    *,
    placed_as: Mapping[int, int | str] | None = None,
    pulse_delay_s: float = 0.0,
    logged: Sequence[Finding] = (),
    seed: int = 0,
) -> list[Finding]:
    """Look whether the record holds what the table of shots says.

    Reads up to six channels near the sources as a whole. Where offsets are unknown, two channels
    are read, and constant clock offsets from 0 to 2 s cannot be distinguished from travel time.

    Parameters
    ----------
    placed_as : mapping of int to int or str, optional
        Rows whose positions say that another source fired, and that source: they are fitted as
        such, and reported only once.
    pulse_delay_s : float, optional
        From the fire time to the begin of the pulse, as far as it is known.
    """
    sources = np.array([shots.sources.index(source) for source in shots.source.tolist()])
    for row, source in (placed_as or {}).items():
        sources[row] = shots.sources.index(source)
    near = read_near_record(recording, geometry, sources, len(shots.sources))
    live = np.count_nonzero(shots.live if near is None else within_reach(near, shots))
    if near is None or live < FEWEST_SHOTS:
        usable = 0 if near is None else len(near.samples)
        message = (
            f"{live} live shots at the time of the record and {usable} usable channels are too few "
            f"to verify the fire times against the samples; at least {FEWEST_SHOTS} shots and one "
            "channel near the sources are needed. Separation takes the table as it is."
        )
        return [Finding("not_verified", np.nan, "", "look", message)]
    fired = FiredShots(shots.fire_time_ns, shots.live, sources)
    timed = follow_clock(near, shots, fired, seed)
    positions_known = offsets_known(geometry)
    findings = clock_findings(
        shots,
        timed.course,
        timed.arrivals,
        timed.order,
        positions_known=positions_known,
        pulse_delay_s=pulse_delay_s,
        earliest_s=float(near.delay_s.min()),
    )
    if not timed.course.lag.usable:
        return findings
    arrivals, wrong = _search(near, timed)
    if positions_known:
        findings += offset_findings(arrivals, WATER_VELOCITY_M_S)
    findings += source_offset_findings(
        shots, arrivals, timed.source_late_s, positions_known=positions_known
    )
    fitted = replace(shots, source=np.array(shots.sources)[sources])
    named = {row: source for row, source in wrong.items() if row not in (placed_as or {})}
    found = shot_findings(fitted, arrivals, timed.fired.fire_time_ns, named)
    return findings + found + _logged_shots(fitted, arrivals, found, logged)


def _logged_shots(
    shots: Shots, arrivals: DirectArrivals, found: Sequence[Finding], logged: Sequence[Finding]
) -> list[Finding]:
    """Which of table and log the direct arrival of a shot agrees with, where they differ."""
    late_ms = 1e3 * (arrivals.lag_s - usual_of_source(shots, arrivals.lag_s))
    late_ms[~(arrivals.wider < _BY_ITSELF) | arrivals.unusual] = np.nan
    moved_ms = {(f.source, f.shot_point): f.value for f in found if f.metric == "fire_time_error"}
    findings = []
    for one in logged:
        rows = (shots.source == one.source) & (shots.shot_point == one.shot_point)
        row = int(rows.argmax())
        by_arrival_ms = moved_ms.get((one.source, one.shot_point), float(late_ms[row]))
        close_ms = _AGREES * abs(one.value)
        verdict: Verdict = "look"
        if not rows.any() or np.isnan(by_arrival_ms):
            continue
        if abs(by_arrival_ms) < close_ms:
            words, verdict = "as the table says, and not as the log does", "note"
        elif abs(by_arrival_ms - one.value) < close_ms:
            words = "as the log says: the table is wrong there"
        else:
            words = "neither as the table says nor as the log does"
        message = (
            f"By its direct arrival source {one.source} shot point {one.shot_point} fired "
            f"{by_arrival_ms:+.1f} ms from its time in the table, {words}."
        )
        findings.append(
            Finding(
                "log_time_by_samples",
                by_arrival_ms,
                "ms",
                verdict,
                message,
                one.source,
                shot_point=one.shot_point,
            )
        )
    return findings


def _search(near: NearRecord, timed: TimedShots) -> tuple[DirectArrivals, dict[int, int]]:
    """Search for what is not in the table; also rows that are another source, and that source.

    Fitted as what they look like, shots with a wrong number disturb their neighbours no more.
    """
    arrivals, sources = timed.arrivals, timed.fired.source_row
    wrong: dict[int, int] = {}
    for _ in range(_SWAP_ROUNDS):
        source_row = sources.copy()
        source_row[list(wrong)] = list(wrong.values())
        fired = replace(timed.fired, source_row=source_row)
        arrivals = fit_direct_arrivals(near, fired, form=arrivals.form)
        more = _looks_like(arrivals, fired)
        if not more or more.keys() <= wrong.keys():
            break
        wrong |= more
    # Where no positions say when direct arrivals come, something else may pass for them.
    by_arrivals = arrivals.stand_out and near.delay_s.any()
    by_neighbours = None if by_arrivals else against_neighbours(near, timed.fired, arrivals)
    if by_neighbours is not None:
        return by_neighbours
    if wrong:
        wrong |= _partners(near, timed, arrivals, wrong)
    return arrivals, {row: source for row, source in wrong.items() if source != sources[row]}


def _partners(
    near: NearRecord, timed: TimedShots, arrivals: DirectArrivals, wrong: dict[int, int]
) -> dict[int, int]:
    """The other side of swaps: shots near those of `wrong` that fit better as their source."""
    table = timed.fired.source_row
    order = np.argsort(timed.fired.fire_time_ns, kind="stable").tolist()

    def cost(named: dict[int, int]) -> float:
        rows = table.copy()
        rows[list(named)] = list(named.values())
        fired = replace(timed.fired, source_row=rows)
        return fit_direct_arrivals(near, fired, search=False, form=arrivals.form).residual_energy

    found: dict[int, int] = {}
    for row, source in wrong.items():
        place = order.index(row)
        others = [
            other
            for other in order[max(0, place - _SWAP_REACH) : place + _SWAP_REACH + 1]
            if table[other] == source and other not in wrong and other not in found
        ]
        known = {**wrong, **found}
        if any(table[one] == source and known[one] == table[row] for one in known):
            continue
        costs = {other: cost({**known, other: int(table[row])}) for other in others}
        best = min(costs, key=costs.__getitem__, default=None)
        if best is not None and costs[best] < cost(known):
            found[best] = int(table[row])
    return found


def _looks_like(arrivals: DirectArrivals, fired: FiredShots) -> dict[int, int]:
    """Row of each shot that looks like another source, and that source.

    Either as a whole, or because it left nothing, and another source something at that time.
    """
    found = {}
    for row in np.flatnonzero(arrivals.unusual & (arrivals.amplitude < WEAK_BELOW)).tolist():
        for stray in arrivals.strays:
            apart_s = abs(stray.time_ns - int(fired.fire_time_ns[row])) / NS_PER_S
            if stray.source_row != fired.source_row[row] and apart_s < _SAME_TIME_S:
                found[row] = stray.source_row
    if arrivals.likeness is not None:
        other = arrivals.likeness.looks_like
        found |= {int(row): int(other[row]) for row in np.flatnonzero(other >= 0)}
    return found
