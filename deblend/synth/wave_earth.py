"""An earth in which waves are computed by finite differences, a vertical slice for each source.

Not every event of it is a hyperbola: faults diffract, the fast body bends what lies below it, and
the scatterers leave a tail behind everything. Slices of neighbouring sources resemble each other,
because dips, faults and scatterers extend across the line.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.arrays import thread_count
from deblend.model.water import WATER_VELOCITY_M_S
from deblend.synth.arrivals import Positions
from deblend.synth.finite_differences import WaveGrid, Wavelet, record_shot
from deblend.synth.signature import Signature

UNIT_DISTANCE_M: Final = 100.0
"""Where the signature has the amplitude that it states, in open water."""
_SCATTERER_REACH_M: Final = 120.0
"""Distance across the line at which a scatterer has faded to 1/e."""


@dataclass(frozen=True)
class FastBody:
    """A lens of fast rock."""

    inline_m: float
    depth_m: float
    """Its middle."""
    half_length_m: float = 260.0
    half_height_m: float = 70.0
    """Its half axes."""
    velocity_m_s: float = 3000.0
    """Inside."""


@dataclass(frozen=True)
class WaveEarth:
    """Layers with dips, curvature and faults, a fast body and random scatterers, in two dimensions.

    Notes
    -----
    The sea surface reflects with -1, so that both ghosts and all multiples are there; signatures
    must hold no ghost. Waves of a slice spread in two dimensions, with the root of distance, and
    nothing absorbs them, so that amplitudes fall less with time than in the field. The half
    integration that two dimensions do to a wavelet is undone.
    """

    inline_m: tuple[float, float]
    """Range of all sources and receivers."""
    depth_m: float
    """Down to which there is structure."""
    body: FastBody
    """Fast rock."""
    water_depth_m: float = 110.0
    """At inline position 0."""
    layers: int = 9
    faults: int = 3
    scatterers: int = 300
    """How many."""
    scatterer_part: float = 0.3
    """Rms of the relative change of velocity at a scatterer, which is one grid point wide."""
    spacing_m: float = 12.5
    """Of the grid."""
    margin_m: float = 120.0
    """Beyond sources and receivers, before the absorbing edge begins."""
    absorbing: int = 26
    """Grid points of that edge."""
    seed: int = 0
    """Of everything drawn at random."""

    def slice(self, crossline_m: float) -> WaveGrid:
        """The slice at a distance to starboard of the track."""
        random = np.random.default_rng((self.seed, 0x5EED))
        before = self.margin_m + self.absorbing * self.spacing_m
        first = self.spacing_m * np.floor((self.inline_m[0] - before) / self.spacing_m)
        columns = int(np.ceil((self.inline_m[1] + before - first) / self.spacing_m)) + 1
        rows = int(np.ceil(self.depth_m / self.spacing_m)) + self.absorbing
        inline = first + self.spacing_m * np.arange(columns, dtype=np.float64)
        depth = self.spacing_m * np.arange(rows, dtype=np.float64)
        velocity = self._layers(inline, depth, crossline_m, random)
        self._scatter(velocity, inline, depth, crossline_m, random)
        body = self.body
        inside = ((inline[None, :] - body.inline_m - crossline_m) / body.half_length_m) ** 2
        inside = inside + ((depth[:, None] - body.depth_m) / body.half_height_m) ** 2
        velocity[inside < 1.0] = body.velocity_m_s
        return WaveGrid(velocity.astype(np.float32), self.spacing_m, float(first), self.absorbing)

    def _layers(
        self,
        inline: NDArray[np.float64],
        depth: NDArray[np.float64],
        crossline_m: float,
        random: np.random.Generator,
    ) -> NDArray[np.float64]:
        """Velocities of the layers, shape (depth, inline), edges smooth over one grid spacing."""
        velocity = np.full((len(depth), len(inline)), WATER_VELOCITY_M_S)
        length = self.inline_m[1] - self.inline_m[0]
        throws = [
            (random.uniform(0.1, 0.9) * length + self.inline_m[0], random.uniform(-40.0, 40.0))
            for _ in range(self.faults)
        ]
        tops = self.water_depth_m + (self.depth_m - self.water_depth_m) * (
            np.linspace(0.0, 1.0, self.layers + 1)[:-1] ** 1.1
        )
        for number, top in enumerate(tops):
            part = number / self.layers
            dip, across = random.uniform(-0.2, 0.2, 2) * part
            wave, phase = random.uniform(600.0, 1500.0), random.uniform(0.0, 2.0 * np.pi)
            surface = top + dip * (inline - self.inline_m[0]) + across * crossline_m
            surface = surface + 0.02 * top * np.sin(2.0 * np.pi * inline / wave + phase)
            for at, throw in throws:
                # Faults run obliquely across the line and cut what is below the sea floor.
                surface = surface + (throw * part) * (inline > at + 0.4 * crossline_m)
            below = np.clip(0.5 + (depth[:, None] - surface[None, :]) / self.spacing_m, 0.0, 1.0)
            target = 1560.0 + 0.42 * top + random.uniform(-1.0, 1.0) * 180.0
            velocity += below * (target - velocity)
        return velocity

    def _scatter(
        self,
        velocity: NDArray[np.float64],
        inline: NDArray[np.float64],
        depth: NDArray[np.float64],
        crossline_m: float,
        random: np.random.Generator,
    ) -> None:
        """Change the velocity at random points below the sea floor, in place."""
        for _ in range(self.scatterers):
            at = random.uniform(inline[0], inline[-1])
            down = random.uniform(1.3 * self.water_depth_m, self.depth_m)
            aside = random.uniform(-2.0, 2.0) * _SCATTERER_REACH_M
            change = self.scatterer_part * random.standard_normal()
            change *= np.exp(-(((crossline_m - aside) / _SCATTERER_REACH_M) ** 2))
            row, column = (
                int(np.abs(axis - position).argmin())
                for axis, position in ((depth, down), (inline, at))
            )
            velocity[row, column] *= 1.0 + np.clip(change, -0.4, 0.3)

    def record_source(
        self,
        number: int,
        signature: Signature,
        source: Positions,
        receiver: Positions,
        *,
        interval_s: float,
        sample_count: int,
    ) -> NDArray[np.float32]:
        """Noise-free traces of one source, as `Geology.record_source`.

        The slice of a source lies half way between it and the streamer.
        """
        del number  # what a source sees is decided by where it is
        grid = self.slice(0.5 * float(source[0, 1] + receiver[0, :, 1].mean()))
        wavelet = Wavelet(partial(radiated, signature, interval_s), signature.stop_hz)
        out = np.empty((*receiver.shape[:2], sample_count), np.float32)

        def record(shot: int) -> None:
            out[shot] = record_shot(
                grid,
                wavelet,
                (float(source[shot, 0]), float(source[shot, 2])),
                receiver[shot][:, [0, 2]],
                interval_s=interval_s,
                sample_count=sample_count,
            )

        with ThreadPoolExecutor(thread_count()) as pool:
            list(pool.map(record, range(len(source))))
        return out


def radiated(
    signature: Signature, interval_s: float, frequency_hz: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Source function whose wave is the signature at `UNIT_DISTANCE_M` in open water.

    Far away, ``-i/4 H0(kr)`` is ``1/4 sqrt(2 v / (pi w r)) exp(-i (kr + pi/4))``, w = 2 pi f.
    """
    angular = 2.0 * np.pi * frequency_hz
    half = np.sqrt(1j * angular) * 4.0
    half *= np.sqrt(np.pi * UNIT_DISTANCE_M / (2.0 * WATER_VELOCITY_M_S))
    return np.asarray(signature.spectrum(frequency_hz, interval_s) * half * interval_s)
