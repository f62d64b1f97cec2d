"""Whether a table of delays was fired: which way it was read, and which shots and sources differ.

Fire time minus delay is the instant at which the nominal place was passed. Along the line that is
as smooth as the motion of the vessel, and the same course for all sources. What is left about a
local parabola in the shot point says whether a delay was fired, of each shot and each source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.model.shots import Shots
from deblend.plan.delay_table import DelayTable

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Named = tuple[int | str, int]
"""Source and shot point of a shot."""
HALF_WINDOW: Final = 8
"""Shots on either side of the local parabola that stands for the smooth motion of the vessel."""
FOLLOWED: Final = "as planned"
_FOLLOWED_BELOW: Final = 0.5
"""Of what is left without any delay."""
_DIRECTLY: Final = 0.5
"""Of the shots: so many that are in the table as they are numbered need no other numbering."""
_MOST_SHIFT: Final = 8
"""Shot points by which a line may begin before or after its table, numbered otherwise."""
SOURCE_LIMIT_S: Final = 0.003
SHOT_LIMIT_S: Final = 0.005
_DEVIATIONS: Final = 8.0
_FEWEST_AROUND: Final = 4
"""Values about one that say where it should be."""
_ROUNDS: Final = 12
_SWAP_REACH: Final = 4
"""Shots on either side of one with another source, among which the other side of a swap is."""


@dataclass(frozen=True)
class TableCheck:
    """Whether a table of delays was followed."""

    reading: str
    """The reading of the table that fits best: "as planned", "sign reversed", "one row late", "one
    row early" or "not followed"."""
    unexplained_s: dict[str, float]
    """What each reading leaves of the times, robust deviation about the motion of the vessel."""
    matched: int
    """Shots found in the table."""
    numbering: str = ""
    """How shot points of the line were found in the table, where they are numbered otherwise."""
    source_late_s: tuple[tuple[int | str, float], ...] = ()
    """Sources that fired later (or, negative, earlier) than the others throughout."""
    shots_late_s: tuple[tuple[int | str, int, float], ...] = ()
    """Source, shot point and lateness of the shots that did not follow their delay."""
    swapped: tuple[tuple[Named, Named], ...] = ()
    """Pairs of shots (source, shot point) of two sources that are exchanged."""


@dataclass(frozen=True, eq=False)
class _Line:
    """Live shots, in the order of their shot points."""

    source_row: Whole
    """(shot,): Position of the source among those of the line."""
    key: Whole
    """(shot,): Source in the table."""
    point: Whole
    """(shot,): Shot point of the line."""
    seconds: Floats
    """(shot,): Fire time."""


def check_table(shots: Shots, seconds: Floats, table: DelayTable) -> TableCheck:
    """Read a table of delays in four ways, and see which one leaves smooth times.

    The line may number its shot points from another first one than the table, in other steps, or
    downwards. `seconds` are its fire times.
    """
    line = _live(shots, seconds)
    shift, numbering = _numbering(line, table)
    delay = _delays(table, line.key, shift(line.point))
    known = np.isfinite(delay[0])
    left: dict[str, list[Floats]] = {}
    for row in range(len(shots.sources)):
        own = known & (line.source_row == row)
        if own.sum() <= 2 * HALF_WINDOW + 3:
            continue
        for reading, applied in _readings(delay[:, own]):
            fits = np.isfinite(applied)
            off = deviation_from_smooth(
                (line.seconds[own] - applied)[fits], line.point[own][fits].astype(np.float64)
            )
            left.setdefault(reading, []).append(off)
    rest = {reading: _robust(np.concatenate(parts)) for reading, parts in left.items()}
    plain = rest.get("no delays", float("nan"))
    best = min(rest, key=lambda reading: rest[reading], default="not followed")
    if best == "no delays" or not rest.get(best, plain) < _FOLLOWED_BELOW * plain:
        best = "not followed"
    late, astray_s = _differing(shots, line, delay[0]) if best == FOLLOWED else ((), {})
    named = [
        (shots.sources[row], int(point))
        for row, point in zip(line.source_row, line.point, strict=True)
    ]
    swaps = [
        *_swapped_times(line, astray_s),
        *_swapped_numbers(line, table, shift(line.point), known),
    ]
    exchanged = {at for pair in swaps for at in pair}
    return TableCheck(
        best,
        rest,
        int(known.sum()),
        numbering,
        late,
        tuple((*named[at], late_s) for at, late_s in astray_s.items() if at not in exchanged),
        tuple((named[one], named[other]) for one, other in sorted(swaps)),
    )


