"""Joined positions held against themselves: what no towed spread can do is refused."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import NavigationError
from deblend.model.findings import Finding, Verdict
from deblend.model.geometry import Geometry, shooting_direction
from deblend.model.shots import Shots
from deblend.model.timebase import NS_PER_S
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
WIDEST_M: Final = 1500.0
"""From the outermost source to the outermost streamer, widely."""
FARTHEST_BEHIND_M: Final = 3000.0
"""From the sources to the nearest receivers."""
SPACING_LIMIT: Final = 0.5
"""Of the usual receiver spacing."""
SPACING_FAILS: Final = 5.0
SPACING_FAILS_M: Final = 100.0
"""No streamer is stretched as far."""
PLAN_LIMIT_M: Final = 25.0
PLAN_LIMIT: Final = 0.05
"""Of the largest planned offset: a nominal streamer is straight and its tension is not."""
PLAN_FAILS_M: Final = 200.0
_MOSTLY: Final = 0.9
_FEWEST: Final = 5


def plausible_positions(
    shots: Shots,
    geometry: Geometry,
    where: str,
    *,
    placed: NDArray[np.bool_] | None = None,
    known: Sequence[Finding] = (),
) -> list[Finding]:
    """Hold positions against each other; findings are what is unusual and could be.

    `where` names the file, `placed` the shots whose positions are from it and whose times can be
    believed (all if left out), shape (shot,); `known` is said with the rest.

    Raises
    ------
    NavigationError
        If something is impossible; the text says all of it.
    """
    placed = np.ones(len(shots), dtype=np.bool_) if placed is None else placed
    findings = [
        *known,
        *_offsets(geometry),
        *_motion(shots, placed),
        *_receiver_motion(shots, geometry, placed),
        *_aside(shots, geometry),
        *_spacing(geometry),
        *_depths(shots, geometry),
    ]
    impossible = [finding.message for finding in findings if finding.verdict == "fail"]
    if impossible:
        raise NavigationError(
            "positions are impossible. " + " ".join(impossible).removesuffix("."),
            where=where,
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
        place = shots.x_m[rows] + 1j * shots.y_m[rows]
        findings += _track_findings(shots, rows, place, f"source {source}", source)
    return findings


def _receiver_motion(shots: Shots, geometry: Geometry, placed: NDArray[np.bool_]) -> list[Finding]:
    """Speed and jumps of the receivers, by the median of those that most shots have."""
    known = np.isfinite(geometry.receiver_x_m + geometry.receiver_y_m)
    columns = known.mean(axis=0) > _MOSTLY
    if not columns.any():
        return []
    place = geometry.receiver_x_m[:, columns] + 1j * geometry.receiver_y_m[:, columns]
    rows = np.flatnonzero(known[:, columns].all(axis=1) & placed)
    rows = rows[np.argsort(shots.fire_time_ns[rows], kind="stable")]
    middle = np.median(place.real[rows], axis=1) + 1j * np.median(place.imag[rows], axis=1)
    return _track_findings(shots, rows, middle, "the middle of the receivers", None)


def _track_findings(
    shots: Shots,
    rows: NDArray[np.int64],
    place: NDArray[np.complex128],
    what: str,
    source: int | str | None,
) -> list[Finding]:
    """A jump of one shot, a step from one shot to the next, or an impossible speed throughout."""
    if len(rows) < _FEWEST:
        return []
    seconds = (shots.fire_time_ns[rows] - shots.fire_time_ns[rows[0]]) / NS_PER_S
    off = _off_course(seconds, place)
    between = np.maximum(np.diff(seconds), 1e-3)
    # Beyond what the usual velocity explains, which a turn changes little from shot to shot.
    velocity = np.diff(place) / between
    usual = complex(np.median(velocity.real), np.median(velocity.imag))
    beside = np.abs(np.diff(place) - usual * between)
    speed = np.abs(velocity)
    at, step = int(off.argmax()), int(beside.argmax())
    verdict: Verdict
    if np.median(speed) > FASTEST_M_S:
        verdict, metric, value = "fail", "speed_impossible", float(off[at])
        text = f"{what} moves at {np.median(speed):.1f} m/s all along the line"
    elif off[at] > JUMP_LIMIT_M:
        fast = speed[max(0, at - 1) : at + 1].max()
        verdict = "fail" if fast > FASTEST_M_S else "look"
        metric, value = "position_jump", float(off[at])
        text = f"{what} at shot point {shots.shot_point[rows[at]]} lies {value:,.1f} m off its "
        text += f"course: it would have moved at {fast:.1f} m/s"
    elif beside[step] > JUMP_LIMIT_M and speed[step] > FASTEST_M_S:
        at = step + 1
        verdict, metric, value = "fail", "position_step", float(beside[step])
        text = f"{what} stepped aside by {value:,.1f} m before shot point "
        text += f"{shots.shot_point[rows[at]]}: it would have moved at {speed[step]:.1f} m/s"
    else:
        return []
    message = f"{text[0].upper()}{text[1:]}."
    point = int(shots.shot_point[rows[at]])
    return [Finding(metric, value, "m", verdict, message, source, shot_point=point)]


def _aside(shots: Shots, geometry: Geometry) -> list[Finding]:
    """Receivers that lie farther abeam of the sources than spreads are wide."""
    ahead = shooting_direction(shots)
    if ahead is None:
        return []
    east = geometry.receiver_x_m - shots.x_m[:, None]
    north = geometry.receiver_y_m - shots.y_m[:, None]
    known = np.isfinite(east + north).any(axis=1)
    if not known.any():
        return []
    east, north = east[known], north[known]
    abeam = np.abs(east * ahead[1] - north * ahead[0])
    along = east * ahead[0] + north * ahead[1]
    nearest = float(np.median(np.nanmin(abeam, axis=1)))
    first = float(np.median(np.nanmax(along, axis=1)))
    last = float(np.median(np.nanmin(along, axis=1)))
    if nearest > WIDEST_M:
        text = f"All receivers lie {nearest:,.0f} m and more abeam of the sources, and no towed "
        text += "spread is as wide"
        value, limit = nearest, WIDEST_M
    elif last > 0.0:
        text, value, limit = (
            f"All receivers lie {last:,.0f} m and more ahead of the sources",
            last,
            0.0,
        )
    elif first < -FARTHEST_BEHIND_M:
        text = f"The nearest receivers lie {-first:,.0f} m behind the sources"
        value, limit = -first, FARTHEST_BEHIND_M
    else:
        return []
    message = (
        f"{text}: positions of sources and receivers have another zero, unless another vessel "
        "tows the sources."
    )
    return [Finding("receivers_apart", value, "m", "look", message, limit=limit)]


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
    verdict: Verdict = "fail" if worst > max(SPACING_FAILS * usual, SPACING_FAILS_M) else "look"
    return [Finding("receiver_spacing", worst, "m", verdict, message, limit=usual)]


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
