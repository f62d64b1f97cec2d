"""Multiples by the method of images, and waves guided by the water layer."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deblend.compiled import compiler
from deblend.errors import InputError
from deblend.model.water import WATER_VELOCITY_M_S
from deblend.synth.arrivals import Arrival, Positions, constant, distance_m
from deblend.synth.reflectors import Reflector
from deblend.words import counted


@dataclass(frozen=True)
class Multiple:
    """Reflected at several reflectors in turn, and at the sea surface between each two of them.

    The source is mirrored at one reflector after the other and at the sea surface; each reflector
    counts as the plane that touches it below the midpoint, so that times are exact for planes.
    The way has one velocity, the root mean square of the reflectors' velocities weighted by their
    depths. Faults are left out.
    """

    bounces: tuple[Reflector, ...]
    """At least two, in the order from the source; twice the water bottom is its first multiple."""
    surface_coefficient: float = -1.0
    """Reflection coefficient of the sea surface."""
    seen_by: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if len(self.bounces) < 2:
            raise InputError(
                f"a multiple with {counted(len(self.bounces), 'bounce')} is none",
                remedy="Name at least two reflectors.",
            )

    @property
    def strength(self) -> float:
        """Product of all reflections."""
        product = float(np.prod([bounce.strength for bounce in self.bounces]))
        return product * self.surface_coefficient ** (len(self.bounces) - 1)

    @property
    def velocity_m_s(self) -> float:
        """Effective velocity of the whole way."""
        depth = np.array([bounce.surface.depth_m for bounce in self.bounces])
        velocity = np.array([bounce.velocity_m_s for bounce in self.bounces])
        return float(np.sqrt((depth * velocity).sum() / (depth / velocity).sum()))

    def arrivals(self, source: Positions, receiver: Positions) -> Iterator[Arrival]:
        """One arrival."""
        middle = 0.5 * (source[:, None, :] + receiver)
        image = np.broadcast_to(source[:, None, :], receiver.shape)
        for k, bounce in enumerate(self.bounces):
            if k:
                image = image * np.array([1.0, 1.0, -1.0])
            image = mirrored(image, bounce, middle)
        time = distance_m(image, receiver) / self.velocity_m_s
        yield Arrival(time, constant(self.strength, time))


def mirrored(point: Positions, reflector: Reflector, below: Positions) -> Positions:
    """Image of points in the plane that touches the reflector below other points."""
    x, y = below[..., 0], below[..., 1]
    depth = reflector.surface.depth(x, y)
    slope_x, slope_y = reflector.surface.slopes(x, y)
    slope_x, slope_y = np.broadcast_to(slope_x, x.shape), np.broadcast_to(slope_y, x.shape)
    normal = np.stack([slope_x, slope_y, -np.ones(x.shape)], axis=-1)
    normal /= np.sqrt((normal**2).sum(axis=-1, keepdims=True))
    touching = np.stack([x, y, depth], axis=-1)
    height = ((point - touching) * normal).sum(axis=-1, keepdims=True)
    return np.asarray(point - 2.0 * height * normal, np.float64)


@dataclass(frozen=True)
class GuidedWaves:
    """Normal modes of a water layer on a hard bottom.

    Mode n has the wavenumber ``sqrt((2 pi f / c)^2 - ((n - 1/2) pi / H)^2)`` and exists above
    ``(n - 1/2) c / (2 H)``; it spreads with the square root of the distance. What arrives long
    after the direct wave leaks into the bottom: amplitudes fall with the delay.
    """

    water_depth_m: float
    """H."""
    strength: float
    """Of each mode against the direct wave, at 100 m."""
    modes: int = 3
    """How many."""
    velocity_m_s: float = WATER_VELOCITY_M_S
    """c, of the water."""
    leak_s: float = 0.12
    """Delay behind the direct wave after which a mode has fallen to 1/e."""
    seen_by: tuple[int, ...] = ()

    def cutoff_hz(self) -> NDArray[np.float64]:
        """Lowest frequency of each mode."""
        mode = np.arange(1, self.modes + 1)
        return np.asarray((mode - 0.5) * self.velocity_m_s / (2.0 * self.water_depth_m), np.float64)

    def add_spectrum(
        self,
        out: NDArray[np.complex128],
        frequency_hz: NDArray[np.float64],
        range_m: NDArray[np.float64],
        strength: NDArray[np.float64],
    ) -> None:
        """Add the modes to spectra of shape (trace, frequency), in place."""
        scaled = self.strength * strength / np.sqrt(range_m / 100.0)
        add_modes(
            out, frequency_hz, range_m, scaled, self.cutoff_hz(), self.velocity_m_s, self.leak_s
        )


def _add_modes(
    out: NDArray[np.complex128],
    frequency_hz: NDArray[np.float64],
    range_m: NDArray[np.float64],
    strength: NDArray[np.float64],
    cutoff_hz: NDArray[np.float64],
    velocity_m_s: float,
    leak_s: float,
) -> None:
    for trace in range(out.shape[0]):
        direct_s = range_m[trace] / velocity_m_s
        for mode in range(cutoff_hz.shape[0]):
            for k in range(frequency_hz.shape[0]):
                frequency = frequency_hz[k]
                if frequency <= cutoff_hz[mode]:
                    continue
                slowing = np.sqrt(1.0 - (cutoff_hz[mode] / frequency) ** 2)
                late = direct_s / slowing - direct_s
                if late > 12.0 * leak_s:
                    continue
                phase = -2.0 * np.pi * frequency * slowing * direct_s
                size = strength[trace] * np.exp(-late / leak_s)
                out[trace, k] += complex(size * np.cos(phase), size * np.sin(phase))


add_modes = compiler(nogil=True, fastmath=True, error_model="numpy")(_add_modes)