def _live(shots: Shots, seconds: Floats) -> _Line:
    rows = np.flatnonzero(shots.live)
    rows = rows[np.lexsort((seconds[rows], shots.shot_point[rows]))]
    source_row = np.array([shots.sources.index(name) for name in shots.source[rows].tolist()])
    numbers = [
        name if isinstance(name, int) else row for row, name in enumerate(shots.sources, start=1)
    ]
    key = np.array(numbers, dtype=np.int64)[source_row]
    return _Line(source_row, key, shots.shot_point[rows], seconds[rows])


class _Shift:
    """Shot points of the table for those of the line."""

    def __init__(self, first: int, table_first: int, step: int, table_step: int) -> None:
        self.first, self.table_first = first, table_first
        self.step, self.table_step = step, table_step

    def __call__(self, point: Whole) -> Whole:
        whole, rest = np.divmod(point - self.first, self.step)
        return np.where(rest == 0, self.table_first + whole * self.table_step, -(1 << 60))


def _numbering(line: _Line, table: DelayTable) -> tuple[_Shift, str]:
    """How shot points of the line are numbered in the table, and that in words."""
    as_they_are = _Shift(0, 0, 1, 1)
    found = np.isfinite(_delays(table, line.key, line.point)[0])
    if found.mean() >= _DIRECTLY or len(line.point) < 2:
        return as_they_are, ""
    step, table_step = (usual_step(np.unique(points)) for points in (line.point, table.shot_point))
    downwards = np.polyfit(line.seconds, line.point, 1)[0] < 0
    first = int(line.point.max() if downwards else line.point.min())
    step = -step if downwards else step
    table_downwards = _downwards(table)
    table_first = int(table.shot_point.max() if table_downwards else table.shot_point.min())
    table_step = -table_step if table_downwards else table_step
    tried = []
    for more in sorted(range(-_MOST_SHIFT, _MOST_SHIFT + 1), key=abs):
        shift = _Shift(first, table_first + more * table_step, step, table_step)
        delay = _delays(table, line.key, shift(line.point))[0]
        known = np.isfinite(delay)
        left = [
            deviation_from_smooth((line.seconds - delay)[own], line.point[own].astype(np.float64))
            for own in (known & (line.source_row == row) for row in np.unique(line.source_row))
            if own.sum() > 2 * HALF_WINDOW + 3
        ]
        if left:
            tried.append((_robust(np.concatenate(left)), shift))
    if not tried:
        return as_they_are, ""
    shift = min(tried, key=lambda each: each[0])[1]
    words = (
        f"shot point {shift.first} of the line is {shift.table_first} of the table, and steps of "
        f"{step:+d} are steps of {table_step:+d}"
    )
    return shift, words


def _downwards(table: DelayTable) -> bool:
    """Whether a table in the order of firing counts its shot points downwards."""
    return bool(table.shot_point[-1] < table.shot_point[0])


def usual_step(points: Whole) -> int:
    """Commonest rise of rising shot points; 1 where none rises."""
    steps = np.diff(points)
    steps = steps[steps > 0]
    if not steps.size:
        return 1
    values, counts = np.unique(steps, return_counts=True)
    return int(values[np.argmax(counts)])


def _delays(table: DelayTable, key: Whole, point: Whole) -> Floats:
    """Delay of each shot, and of the rows of its source before and after; shape (3, shot)."""
    out = np.full((3, len(key)), np.nan)
    earlier = (0, 1, -1) if _downwards(table) else (0, -1, 1)
    for source in np.unique(key):
        rows = np.flatnonzero(table.source == source)
        rows = rows[np.argsort(table.shot_point[rows], kind="stable")]
        own = np.flatnonzero(key == source)
        if not rows.size:
            continue
        place = np.searchsorted(table.shot_point[rows], point[own])
        at = np.minimum(place, len(rows) - 1)
        own, at = (each[table.shot_point[rows][at] == point[own]] for each in (own, at))
        for number, more in enumerate(earlier):
            inside = (at + more >= 0) & (at + more < len(rows))
            out[number, own[inside]] = table.delay_s[rows[at[inside] + more]]
    return out


def _readings(delay: Floats) -> Iterator[tuple[str, Floats]]:
    yield FOLLOWED, delay[0]
    yield "sign reversed", -delay[0]
    yield "one row late", delay[1]
    yield "one row early", delay[2]
    yield "no delays", np.zeros_like(delay[0])


def deviation_from_smooth(values: Floats, place: Floats | None = None) -> Floats:
    """Values minus a local parabola through the 16 around each, its own left out.

    Without `place` they are evenly spaced, in order. 8 at either end are gone. Independent errors
    of rms s leave about 1.08 s.
    """
    place = np.arange(len(values), dtype=np.float64) if place is None else place
    used = np.ones(len(values), dtype=np.bool_)
    return _about_parabola(values, place, used)[HALF_WINDOW:-HALF_WINDOW]


