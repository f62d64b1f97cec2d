"""What the types of a plan file cannot say: values that contradict each other."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Final

import numpy as np

from deblend.errors import SettingsError
from deblend.plan.alternative import (
    source_positions_m,
    speeds_m_s,
    streamer_positions_m,
    together,
)
from deblend.plan.keys import Alternative, TargetTable
from deblend.words import counted

SPEED_LIMITS_KN: Final = (1.0, 10.0)
"""Beyond these a spread is not towed (common practice, no source)."""

EDGE_TOLERANCE_M: Final = 1e-6


def check_target(target: TargetTable, where: str) -> None:
    """Refuse a target window that is none, or that the record does not hold."""
    first, last = target.window_s
    if not 0.0 <= first < last:
        raise SettingsError(
            f"a target window from {first} to {last} s is none",
            where=f"{where}, target",
            remedy="Give two rising times from 0.",
        )
    if last > target.record_length_s:
        raise SettingsError(
            f"the record of {target.record_length_s} s ends before the target window, {last} s",
            where=f"{where}, target",
            remedy="Lengthen record_length_s or shorten window_s.",
        )


def check_alternative(alternative: Alternative, where: str) -> None:
    """Refuse an alternative whose values contradict each other."""
    _check_streamers(alternative, where)
    _check_sources(alternative, where)
    _check_strings(alternative, where)
    _check_speed(alternative, where)
    _check_dither(alternative, where)
    if alternative.firing.shot_point_step == 0:
        raise SettingsError(
            "all shots of the firing table would have one shot point",
            where=f"{where}, firing",
            remedy="Give shot_point_step from 1 up, or from -1 down.",
        )


def _check_streamers(alternative: Alternative, where: str) -> None:
    streamers = alternative.streamers
    if streamers.count > 1 and streamers.separation_m is None:
        raise SettingsError(
            f"{streamers.count} streamers have no separation",
            where=f"{where}, streamers",
            remedy="Give separation_m.",
        )
    groups = streamers.length_m / streamers.group_interval_m
    if abs(groups - round(groups)) > 1e-3 or round(groups) < 1:
        raise SettingsError(
            f"a length of {streamers.length_m:g} m is no whole number of groups of "
            f"{streamers.group_interval_m:g} m",
            where=f"{where}, streamers",
            remedy="Give the active length: groups times their interval.",
        )


def _check_sources(alternative: Alternative, where: str) -> None:
    sources = alternative.sources
    place = f"{where}, sources"
    if sources.positions_m is not None:
        if sources.separation_m is not None:
            raise SettingsError(
                "sources have positions and a separation", where=place, remedy="Give one of them."
            )
        if len(sources.positions_m) != sources.count:
            raise SettingsError(
                f"{counted(sources.count, 'source')} and "
                f"{counted(len(sources.positions_m), 'position')}",
                where=place,
                remedy="Give one position a source.",
            )
    if alternative.streamers.count == 1 and sources.count > 1 and not _placed(alternative):
        raise SettingsError(
            "one streamer sets no standard separation of sources",
            where=place,
            remedy="Give separation_m or positions_m.",
        )
    positions = source_positions_m(alternative)
    widest = float(np.abs(positions).max())
    edge = float(np.abs(streamer_positions_m(alternative)).max())
    if alternative.streamers.count > 1 and widest > edge + EDGE_TOLERANCE_M:
        raise SettingsError(
            f"a source is towed {widest:g} m off the track and the outermost streamer {edge:g} m",
            where=place,
            remedy="Keep the sources inside the spread.",
        )


def _placed(alternative: Alternative) -> bool:
    sources = alternative.sources
    return sources.positions_m is not None or sources.separation_m is not None


def _check_strings(alternative: Alternative, where: str) -> None:
    sources = alternative.sources
    if sources.strings is None:
        return
    place = f"{where}, sources, strings"
    if len(sources.strings) != sources.count:
        raise SettingsError(
            f"{counted(sources.count, 'source')} and "
            f"{counted(len(sources.strings), 'list of strings', 'lists of strings')}",
            where=place,
            remedy="Give one list a source.",
        )
    if sources.volume_cubic_inch is not None:
        raise SettingsError(
            "sources have strings and a volume", where=place, remedy="Give one of them."
        )
    for number, names in enumerate(sources.strings, start=1):
        unknown = [name for name in names if name not in alternative.strings]
        if unknown or not names or len(set(names)) < len(names):
            what = f"fires string {unknown[0]!r}, which is not described" if unknown else ""
            raise SettingsError(
                f"source {number} {what or 'fires no string, or one twice'}",
                where=place,
                remedy=f"Strings: {', '.join(alternative.strings) or 'none; add [strings.NAME]'}.",
            )
    shared = _shared_string(sources.strings)
    if together(alternative) and shared is not None:
        name, first, second = shared
        raise SettingsError(
            f"sources {first} and {second} share string {name!r} and are to fire "
            "near-simultaneously",
            where=place,
            remedy="Give each source strings of its own, or fire in sequence.",
        )


def _shared_string(strings: list[list[str]]) -> tuple[str, int, int] | None:
    owner: dict[str, int] = {}
    for number, names in enumerate(strings, start=1):
        for name in names:
            if name in owner:
                return name, owner[name], number
            owner[name] = number
    return None


def _check_speed(alternative: Alternative, where: str) -> None:
    speeds = alternative.vessel.speed_kn
    low, high = SPEED_LIMITS_KN
    if any(a > b for a, b in pairwise(speeds)) or not low <= speeds[0] or not speeds[-1] <= high:
        raise SettingsError(
            f"speeds of {', '.join(f'{speed:g}' for speed in speeds)} knots are impossible",
            where=f"{where}, vessel",
            remedy=f"Give lowest, usual and highest between {low:g} and {high:g} knots.",
        )


def _check_dither(alternative: Alternative, where: str) -> None:
    dither, firing = alternative.dither, alternative.firing
    place = f"{where}, dither"
    if (dither.law == "table") != (dither.table is not None):
        raise SettingsError(
            f"the law is {dither.law!r} and the table {dither.table!r}",
            where=place,
            remedy='Use law = "table" together with table = "FILE.csv".',
        )
    if (dither.law == "uniform") != (dither.range_s > 0.0) and dither.law != "table":
        raise SettingsError(
            f"the law is {dither.law!r} and the range {dither.range_s:g} s",
            where=place,
            remedy='Give law = "uniform" and a range_s above 0, or law = "none" and no range.',
        )
    if firing.scheme == "natural timing" and dither.law != "none":
        raise SettingsError(
            "natural timing has no designed delays",
            where=place,
            remedy='Use scheme = "in sequence" with delays, or law = "none".',
        )
    if firing.scheme != "natural timing" and firing.natural_variation_s > 0.0:
        raise SettingsError(
            f"natural_variation_s is {firing.natural_variation_s:g} s and the scheme "
            f"{firing.scheme!r}",
            where=f"{where}, firing",
            remedy='It belongs to scheme = "natural timing".',
        )
    if dither.law == "uniform" and dither.range_s < dither.resolution_s:
        raise SettingsError(
            f"delays within {dither.range_s:g} s cannot be multiples of {dither.resolution_s:g} s",
            where=place,
            remedy="Widen range_s or refine resolution_s.",
        )
    shortest_s = firing.shot_interval_m / speeds_m_s(alternative)[2]
    check_order(dither.range_s, shortest_s, allowed=dither.may_swap_order, where=place)


def check_order(range_s: float, shortest_s: float, *, allowed: bool, where: str) -> None:
    """Refuse delays within plus and minus `range_s` that can swap shots, unless that is allowed."""
    if 2.0 * range_s > shortest_s and not allowed and math.isfinite(shortest_s):
        raise SettingsError(
            f"delays within plus and minus {range_s:g} s can swap shots that are "
            f"{shortest_s:.3f} s apart at the highest speed",
            where=where,
            remedy="Narrow range_s, or say may_swap_order = true.",
        )
