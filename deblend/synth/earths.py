"""An earth drawn at random within limits, for the standard scenes of `deblend make`."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from deblend.synth.arrivals import Decay, DiffractorCloud, DirectArrival, EarthPart
from deblend.synth.geology import Geology
from deblend.synth.multiples import GuidedWaves, Multiple
from deblend.synth.reflectors import Fault, Reflector, Surface


@dataclass(frozen=True)
class EarthLimits:
    """Limits within which an earth is drawn."""

    water_depth_m: float = 110.0
    """At the first shot."""
    last_s: float = 2.2
    """Two-way time of the deepest event."""
    line_m: float = 1000.0
    """Length of the line."""
    loss_db: float = 50.0
    """Amplitude decay from the direct arrival to the deepest event."""
    layers: int = 9
    """Reflectors below the water bottom."""
    diffractors: int = 60
    """Scattering points."""
    diffractor_strength: float = 0.75
    """Root mean square strength against reflectors of 0.5 to 1."""
    inline_slope: float = 0.25
    crossline_slope: float = 0.25
    """Largest dips of the deepest reflector, as tangents; shallow ones dip less."""
    guided_strength: float = 0.04
    """Of each guided mode against the direct arrival."""


def velocity_m_s(time_s: float) -> float:
    """Effective velocity down to a two-way time: 1500 at the surface, 300 more a second."""
    return 1500.0 + 300.0 * time_s


def varied_earth(limits: EarthLimits, seed: int) -> Geology:
    """Dipping, curved and faulted reflectors, diffractors, multiples, direct and guided waves."""
    random = np.random.default_rng((seed, 0xEA27))
    bottom = Reflector(Surface(limits.water_depth_m, 0.01, 0.02, 1.0, 500.0, 30.0), 0.35, 1500.0)
    faults = _faults(limits, random)
    layers = [_layer(limits, faults, k, random) for k in range(limits.layers)]
    parts: list[EarthPart] = [DirectArrival(), bottom, *layers]
    parts += [
        Multiple((bottom, bottom)),
        Multiple((bottom, bottom, bottom)),
        *(Multiple((bottom, layer)) for layer in layers[: limits.layers // 2]),
    ]
    parts += _clouds(limits, seed)
    return Geology(
        tuple(parts),
        Decay(limits.loss_db, 0.1, limits.last_s),
        (GuidedWaves(limits.water_depth_m, limits.guided_strength),),
    )


def _faults(limits: EarthLimits, random: np.random.Generator) -> tuple[Fault, ...]:
    where = np.sort(random.uniform(0.1, 0.9, 3)) * limits.line_m - 100.0
    return tuple(
        Fault(
            float(inline),
            float(random.choice([-1.0, 1.0]) * random.uniform(15.0, 45.0)),
            float(random.uniform(-30.0, 30.0)),
        )
        for inline in where
    )


def _layer(
    limits: EarthLimits, faults: tuple[Fault, ...], number: int, random: np.random.Generator
) -> Reflector:
    """One reflector; they lie at even two-way times from the water bottom down, give or take.

    The deepest lies 0.1 s above the last event.
    """
    first_s = 2.0 * limits.water_depth_m / 1500.0 + 0.15
    step = (limits.last_s - 0.1 - first_s) / max(limits.layers - 1, 1)
    jitter = random.uniform(-0.3, 0.3) if 0 < number < limits.layers - 1 else 0.0
    time = first_s + step * (number + jitter)
    part = (number + 1) / limits.layers
    depth = 0.5 * velocity_m_s(time) * time
    surface = Surface(
        depth,
        float(random.uniform(-1.0, 1.0) * limits.inline_slope * part),
        float(random.uniform(-1.0, 1.0) * limits.crossline_slope * part),
        0.01 * depth,
        float(random.uniform(0.8, 1.6) * max(depth, 600.0)),
        float(random.uniform(-90.0, 90.0)),
        float(random.uniform(0.0, 360.0)),
    )
    strength = float(random.choice([-1.0, 1.0]) * random.uniform(0.5, 1.0))
    cut = tuple(fault for fault in faults if random.random() < 0.5)
    return Reflector(surface, strength, velocity_m_s(time), cut)


def _clouds(limits: EarthLimits, seed: int) -> list[EarthPart]:
    """Two thirds of the diffractors in the deeper half; all within 600 m of the line."""
    times = (2.0 * limits.water_depth_m / 1500.0, 0.5 * limits.last_s, limits.last_s)
    shallow = limits.diffractors // 3
    return [
        DiffractorCloud(
            count,
            (-300.0, limits.line_m + 100.0),
            (-600.0, 600.0),
            (0.5 * velocity_m_s(top_s) * top_s, 0.5 * velocity_m_s(base_s) * base_s),
            limits.diffractor_strength,
            (velocity_m_s(top_s), velocity_m_s(base_s)),
            seed=2 * seed + k,
        )
        for k, (count, (top_s, base_s)) in enumerate(
            zip((shallow, limits.diffractors - shallow), pairwise(times), strict=True)
        )
    ]
