"""Source numbers held against source positions and the order of firing, from tables only."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import ShotTableError
from deblend.model.findings import Finding
from deblend.model.geometry import shooting_direction
from deblend.model.shots import Shots
from deblend.words import counted

_TRACK_SHOTS: Final = 31
_REGULAR: Final = 0.9
_CLEARLY: Final = 0.25
"""A position belongs to another source when it lies within this part of their distance from it."""
_CLOSEST_M: Final = 2.0
_MIXED: Final = 0.4
"""Of the width over which all sources are towed: a source varies less about the common track."""
_FEWEST: Final = 5
_MANY_SOURCES: Final = 12
_MORE_SOURCES: Final = 3
"""Times as many sources as shot points: no line is shot like that."""


def source_consistency(shots: Shots) -> list[Finding]:
    """Shots whose source number contradicts where or when they were fired.

    One finding for each shot whose position is that of another source, or that breaks the order in
    which sources fire in turn; one for all where many shots of a source lie where others are towed.
    """
    mixed = _mixed_up(shots)
    if mixed is not None:
        return [mixed]
    by_position = _by_position(shots)
    by_order = {} if by_position else _by_order(shots)
    return [
        Finding(
            "source_number_wrong",
            np.nan,
            "",
            "fail",
            f"Source {shots.source[row]} shot point {shots.shot_point[row]} {why}: the source "
            "number is likely wrong, and both sources would be separated wrongly there.",
            source=shots.source[row].item(),
            shot_point=int(shots.shot_point[row]),
        )
        for row, why in sorted((by_position | by_order).items())
    ]


def refuse_swapped_columns(shots: Shots) -> None:
    """Refuse a table whose sources can only be shot points, and the other way round.

    Raises
    ------
    ShotTableError
        If there are very many sources, and few numbers of shot points that all of them share.
    """
    sources = len(shots.sources)
    points = len(np.unique(shots.shot_point))
    if sources < _MANY_SOURCES or sources < _MORE_SOURCES * points:
        return
    named = ", ".join(str(source) for source in shots.sources[:3])
    numbers = ", ".join(str(point) for point in np.unique(shots.shot_point)[:3])
    raise ShotTableError(
        f"{len(shots)} shots are of {sources} sources ({named}, ...) and have "
        f"{counted(points, 'shot point')} ({numbers}{', ...' if points > 3 else ''}): the columns "
        "source and shot_point are swapped",
        remedy="Exchange the two names in the header of the shot table; source is the number or "
        "name of the gun array, shot_point counts along the line.",
    )


def placed_as_other(shots: Shots) -> dict[int, int | str]:
    """Row of each shot that lies where another source is towed, and that source."""
    return {row: source for row, (source, _) in _elsewhere(shots).items()}


def as_placed(shots: Shots) -> Shots:
    """Shots with the source that is towed where each lies."""
    source = shots.source.copy()
    for row, other in placed_as_other(shots).items():
        source[row] = other
    return replace(shots, source=source)


def _by_position(shots: Shots) -> dict[int, str]:
    return {
        row: f"lies where source {source} is towed, {apart_m:.1f} m from its own place"
        for row, (source, apart_m) in _elsewhere(shots).items()
    }


def _elsewhere(shots: Shots) -> dict[int, tuple[int | str, float]]:
    """Shots that lie abeam of the track where another source is towed, and how far from its own."""
    place_m = _starboard_m(shots)
    usual = {
        source: float(np.nanmedian(place_m[rows]))
        for source in shots.sources
        if np.isfinite(place_m[rows := shots.rows_of(source)]).sum() >= _FEWEST
    }
    found = {}
    for row in np.flatnonzero(np.isfinite(place_m)).tolist():
        own = shots.source[row].item()
        if own not in usual or len(usual) < 2:
            continue
        nearest = min(usual, key=lambda source: abs(usual[source] - place_m[row]))
        apart_m = abs(usual[nearest] - usual[own])
        if nearest != own and abs(usual[nearest] - place_m[row]) < _CLEARLY * apart_m:
            if apart_m < _CLOSEST_M:
                continue
            found[row] = nearest, apart_m
    return found


def _mixed_up(shots: Shots) -> Finding | None:
    """Sources of which many shots each lie at different places abeam of the common track."""
    forward = shooting_direction(shots)
    known = np.flatnonzero(np.isfinite(shots.x_m) & np.isfinite(shots.y_m))
    if forward is None or len(shots.sources) < 2 or known.size < _TRACK_SHOTS:
        return None
    order = known[np.argsort(shots.fire_time_ns[known], kind="stable")]
    across = shots.x_m[order] * forward[1] - shots.y_m[order] * forward[0]
    half = _TRACK_SHOTS // 2
    longer = np.pad(across, half, mode="reflect", reflect_type="odd")
    course = np.convolve(longer, np.full(_TRACK_SHOTS, 1.0 / _TRACK_SHOTS), mode="valid")
    place_m = across - course
    low_m, high_m = np.percentile(place_m, [5, 95])
    limit_m = max(_MIXED * float(high_m - low_m), _CLOSEST_M)
    mixed = [
        source
        for source in shots.sources
        if np.count_nonzero(own := shots.source[order] == source) >= _FEWEST
        and np.ptp(np.percentile(place_m[own], [15, 85])) > limit_m
    ]
    if len(mixed) < 2:
        return None
    named = ", ".join(str(source) for source in mixed)
    message = (
        f"Many shots of each of the sources {named} lie where another one is towed, up to "
        f"{high_m - low_m:.0f} m away: source numbers are mixed up along the line, as after a "
        "change of their order in the source controller. Separation would take two sources for "
        "one; correct the numbers first."
    )
    return Finding("source_numbers_mixed_up", float(len(mixed)), "sources", "fail", message)


def _starboard_m(shots: Shots) -> NDArray[np.float64]:
    """Place of each shot to starboard of the course of all sources; NaN where unknown."""
    out = np.full(len(shots), np.nan)
    forward = shooting_direction(shots)
    known = np.flatnonzero(np.isfinite(shots.x_m) & np.isfinite(shots.y_m))
    if forward is None or known.size < _FEWEST:
        return out
    order = known[np.argsort(shots.fire_time_ns[known], kind="stable")]
    across = shots.x_m[order] * forward[1] - shots.y_m[order] * forward[0]
    # The course of a turning vessel: a straight line through the neighbours of each shot, each
    # source relative to its own mean.
    centred = across.copy()
    for source in shots.sources:
        own = shots.source[order] == source
        if own.any():
            centred[own] -= np.median(across[own])
    half = min(_TRACK_SHOTS // 2, order.size - 1)
    longer = np.pad(centred, half, mode="reflect", reflect_type="odd")
    course = np.median(np.lib.stride_tricks.sliding_window_view(longer, 2 * half + 1), axis=1)
    out[order] = across - course
    return out


def _by_order(shots: Shots) -> dict[int, str]:
    """Shots that break the order in which the sources fire in turn."""
    count = len(shots.sources)
    order = np.argsort(shots.fire_time_ns, kind="stable")
    source = shots.source[order]
    if count < 2 or len(source) < _FEWEST * count:
        return {}
    turn = np.arange(len(source)) % count
    usual = []
    for place in range(count):
        names, counts = np.unique(source[turn == place], return_counts=True)
        usual.append(names[counts.argmax()])
    expected = np.array(usual)[turn]
    if len(set(np.array(usual).tolist())) < count or (expected == source).mean() < _REGULAR:
        return {}
    return {
        int(order[place]): f"fired when it was the turn of source {expected[place]}"
        for place in np.flatnonzero(expected != source)
    }
