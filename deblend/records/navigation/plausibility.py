"""Joined positions held against themselves: what no towed spread can do is refused.

Grid coordinates of every conformal projection are an analytic function of longitude and isometric
latitude [1]_. Over the length of a line its terms up to the square leave millimetres, so that grid
and geographic coordinates of one file can be compared without knowing the projection.

References
----------
.. [1] IOGP publication 373-7-2, Geomatics guidance note 7 part 2, Coordinate conversions and
   transformations including formulas.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import NavigationError
from deblend.model.findings import Finding, Verdict
from deblend.model.geometry import Geometry
from deblend.model.shots import Shots
from deblend.model.timebase import NS_PER_S
from deblend.records.navigation.positions import Positions
from deblend.words import counted

Floats = NDArray[np.float64]
LARGEST_OFFSET_M: Final = 30_000.0
"""Twice the longest streamers."""
FASTEST_M_S: Final = 8.0
"""Sixteen knots: no vessel tows a spread at half of that."""
JUMP_LIMIT_M: Final = 10.0
"""From where the neighbouring shots of a source put it: a whole shot interval is as much."""
DEEPEST_M: Final = 200.0
"""Of sources and receivers that are towed."""
GEOGRAPHIC_LIMIT_M: Final = 5.0
"""Seconds of P1/90 are written to 0.3 m."""
GEOGRAPHIC_FAILS_M: Final = 100.0
SPACING_LIMIT: Final = 0.5
"""Of the usual receiver spacing."""
PLAN_LIMIT_M: Final = 25.0
PLAN_LIMIT: Final = 0.05
"""Of the largest planned offset: a nominal streamer is straight and its tension is not."""
PLAN_FAILS_M: Final = 200.0
_SCALE_LIMIT: Final = 0.03
_TURNED_DEG: Final = 10.0
"""Convergence of a grid in its zone is a few degrees."""
_SEMI_MAJOR_M: Final = 6_378_137.0
_ECCENTRICITY: Final = 0.0818191908426
"""Of the GRS 80 ellipsoid; another one changes the scale by a part in ten thousand."""
_FEWEST: Final = 5


def plausible_positions(
    shots: Shots, geometry: Geometry, positions: Positions, row: NDArray[np.int64]
) -> list[Finding]:
    """Hold positions against each other; findings are what is unusual and could be.

    `row` is that of `positions` for each shot, -1 for none.

    Raises
    ------
    NavigationError
        If something is impossible; the text says all of it.
    """
    findings = [
        *_offsets(geometry),
        *_motion(shots, row >= 0),
        *_spacing(geometry),
        *_depths(shots, geometry),
        *_geographic(positions),
    ]
    impossible = [finding.message for finding in findings if finding.verdict == "fail"]
    if impossible:
        raise NavigationError(
            "positions are impossible. " + " ".join(impossible),
            where=str(positions.path),
            remedy="Correct the file: look for exchanged columns, blanks read as zero, another "
            "coordinate system, or a receiver file of another line.",
        )
    return findings


def held_against_plan(
    geometry: Geometry, planned: Geometry, channel_numbers: NDArray[np.int64], name: str
) -> list[Finding]:
    """Offsets of a navigation file against those of the streamer that the line file plans.

    Raises
    ------
    NavigationError
        If offsets differ by 200 m and half the planned spread, or the channels run the other way:
        one of the two is of another line or numbers the channels otherwise.
    """
    there, here = (np.abs(each.offset_m) for each in (geometry, planned))
    both = np.isfinite(there) & np.isfinite(here)
    columns = both.any(axis=0)
    if not columns.any():
        return []
    there, here = (
        np.nanmedian(np.where(both, each, np.nan)[:, columns], axis=0) for each in (there, here)
    )
    apart = there - here
    worst = int(np.abs(apart).argmax())
    spread = float(np.ptp(here))
    limit = max(PLAN_LIMIT_M, PLAN_LIMIT * float(here.max()))
    if abs(apart[worst]) <= limit:
        return []
    numbers = channel_numbers[columns]
    sentence = (
        f"Channel {numbers[worst]} lies {there[worst]:,.1f} m from the sources by {name} and "
        f"{here[worst]:,.1f} m by table [geometry]"
    )
    reversed_order = spread > 0.0 and (there[-1] - there[0]) * (here[-1] - here[0]) < 0.0
    if reversed_order or abs(apart[worst]) > max(0.5 * spread, PLAN_FAILS_M):
        why = "; channels run the other way" if reversed_order else ""
        raise NavigationError(
            f"{sentence[0].lower()}{sentence[1:]}{why}",
            where=name,
            remedy="Correct first_channel of [navigation], or nearest_offset_m, group_interval_m "
            "and nearest_channel of [geometry].",
        )
    return [Finding("offsets_planned", float(apart[worst]), "m", "look", f"{sentence}.")]


def _offsets(geometry: Geometry) -> list[Finding]:
    size = np.abs(geometry.offset_m)
    if not np.isfinite(size).any() or np.nanmax(size) <= LARGEST_OFFSET_M:
        return []
    zero = (geometry.receiver_x_m == 0.0) & (geometry.receiver_y_m == 0.0)
    why = f"; {counted(int(zero.sum()), 'receiver position')} at 0, 0" if zero.any() else ""
    message = (
        f"Offsets reach {np.nanmax(size):,.0f} m, and {np.count_nonzero(size > LARGEST_OFFSET_M)} "
        f"of {size.size} are beyond {LARGEST_OFFSET_M:,.0f} m{why}."
    )
    return [Finding("offset_range", float(np.nanmax(size)), "m", "fail", message)]


def _motion(shots: Shots, placed: NDArray[np.bool_]) -> list[Finding]:
    """Speed and jumps from shot to shot of each source."""
    findings = []
    for source in shots.sources:
        rows = shots.rows_of(source)
        rows = rows[placed[rows] & np.isfinite(shots.x_m[rows] + shots.y_m[rows])]
        rows = rows[np.argsort(shots.fire_time_ns[rows], kind="stable")]
        if len(rows) < _FEWEST:
            continue
        place = shots.x_m[rows] + 1j * shots.y_m[rows]
        seconds = (shots.fire_time_ns[rows] - shots.fire_time_ns[rows[0]]) / NS_PER_S
        off = _off_course(seconds, place)
        worst = int(off.argmax())
        where = f"source {source} shot point {shots.shot_point[rows[worst]]}"
        between = np.maximum(np.diff(seconds), 1e-3)
        speed = np.abs(np.diff(place)) / between
        # One jump makes two impossible speeds; a wrong unit makes all of them so.
        verdict: Verdict
        if speed.max() > FASTEST_M_S and off[worst] > JUMP_LIMIT_M:
            verdict, metric = "fail", "speed_impossible"
            text = f"the source would have moved at {speed.max():.1f} m/s"
        elif np.median(speed) > FASTEST_M_S:
            verdict, metric = "fail", "speed_impossible"
            text = f"source {source} moves at {np.median(speed):.1f} m/s all along the line"
        elif off[worst] > JUMP_LIMIT_M:
            verdict, metric = "look", "position_jump"
            text = f"{np.count_nonzero(off > JUMP_LIMIT_M)} shots are as far off"
        else:
            continue
        message = f"{where[0].upper()}{where[1:]} lies {off[worst]:,.1f} m off its course: {text}."
        point = int(shots.shot_point[rows[worst]])
        findings.append(
            Finding(metric, float(off[worst]), "m", verdict, message, source, shot_point=point)
        )
    return findings


def _off_course(seconds: Floats, place: NDArray[np.complex128]) -> Floats:
    """Distance of each shot from where the two on either side put it; the least of three ways.

    A shot beside one that jumped is on the course of its other side.
    """
    count = len(place)
    off = np.full((3, count), np.inf)
    for way, (one, other) in enumerate(((-1, 1), (-2, -1), (1, 2))):
        at = np.arange(max(0, -one), count - max(0, other))
        step = (seconds[at] - seconds[at + one]) / np.maximum(
            seconds[at + other] - seconds[at + one], 1e-3
        )
        there = place[at + one] + step * (place[at + other] - place[at + one])
        off[way, at] = np.abs(place[at] - there)
    return np.asarray(off.min(axis=0))


def _spacing(geometry: Geometry) -> list[Finding]:
    """Distance from channel to channel along each shot, against the usual one."""
    spacing = np.hypot(
        np.diff(geometry.receiver_x_m, axis=1), np.diff(geometry.receiver_y_m, axis=1)
    )
    if spacing.shape[1] < _FEWEST or not np.isfinite(spacing).any():
        return []
    usual = float(np.nanmedian(spacing))
    if usual <= 0.0:
        message = "Neighbouring receivers lie at one place."
        return [Finding("receiver_spacing", usual, "m", "fail", message)]
    known = np.isfinite(spacing)
    typical = np.nanmedian(np.where(known, spacing, usual), axis=0)
    # Where a channel begins another streamer the step is large at every shot.
    off = known & (np.abs(spacing - typical) > SPACING_LIMIT * usual)
    if not off.any():
        return []
    shot, channel = (int(part) for part in np.argwhere(off)[0])
    worst = float(spacing[off][np.abs(spacing[off] - usual).argmax()])
    message = (
        f"{np.count_nonzero(off)} of {np.count_nonzero(known)} distances between neighbouring "
        f"receivers are not the usual {usual:.2f} m but up to {worst:,.1f} m, the first in row "
        f"{shot + 1} of the shots after channel {channel + 1} of the record."
    )
    return [Finding("receiver_spacing", worst, "m", "look", message, limit=usual)]


def _depths(shots: Shots, geometry: Geometry) -> list[Finding]:
    findings = []
    for what, depth in (("source", shots.depth_m), ("receiver", geometry.receiver_depth_m)):
        known = depth[np.isfinite(depth)]
        if not known.size or (known.min() >= 0.0 and known.max() <= DEEPEST_M):
            continue
        message = (
            f"Depths of {what}s reach from {known.min():g} to {known.max():g} m; towed ones lie "
            f"from 0 to {DEEPEST_M:g} m below the surface. Heights may have been taken for depths."
        )
        worst = float(known.min() if known.min() < 0.0 else known.max())
        findings.append(Finding("depth_range", worst, "m", "look", message, limit=DEEPEST_M))
    return findings


def _geographic(positions: Positions) -> list[Finding]:
    """Geographic coordinates of the sources against those of the grid."""
    if positions.latitude_deg is None or positions.longitude_deg is None:
        return []
    latitude, longitude = np.radians(positions.latitude_deg), np.radians(positions.longitude_deg)
    known = np.isfinite(latitude + longitude + positions.x_m + positions.y_m)
    if np.count_nonzero(known) < _FEWEST:
        return []
    latitude, longitude = latitude[known], longitude[known]
    grid = positions.x_m[known] + 1j * positions.y_m[known]
    slope, off = _conformal(latitude, longitude, grid)
    swapped, swapped_off = _conformal(latitude, longitude, 1j * np.conj(grid))
    turned, turned_back = (abs(np.degrees(np.angle(value))) for value in (slope, swapped))
    other_way = turned > _TURNED_DEG > turned_back or swapped_off.max() < 0.1 * off.max()
    scale = abs(slope) / _radius_of_parallel(float(np.mean(latitude)))
    worst = int(off.argmax())
    verdict: Verdict
    if other_way and (turned > _TURNED_DEG or off.max() > GEOGRAPHIC_LIMIT_M):
        text = "East and north of the grid are exchanged against latitude and longitude"
        value, verdict = float(turned), "fail"
    elif abs(scale - 1.0) > _SCALE_LIMIT:
        text = f"A metre of the grid is {scale:.3f} m by latitude and longitude"
        value, verdict = scale, "fail"
    elif off[worst] > GEOGRAPHIC_LIMIT_M:
        point = positions.shot_point[known][worst]
        text = f"Grid and geographic coordinates of shot point {point} lie {off[worst]:,.1f} m "
        text += "from what all others say of each other"
        value, verdict = float(off[worst]), "fail" if off[worst] > GEOGRAPHIC_FAILS_M else "look"
    else:
        return []
    return [Finding("geographic_against_grid", value, "", verdict, f"{text}.")]


def _conformal(
    latitude: Floats, longitude: Floats, grid: NDArray[np.complex128]
) -> tuple[complex, Floats]:
    """Slope of the best analytic function, metres a radian east, and what it leaves, in metres."""
    sine = np.sin(latitude)
    isometric = np.arctanh(sine) - _ECCENTRICITY * np.arctanh(_ECCENTRICITY * sine)
    place = longitude - np.median(longitude) + 1j * (isometric - np.median(isometric))
    extent = float(np.abs(place).max()) or 1.0
    basis = np.stack([np.ones_like(place), place / extent, (place / extent) ** 2], axis=1)
    centred = grid - np.median(grid.real) - 1j * np.median(grid.imag)
    found = np.linalg.lstsq(basis, centred, rcond=None)[0]
    return complex(found[1]) / extent, np.abs(centred - basis @ found)


def _radius_of_parallel(latitude: float) -> float:
    sine = np.sin(latitude)
    return float(_SEMI_MAJOR_M * np.cos(latitude) / np.sqrt(1.0 - (_ECCENTRICITY * sine) ** 2))
