"""The clock of a navigation file held against the fire times: a check, no more."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.model.shots import Shots
from deblend.model.time_scales import convert_instants, gps_minus_utc_s
from deblend.model.timebase import NS_PER_S
from deblend.records.navigation.positions import Positions

_DAY_S: Final = 86_400
_COARSE_S: Final = 1.0
"""A time cut to the second lies up to 1 s before the fire time, a rounded one 0.5 s either side."""
_FINE_S: Final = 0.001
"""For clocks with decimals: a shift that matters to a seismic band."""


def position_clock_findings(
    shots: Shots, positions: Positions, row: NDArray[np.int64]
) -> list[Finding]:
    """Say where the fire times and the clock of the file disagree.

    `row` is that of `positions` for each shot, -1 for none.
    """
    matched = np.flatnonzero(row >= 0)
    clock_s = positions.utc_second_of_day[row[matched]]
    matched, clock_s = matched[np.isfinite(clock_s)], clock_s[np.isfinite(clock_s)]
    if not matched.size:
        return []
    utc_ns = convert_instants(shots.fire_time_ns[matched], shots.time_scale, "utc")
    fire_s = (utc_ns % (_DAY_S * NS_PER_S)) / NS_PER_S
    difference_s = (fire_s - clock_s + 0.5 * _DAY_S) % _DAY_S - 0.5 * _DAY_S
    tolerance_s = _COARSE_S if (clock_s == np.floor(clock_s)).all() else _FINE_S
    middle = float(np.median(difference_s))
    findings = []
    if abs(middle) > tolerance_s:
        leap_s = gps_minus_utc_s(int(utc_ns[0]))
        findings.append(_offset(positions, middle, leap_s, tolerance_s))
    astray = np.abs(difference_s - middle) > 1.5 * tolerance_s
    if astray.any():
        worst = int(np.argmax(np.abs(difference_s - middle)))
        message = (
            f"{np.count_nonzero(astray)} fire times differ from the clock of "
            f"{positions.path.name} by more than the others, source "
            f"{shots.source[matched[worst]]} shot point {shots.shot_point[matched[worst]]} by "
            f"{difference_s[worst]:.3f} s: a step of a clock, or rows that do not belong together."
        )
        findings.append(
            Finding("position_clock_astray", float(difference_s[worst]), "s", "look", message)
        )
    return findings


def _offset(positions: Positions, middle_s: float, leap_s: int, tolerance_s: float) -> Finding:
    mixed = leap_s > 0 and abs(abs(middle_s) - leap_s) <= tolerance_s
    cause = (
        f"; {leap_s} s is GPS minus UTC on that date: one of them is not in the time scale stated"
        if mixed
        else "; a wrong clock, zone or day is likely"
    )
    message = (
        f"Fire times lie {middle_s:+.3f} s from the clock of {positions.path.name} (median){cause}."
    )
    return Finding("position_clock_offset", middle_s, "s", "fail", message, limit=tolerance_s)