def _about_parabola(values: Floats, place: Floats, used: NDArray[np.bool_]) -> Floats:
    """Deviations of all values from those used; near the ends they are seen from one side only."""
    count = len(values)
    size = min(2 * HALF_WINDOW + 1, count)
    first = np.clip(np.arange(count) - HALF_WINDOW, 0, count - size)
    window = first[:, None] + np.arange(size)
    apart = place[window] - place[:, None]
    apart /= np.maximum(np.abs(apart).max(axis=1, keepdims=True), 1e-12)
    others = ((window != np.arange(count)[:, None]) & used[window]).astype(np.float64)
    basis = np.stack([np.ones_like(apart), apart, apart**2], axis=2) * others[:, :, None]
    weights = np.linalg.pinv(basis)[:, 0, :]
    off = values - np.einsum("vw,vw->v", weights * others, values[window])
    return np.where(others.sum(axis=1) > _FEWEST_AROUND, off, 0.0)


def _differing(
    shots: Shots, line: _Line, delay: Floats
) -> tuple[tuple[tuple[int | str, float], ...], dict[int, float]]:
    """Sources and shots that fired later or earlier than the table asks for.

    Shots by their place in `line`, the latest and earliest first, with their lateness in s.
    """
    known = np.flatnonzero(np.isfinite(delay))
    passed = line.seconds[known] - delay[known]
    rows, place = line.source_row[known], line.point[known].astype(np.float64)
    count = len(shots.sources)
    late_s = np.zeros(count)
    off = np.zeros_like(passed)
    used = np.ones(len(passed), dtype=np.bool_)
    for _ in range(_ROUNDS):
        off = _about_parabola(passed - late_s[rows], place, used)
        late_s += [
            float(np.median(off[rows == row])) if (rows == row).any() else 0.0
            for row in range(count)
        ]
        late_s -= np.median(late_s) if count > 2 else late_s.min()
    scatter = _robust(off)
    limit_s = max(SHOT_LIMIT_S, _DEVIATIONS * scatter)
    for _ in range(_ROUNDS):
        # What one shot is off by is seen in the parabola of those about it: the largest come first.
        largest = float(np.abs(off[used]).max(initial=0.0))
        if largest <= limit_s:
            break
        used &= np.abs(off) < max(limit_s, 0.5 * largest)
        off = _about_parabola(passed - late_s[rows], place, used)
    late = tuple(
        (source, float(late_s[row]))
        for row, source in enumerate(shots.sources)
        if abs(late_s[row]) > max(SOURCE_LIMIT_S, scatter)
    )
    astray = np.flatnonzero(~used & (np.abs(off) > limit_s))
    astray = astray[np.argsort(-np.abs(off[astray]), kind="stable")]
    return late, {int(known[at]): float(off[at]) for at in astray.tolist()}


def _swapped_times(line: _Line, off_s: dict[int, float]) -> list[tuple[int, int]]:
    """Pairs of two sources, of which each fired when the other should have.

    `off_s` holds the lateness of the shots that did not follow their delay.
    """
    pairs: list[tuple[int, int]] = []
    order = sorted(off_s)
    due_s = {at: float(line.seconds[at]) - off_s[at] for at in order}
    free = set(order)
    for place, one in enumerate(order):
        for other in order[place + 1 : place + 1 + _SWAP_REACH]:
            apart = (line.seconds[one] - due_s[other], line.seconds[other] - due_s[one])
            alike = max(abs(each) for each in apart) < SHOT_LIMIT_S
            if alike and {one, other} <= free and line.key[one] != line.key[other]:
                pairs.append((one, other))
                free -= {one, other}
    return pairs


def _swapped_numbers(
    line: _Line, table: DelayTable, point: Whole, known: NDArray[np.bool_]
) -> list[tuple[int, int]]:
    """Pairs that are not in the table and would be, if each had the source of the other.

    `point` is the shot point of the table.
    """
    rows = set(zip(table.source.tolist(), table.shot_point.tolist(), strict=True))
    unknown = np.flatnonzero(~known).tolist()
    free, pairs = set(unknown), []
    for place, one in enumerate(unknown):
        for other in unknown[place + 1 : place + 1 + _SWAP_REACH]:
            exchanged = {(int(line.key[other]), int(point[one]))}
            exchanged.add((int(line.key[one]), int(point[other])))
            if exchanged <= rows and {one, other} <= free and line.key[one] != line.key[other]:
                pairs.append((one, other))
                free -= {one, other}
    return pairs


def _robust(values: Floats) -> float:
    return 1.4826 * float(np.median(np.abs(values)))
