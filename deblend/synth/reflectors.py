"""Reflecting surfaces: dipping, curved, faulted; travel times by Fermat's principle."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfcx

from deblend.synth.arrivals import Arrival, Positions, distance_m

NEWTON_STEPS: Final = 8
EDGE_FREQUENCY_HZ: Final = 25.0
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Surface:
    """Depth ``z0 + a x + b y + h sin(2 pi (x cos g + y sin g) / l + p)``, x inline, y crossline."""

    depth_m: float
    """At the first shot point, below the track."""
    inline_slope: float = 0.0
    crossline_slope: float = 0.0
    """Tangents of the dips, positive where the surface deepens ahead and to starboard."""
    bulge_m: float = 0.0
    bulge_length_m: float = 2000.0
    bulge_azimuth_deg: float = 0.0
    bulge_phase_deg: float = 0.0
    """Height, wavelength, direction and phase of the curvature."""

    def depth(self, x: Array, y: Array) -> Array:
        """Depth in metres below points of the sea surface."""
        plane = self.depth_m + self.inline_slope * x + self.crossline_slope * y
        return np.asarray(plane + self.bulge_m * np.sin(self._angle(x, y)), np.float64)

    def slopes(self, x: Array, y: Array) -> tuple[Array, Array]:
        """First derivatives of the depth, inline and crossline."""
        kx, ky = self._wavenumber()
        swing = self.bulge_m * np.cos(self._angle(x, y))
        return self.inline_slope + kx * swing, self.crossline_slope + ky * swing

    def curvatures(self, x: Array, y: Array) -> tuple[Array, Array, Array]:
        """Second derivatives of the depth: inline, crossline, mixed."""
        kx, ky = self._wavenumber()
        swing = -self.bulge_m * np.sin(self._angle(x, y))
        return kx * kx * swing, ky * ky * swing, kx * ky * swing

    def _wavenumber(self) -> tuple[float, float]:
        azimuth = np.radians(self.bulge_azimuth_deg)
        number = 2.0 * np.pi / self.bulge_length_m
        return float(number * np.cos(azimuth)), float(number * np.sin(azimuth))

    def _angle(self, x: Array, y: Array) -> Array:
        kx, ky = self._wavenumber()
        return np.asarray(kx * x + ky * y + np.radians(self.bulge_phase_deg), np.float64)


def specular_point(surface: Surface, source: Positions, receiver: Positions) -> tuple[Array, Array]:
    """Inline and crossline position of the point where source - surface - receiver is stationary.

    Newton's method from the midpoint, with the step kept below a quarter of the depth. Fails where
    the surface focuses (a bowl whose centre of curvature lies at the sea surface or below it):
    there several such points exist and the one found need not be the shortest path. Both ends have
    one shape (..., 3), both results (...).
    """
    middle = 0.5 * (source + receiver)
    x, y = middle[..., 0].copy(), middle[..., 1].copy()
    limit = 0.25 * surface.depth_m
    for _ in range(NEWTON_STEPS):
        gx, gy, hxx, hyy, hxy = _path_derivatives(surface, source, receiver, x, y)
        det = hxx * hyy - hxy * hxy
        convex = (det > 0.0) & (hxx > 0.0)
        safe = np.where(convex, det, 1.0)
        trace = np.abs(hxx) + np.abs(hyy) + 1e-12
        dx = np.where(convex, (hyy * gx - hxy * gy) / safe, gx / trace)
        dy = np.where(convex, (hxx * gy - hxy * gx) / safe, gy / trace)
        x -= np.clip(dx, -limit, limit)
        y -= np.clip(dy, -limit, limit)
    return x, y


def _path_derivatives(
    surface: Surface, source: Positions, receiver: Positions, x: Array, y: Array
) -> tuple[Array, Array, Array, Array, Array]:
    """Gradient and Hessian of the path length with respect to the reflection point."""
    z = surface.depth(x, y)
    zx, zy = surface.slopes(x, y)
    zxx, zyy, zxy = surface.curvatures(x, y)
    total = [np.zeros(x.shape) for _ in range(5)]
    for end in (source, receiver):
        px, py, pz = x - end[..., 0], y - end[..., 1], z - end[..., 2]
        length = np.sqrt(px * px + py * py + pz * pz)
        gx, gy = (px + pz * zx) / length, (py + pz * zy) / length
        total[0] += gx
        total[1] += gy
        total[2] += (1.0 + zx * zx + pz * zxx - gx * gx) / length
        total[3] += (1.0 + zy * zy + pz * zyy - gy * gy) / length
        total[4] += (zx * zy + pz * zxy - gx * gy) / length
    return total[0], total[1], total[2], total[3], total[4]


@dataclass(frozen=True)
class Fault:
    """A vertical fault."""

    inline_m: float
    """Where it crosses the track."""
    throw_m: float
    """How much deeper the surface lies ahead of it."""
    strike_deg: float = 0.0
    """Angle between its trace and the crossline direction."""

    def ahead_m(self, x: Array, y: Array) -> Array:
        """Distance ahead of the fault, negative behind it."""
        strike = np.radians(self.strike_deg)
        return np.asarray((x - self.inline_m) * np.cos(strike) - y * np.sin(strike), np.float64)

    def along(self) -> tuple[float, float]:
        """Unit vector along its trace: inline and crossline part."""
        strike = np.radians(self.strike_deg)
        return float(np.sin(strike)), float(np.cos(strike))


@dataclass(frozen=True)
class Reflector:
    """A reflecting surface, whole or cut by faults whose edges diffract.

    A segment reflects where its specular point lies on it; its edges add the diffraction that makes
    the amplitude continuous: half the reflection at the shadow boundary, falling with the delay
    behind it as ``erfcx(sqrt(pi f dt))`` at 25 Hz (the phase turn of edge diffraction is left out).
    """

    surface: Surface
    """Of the segment behind the first fault."""
    strength: float
    """Before the decay."""
    velocity_m_s: float
    """Effective velocity above it."""
    faults: tuple[Fault, ...] = ()
    """In the order in which the line crosses them."""
    seen_by: tuple[int, ...] = ()

    def segments(self) -> Iterator[tuple[Surface, Fault | None, Fault | None]]:
        """Each surface with the faults that bound it, behind and ahead."""
        throws = np.cumsum([0.0, *(fault.throw_m for fault in self.faults)])
        bounds = (None, *self.faults, None)
        for k, throw in enumerate(throws):
            thrown = replace(self.surface, depth_m=self.surface.depth_m + float(throw))
            yield thrown, bounds[k], bounds[k + 1]

    def arrivals(self, source: Positions, receiver: Positions) -> Iterator[Arrival]:
        """One arrival a segment and one an edge."""
        start = np.broadcast_to(source[:, None, :], receiver.shape)
        for surface, behind, ahead in self.segments():
            x, y = specular_point(surface, start, receiver)
            time = path_time_s(surface, start, receiver, x, y, self.velocity_m_s)
            inside = np.ones(x.shape, dtype=np.bool_)
            for fault, sign in ((behind, 1.0), (ahead, -1.0)):
                if fault is not None:
                    on_it = sign * fault.ahead_m(x, y) >= 0.0
                    inside &= on_it
                    yield self._edge(surface, fault, on_it, time, start, receiver)
            yield Arrival(time, np.where(inside, self.strength, 0.0))

    def _edge(
        self,
        surface: Surface,
        fault: Fault,
        on_it: NDArray[np.bool_],
        reflection_time_s: Array,
        source: Positions,
        receiver: Positions,
    ) -> Arrival:
        """Diffraction from one edge, taken as a straight line through its point on the track."""
        time = edge_time_s(surface, fault, source, receiver, self.velocity_m_s)
        late = np.maximum(time - reflection_time_s, 0.0)
        half = 0.5 * self.strength * erfcx(np.sqrt(np.pi * EDGE_FREQUENCY_HZ * late))
        return Arrival(time, np.where(on_it, -half, half))


def path_time_s(
    surface: Surface, source: Positions, receiver: Positions, x: Array, y: Array, velocity: float
) -> Array:
    """Time from source to receiver by way of a point of the surface."""
    point = np.stack([x, y, surface.depth(x, y)], axis=-1)
    return (distance_m(source, point) + distance_m(receiver, point)) / velocity


def edge_time_s(
    surface: Surface, fault: Fault, source: Positions, receiver: Positions, velocity: float
) -> Array:
    """Time by way of a straight edge: ``sqrt((r1 + r2)^2 + l^2) / v``.

    r1 and r2 are the distances of both ends from the edge, l the distance of their feet along it.
    """
    at = np.array(fault.inline_m), np.array(0.0)
    ux, uy = fault.along()
    slope_x, slope_y = surface.slopes(*at)
    direction = np.array([ux, uy, ux * float(slope_x) + uy * float(slope_y)])
    direction /= np.linalg.norm(direction)
    origin = np.array([fault.inline_m, 0.0, float(surface.depth(*at))])
    feet, away = [], []
    for end in (source, receiver):
        foot = (end - origin) @ direction
        feet.append(foot)
        away.append(np.sqrt(np.maximum(((end - origin) ** 2).sum(axis=-1) - foot**2, 0.0)))
    return np.asarray(np.hypot(away[0] + away[1], feet[0] - feet[1]) / velocity, np.float64)
