"""Air and strings: volume fired, free air, recycle times, single guns and clusters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from deblend.model.water import (
    AIR_PRESSURE_PA,
    CUBIC_METRE_PER_CUBIC_INCH,
    PASCAL_PER_PSI,
    bubble_period_s,
)
from deblend.plan.alternative import speeds_m_s, together, volumes_cubic_inch
from deblend.plan.keys import Alternative
from deblend.plan.shot_timing import time_between_shots_s

SECONDS_PER_MINUTE: Final = 60.0


def free_air_m3(volume_cubic_inch: float, pressure_psi: float) -> float:
    """``V P / Pa``: volume of the air at atmospheric pressure, as a perfect gas."""
    volume_m3 = volume_cubic_inch * CUBIC_METRE_PER_CUBIC_INCH
    return volume_m3 * pressure_psi * PASCAL_PER_PSI / AIR_PRESSURE_PA


def free_air_per_minute_m3(alternative: Alternative, speed_m_s: float) -> float | None:
    """``60 V P / (Pa T)`` with V of one shot point on average; None where no volume is known."""
    volumes = volumes_cubic_inch(alternative)
    if volumes is None:
        return None
    at_once = volumes.sum() if together(alternative) else volumes.mean()
    time_s = time_between_shots_s(alternative.firing.shot_interval_m, speed_m_s)
    return (
        free_air_m3(float(at_once), alternative.sources.pressure_psi) * SECONDS_PER_MINUTE / time_s
    )


def volume_at_once_cubic_inch(alternative: Alternative) -> float | None:
    """Volume of one shot point: of all sources that fire together, else of the largest."""
    volumes = volumes_cubic_inch(alternative)
    if volumes is None:
        return None
    return float(volumes.sum() if together(alternative) else volumes.max())


@dataclass(frozen=True)
class StringUse:
    """How often a string has to fire."""

    name: str
    """Of the string."""
    volume_cubic_inch: float
    """Of its guns together."""
    sources: tuple[int, ...]
    """Sources, from 1, that fire it."""
    shortest_s: float
    """Shortest time between two of its shots, at the highest speed and with the delays at their
    worst."""
    recycle_s: float
    """What it needs."""


def string_uses(alternative: Alternative) -> list[StringUse]:
    """Every string that a source fires, with the time it gets against the time it needs.

    In sequence a string that sources i and j fire has ``(j - i) T`` from one to the other, and
    ``(n - (j - i)) T`` to the next turn; ``2 d`` is taken off for the delays.
    """
    count = alternative.sources.count
    time_s = time_between_shots_s(alternative.firing.shot_interval_m, speeds_m_s(alternative)[2])
    uses = []
    for name, string in alternative.strings.items():
        who = [
            number
            for number, names in enumerate(alternative.sources.strings or [])
            if name in names
        ]
        if not who:
            continue
        turn = np.array([*who, who[0] + count])
        steps = 1 if together(alternative) else int(np.diff(turn).min())
        uses.append(
            StringUse(
                name,
                float(sum(string.guns_cubic_inch)),
                tuple(number + 1 for number in who),
                steps * time_s - 2.0 * alternative.dither.range_s,
                string.recycle_s,
            )
        )
    return uses


@dataclass(frozen=True)
class SourceGuns:
    """First guess of what the guns of a source do, one by one."""

    source: int
    """From 1."""
    volume_cubic_inch: float
    """Total."""
    guns: int
    """Single guns and clusters."""
    output: float
    """Sum of the cube roots of their volumes: proportional to the sum of their peak pressures."""
    shortest_period_s: float
    longest_period_s: float
    """Bubble periods of the smallest and the largest of them."""


def source_guns(alternative: Alternative) -> list[SourceGuns]:
    """Guns of every source; empty where no strings are described.

    The peak pressure of one gun grows about as the cube root of its volume, and its bubble period
    follows Rayleigh and Willis. Both hold for a gun or a cluster, never for the volume of a whole
    array: tuning and the primary-to-bubble ratio change with the split and are not predicted, nor
    is directivity.
    """
    out = []
    sources = alternative.sources
    for number, names in enumerate(sources.strings or [], start=1):
        guns = [gun for name in names for gun in alternative.strings[name].guns_cubic_inch]
        periods = [bubble_period_s(gun, sources.pressure_psi, sources.depth_m) for gun in guns]
        output = float(np.sum(np.cbrt(guns)))
        out.append(SourceGuns(number, sum(guns), len(guns), output, min(periods), max(periods)))
    return out
