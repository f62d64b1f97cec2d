"""When the sources fire: order, interval, dither, and what goes wrong."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError
from deblend.model.timebase import NS_PER_S
from deblend.words import counted

Order = Literal["near-simultaneous", "sequential", "random"]
DitherLaw = Literal["uniform", "normal", "two-valued"]


@dataclass(frozen=True)
class Dither:
    """Random delays added to the nominal fire times."""

    range_s: float
    """Uniform: within plus and minus this. Normal: its standard deviation, cut at three.
    Two-valued: plus or minus this, nothing in between."""
    law: DitherLaw = "uniform"
    """Distribution."""

    def __post_init__(self) -> None:
        if self.range_s < 0.0 or self.law not in get_args(DitherLaw):
            raise InputError(
                f"a dither of {self.range_s} s with the law {self.law!r} is none",
                remedy=f"Give a range from 0 and one of {', '.join(get_args(DitherLaw))}.",
            )

    def draw(self, count: int, random: np.random.Generator) -> NDArray[np.float64]:
        """Delays in seconds, shape (count,)."""
        if self.law == "uniform":
            return random.uniform(-self.range_s, self.range_s, count)
        if self.law == "normal":
            return self.range_s * np.clip(random.standard_normal(count), -3.0, 3.0)
        return self.range_s * random.choice([-1.0, 1.0], count)


@dataclass(frozen=True)
class Firing:
    """Order and times of the shots of all sources."""

    order: Order
    """All sources at every shot point; one source after the other; every source on its own, at
    uniformly random times over the line but never closer than half its mean interval."""
    interval_s: float
    """From one shot point to the next: of all sources when near-simultaneous or random, of any
    source to the next when sequential."""
    shots_per_source: int
    """How often each source fires."""
    dither: Dither = Dither(0.0)
    """Added to every fire time; of no effect on the random order."""

    def __post_init__(self) -> None:
        if self.order not in get_args(Order):
            raise InputError(
                f"firing order {self.order!r} is not known",
                remedy=f"Use one of {', '.join(get_args(Order))}.",
            )
        if self.interval_s <= 0.0 or self.shots_per_source < 1:
            raise InputError(
                f"{counted(self.shots_per_source, 'shot')} every {self.interval_s} s cannot be "
                "fired",
                remedy="Give at least one shot and a positive interval.",
            )

    def times_s(self, source_count: int, seed: int) -> NDArray[np.float64]:
        """Fire times after the nominal first shot, shape (source, shot), rising along each row."""
        random = np.random.default_rng((seed, 0xF12E))
        shape = source_count, self.shots_per_source
        shot = np.arange(self.shots_per_source)
        if self.order == "random":
            slack = random.dirichlet(np.ones(self.shots_per_source), source_count)
            return self.interval_s * (
                0.5 * shot + 0.5 * self.shots_per_source * (np.cumsum(slack, axis=1) - 0.5 * slack)
            )
        nominal = np.broadcast_to(shot * self.interval_s, shape)
        if self.order == "sequential":
            turn = np.arange(source_count)[:, None]
            nominal = (shot * source_count + turn) * self.interval_s
        delays = self.dither.draw(shape[0] * shape[1], random).reshape(shape)
        return np.sort(nominal + delays, axis=1)


@dataclass(frozen=True)
class GivenFiring(Firing):
    """Fire times worked out beforehand, in place of an order and a dither."""

    given_s: tuple[tuple[float, ...], ...] = ()
    """Of each source, after the nominal first shot."""

    def times_s(self, source_count: int, seed: int) -> NDArray[np.float64]:
        """The times given, rising along each row."""
        return np.sort(np.array(self.given_s, dtype=np.float64), axis=1)


@dataclass(frozen=True)
class Trouble:
    """What goes wrong with the shots and the recorder."""

    misfires: int = 0
    """Shots that leave no energy; marked in the shot table."""
    timing_error_rms_s: float = 0.0
    """Normal errors of the fire times in the shot table."""
    gaps_s: tuple[tuple[float, float], ...] = ()
    """Stretches of the record without samples: begin after the first shot, and length."""

    def live(self, shot_count: int, seed: int) -> NDArray[np.bool_]:
        """Which shots leave energy, shape (shot,)."""
        if not 0 <= self.misfires <= shot_count:
            raise InputError(
                f"{counted(self.misfires, 'misfire')} among {counted(shot_count, 'shot')} is more "
                "than there are",
                remedy="Give a number from 0 to the number of shots.",
            )
        live = np.ones(shot_count, dtype=np.bool_)
        random = np.random.default_rng((seed, 0x0FF))
        live[random.choice(shot_count, self.misfires, replace=False)] = False
        return live

    def reported_ns(self, fire_time_ns: NDArray[np.int64], seed: int) -> NDArray[np.int64]:
        """Fire times as the shot table gives them."""
        if self.timing_error_rms_s == 0.0:
            return fire_time_ns
        random = np.random.default_rng((seed, 0x71E))
        error = random.normal(0.0, self.timing_error_rms_s, len(fire_time_ns))
        return fire_time_ns + np.rint(error * NS_PER_S).astype(np.int64)
