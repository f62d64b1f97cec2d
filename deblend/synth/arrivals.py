"""Arrivals: when and how strongly each trace sees an event, and the simplest events there are.

Positions are (inline, crossline, depth) in metres: inline along the shooting direction from the
first shot, crossline to starboard, depth down from the sea surface.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError
from deblend.model.water import WATER_VELOCITY_M_S

Positions = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Arrival:
    """One event on every trace."""

    time_s: NDArray[np.float64]
    """(shot, channel): Travel time."""
    strength: NDArray[np.float64]
    """(shot, channel): Amplitude before the decay with time; 0 where the event does not exist."""


class EarthPart(Protocol):
    """A part of the earth: a frozen dataclass that yields arrivals."""

    @property
    def seen_by(self) -> tuple[int, ...]:
        """Sources that see it; empty for all."""
        ...

    def arrivals(self, source: Positions, receiver: Positions) -> Iterator[Arrival]:
        """Arrivals for sources of shape (shot, 3) and receivers of shape (shot, channel, 3)."""
        ...


def distance_m(first: Positions, second: Positions) -> NDArray[np.float64]:
    """Distance between positions, over the last axis."""
    return np.asarray(np.sqrt(((first - second) ** 2).sum(axis=-1)), dtype=np.float64)


def constant(value: float, like: NDArray[np.float64]) -> NDArray[np.float64]:
    """One strength for every trace."""
    return np.full(like.shape, value)


@dataclass(frozen=True)
class DirectArrival:
    """The wave straight through the water."""

    strength: float = 1.0
    """Before the decay."""
    velocity_m_s: float = WATER_VELOCITY_M_S
    """Of the water."""
    seen_by: tuple[int, ...] = ()

    def arrivals(self, source: Positions, receiver: Positions) -> Iterator[Arrival]:
        """One arrival: distance over velocity."""
        time = distance_m(source[:, None, :], receiver) / self.velocity_m_s
        yield Arrival(time, constant(self.strength, time))


@dataclass(frozen=True)
class Diffractor:
    """A point that scatters: ``t = (|source - point| + |point - receiver|) / v``."""

    inline_m: float
    crossline_m: float
    depth_m: float
    """Where it is."""
    strength: float
    """Before the decay, for a source and a receiver right above it; it falls with the product of
    both distances."""
    velocity_m_s: float
    """Effective velocity above it."""
    seen_by: tuple[int, ...] = ()

    def arrivals(self, source: Positions, receiver: Positions) -> Iterator[Arrival]:
        """One arrival."""
        point = np.array([self.inline_m, self.crossline_m, self.depth_m])
        down = distance_m(source, point)[:, None]
        up = distance_m(receiver, point)
        yield Arrival(
            (down + up) / self.velocity_m_s, self.strength * self.depth_m**2 / (down * up)
        )


@dataclass(frozen=True)
class DiffractorCloud:
    """Diffractors at random places."""

    count: int
    """How many."""
    inline_m: tuple[float, float]
    crossline_m: tuple[float, float]
    depth_m: tuple[float, float]
    """Ranges of their places, uniform."""
    strength: float
    """Root mean square of their strengths; both signs occur."""
    velocity_m_s: tuple[float, float] = (1600.0, 2200.0)
    """Effective velocity at the shallow and at the deep end, linear in between."""
    seed: int = 0
    """Of the random places."""
    seen_by: tuple[int, ...] = ()

    def diffractors(self) -> Iterator[Diffractor]:
        """The points; one seed gives one set of them."""
        random = np.random.default_rng((self.seed, 0xD1FF))
        for _ in range(self.count):
            inline, crossline, part = random.random(3)
            yield Diffractor(
                float(np.interp(inline, (0, 1), self.inline_m)),
                float(np.interp(crossline, (0, 1), self.crossline_m)),
                float(np.interp(part, (0, 1), self.depth_m)),
                self.strength * float(random.normal()),
                float(np.interp(part, (0, 1), self.velocity_m_s)),
                self.seen_by,
            )

    def arrivals(self, source: Positions, receiver: Positions) -> Iterator[Arrival]:
        """One arrival a point."""
        for diffractor in self.diffractors():
            yield from diffractor.arrivals(source, receiver)


@dataclass(frozen=True)
class Decay:
    """How amplitudes fall with travel time: spherical spreading and absorption.

    ``(first_s / t) exp(-absorption (t - first_s))``, 1 at `first_s`, with the absorption chosen so
    that the amplitude has lost `loss_db` at `last_s`.
    """

    loss_db: float
    """From `first_s` to `last_s`; at least what spreading alone takes."""
    first_s: float
    last_s: float
    """Travel times of the strongest and of the deepest arrival."""

    def __post_init__(self) -> None:
        if not 0.0 < self.first_s < self.last_s:
            raise InputError(
                f"a decay from {self.first_s} s to {self.last_s} s is none",
                remedy="Give two rising positive times.",
            )
        spreading_db = 20.0 * np.log10(self.last_s / self.first_s)
        if self.loss_db < spreading_db:
            raise InputError(
                f"a loss of {self.loss_db} dB is less than the {spreading_db:.1f} dB that "
                f"spherical spreading takes from {self.first_s} s to {self.last_s} s",
                remedy="Ask for more loss or for a later first time.",
            )

    @property
    def absorption(self) -> float:
        """Of the exponential, in 1/s."""
        spreading = np.log(self.last_s / self.first_s)
        rest = np.log(10.0) / 20.0 * self.loss_db - spreading
        return float(rest / (self.last_s - self.first_s))

    def __call__(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Factor at some travel times; 1 before `first_s`."""
        late = np.maximum(time_s, self.first_s)
        return np.asarray(
            self.first_s / late * np.exp(-self.absorption * (late - self.first_s)), np.float64
        )
