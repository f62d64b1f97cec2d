"""Acoustic waves in a slice of the earth, by finite differences, one shot at a time.

The equation is ``u_tt / v^2 - laplacian(u) = s(t) delta(x - x_s)`` with u = 0 at the sea surface.
Space is of order 8. Time is of order 2, and what that does to the waves is known exactly: the grid
does at the angular frequency w what the earth does at ``2 sin(w dt / 2) / dt`` (Stork 2013, EAGE
extended abstracts; Koene, Robertsson, Broggini & Andersson 2018, Geophys. J. Int. 213; both cited
from memory). Source and record are therefore taken from one frequency to the other, and no
dispersion in time remains. Sources and receivers lie between grid points: they are spread over
eight by eight of them with Kaiser-windowed sincs (Hicks 2002, Geophysics 67(1); from memory),
mirrored with the opposite sign at the sea surface.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfftfreq
from scipy.special import i0

from deblend.errors import InputError
from deblend.synth.wave_kernels import HALO, LARGEST_COURANT, run_shot

COURANT: Final = 0.52
"""Largest velocity times time step over spacing that is used."""
LEAD_S: Final = 0.25
"""Time before the fire instant, for a wavelet that begins before it."""
TAIL_S: Final = 0.25
"""Time after the last sample, over which the record fades."""
ABSORBED_NEPER: Final = 2.5
"""Attenuation of a wave that crosses an absorbing edge once, in the fastest rock."""
_WIDTH: Final = 8
_BETA: Final = 6.31
"""Of the Kaiser window for half-width 4 (Hicks 2002, table 2; from memory)."""

Points = tuple[NDArray[np.int64], NDArray[np.float32]]


@dataclass(frozen=True, eq=False)
class WaveGrid:
    """A slice of the earth on a grid."""

    velocity_m_s: NDArray[np.float32]
    """(depth, inline): Row 0 lies at the sea surface."""
    spacing_m: float
    """Between grid points, in both directions."""
    first_inline_m: float = 0.0
    """Of column 0."""
    absorbing: int = 35
    """Grid points at the left, the right and the lower edge in which waves die."""

    def __post_init__(self) -> None:
        shape, edge = self.velocity_m_s.shape, self.absorbing
        if len(shape) != 2 or shape[0] <= edge + _WIDTH or shape[1] <= 2 * edge + _WIDTH:
            raise InputError(
                f"a grid of shape {shape} has no room between absorbing edges of {edge} points",
                remedy="Make the slice larger or the edges narrower.",
            )
        if not (np.isfinite(self.velocity_m_s).all() and self.velocity_m_s.min() > 0.0):
            raise InputError(
                "the slice holds velocities that are not positive numbers",
                remedy="Give velocities in m/s everywhere.",
            )

    def steps_a_sample(self, interval_s: float) -> int:
        """Fewest time steps a sample with which the scheme is stable."""
        fastest = float(self.velocity_m_s.max())
        return int(np.ceil(interval_s * fastest / (COURANT * self.spacing_m)))

    def courant(self, step_s: float) -> NDArray[np.float32]:
        """Square of velocity times step over spacing, with the halo."""
        number = self.velocity_m_s.astype(np.float64) * step_s / self.spacing_m
        if number.max() >= LARGEST_COURANT:
            raise InputError(
                f"a step of {1e3 * step_s:g} ms is too long for {self.velocity_m_s.max():g} m/s "
                f"on a grid of {self.spacing_m:g} m",
                remedy="Take a shorter step.",
            )
        return np.pad((number**2).astype(np.float32), HALO, mode="edge")

    def fade(self, step_s: float) -> NDArray[np.float32]:
        """What a step leaves of the field, with the halo."""
        rows, columns = self.velocity_m_s.shape
        into = np.arange(1, self.absorbing + 1) / max(self.absorbing, 1)
        side, below = np.zeros(columns), np.zeros(rows)
        if self.absorbing:
            side[-self.absorbing :] = below[-self.absorbing :] = into**3
            side[: self.absorbing] = into[::-1] ** 3
        # The integral of the cube over the edge is a quarter of its width.
        width_m = self.absorbing * self.spacing_m
        rate = 4 * ABSORBED_NEPER * float(self.velocity_m_s.max()) / max(width_m, self.spacing_m)
        inside = np.exp(-rate * step_s * np.maximum(side[None, :], below[:, None]))
        return np.pad(inside.astype(np.float32), HALO, mode="edge")

    @cached_property
    def shape(self) -> tuple[int, int]:
        """Rows and columns with the halo."""
        rows, columns = self.velocity_m_s.shape
        return rows + 2 * HALO, columns + 2 * HALO

    def points(self, inline_m: float, depth_m: float, *, mirrored: bool) -> Points:
        """Grid points around a position and their weights; `mirrored` folds those in the air."""
        column = (inline_m - self.first_inline_m) / self.spacing_m
        row = depth_m / self.spacing_m
        rows, columns = self.velocity_m_s.shape
        edge = self.absorbing
        if not (edge <= column <= columns - 1 - edge and 0 <= row <= rows - 1 - edge):
            raise InputError(
                f"a position at {inline_m:g} m inline and {depth_m:g} m depth lies outside the "
                "part of the slice that does not absorb",
                remedy="Make the slice larger.",
            )
        (down, vertical), (along, horizontal) = _spread(row), _spread(column)
        if mirrored:
            vertical = np.where(down < 0, -vertical, np.where(down == 0, 0.0, vertical))
            down = np.abs(down)
        flat = (down[:, None] + HALO) * self.shape[1] + along[None, :] + HALO
        weight = vertical[:, None] * horizontal[None, :]
        return flat.ravel(), weight.ravel().astype(np.float32)


def _spread(position: float) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Eight grid points around a position and the windowed sinc there."""
    points = np.floor(position).astype(np.int64) - (_WIDTH // 2 - 1) + np.arange(_WIDTH)
    distance = points - position
    inside = np.clip(1.0 - (distance / (_WIDTH // 2)) ** 2, 0.0, 1.0)
    return points, np.sinc(distance) * i0(_BETA * np.sqrt(inside)) / i0(_BETA)


@dataclass(frozen=True)
class Wavelet:
    """A source function by its spectrum."""

    spectrum: Callable[[NDArray[np.float64]], NDArray[np.complex128]]
    """Complex values at frequencies in Hz, in the sense of ``numpy.fft.rfft`` times the sample
    interval."""
    stop_hz: float
    """Beyond this there is no energy."""

    def __call__(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Spectrum, zero beyond `stop_hz`."""
        out = np.zeros(frequency_hz.shape, np.complex128)
        used = frequency_hz <= self.stop_hz
        out[used] = self.spectrum(frequency_hz[used])
        return out


def record_shot(
    grid: WaveGrid,
    wavelet: Wavelet,
    source_m: tuple[float, float],
    receiver_m: NDArray[np.float64],
    *,
    interval_s: float,
    sample_count: int,
) -> NDArray[np.float32]:
    """Pressure at the receivers, shape (channel, time); sample 0 is the fire instant.

    The wavelet is band-limited below the Nyquist frequency. `receiver_m` has the inline positions
    and depths, (channel, 2).
    """
    step_s = interval_s / grid.steps_a_sample(interval_s)
    steps = round((LEAD_S + sample_count * interval_s + TAIL_S) / step_s)
    at, weight = grid.points(*source_m, mirrored=True)
    spread = [grid.points(float(x), float(z), mirrored=False) for x, z in receiver_m]
    receiver = np.stack([p for p, _ in spread]), np.stack([w for _, w in spread])
    courant = grid.courant(step_s)
    fields = np.zeros(grid.shape, np.float32), np.zeros(grid.shape, np.float32)
    record = np.empty((len(receiver_m), steps), np.float32)
    # s(t) delta(x - x_s), times the step squared and the velocity squared, over the cell's area.
    run_shot(
        record,
        _stepped(wavelet, step_s, steps),
        fields,
        courant,
        grid.fade(step_s),
        (at, weight * courant.ravel()[at]),
        receiver,
    )
    return _sampled(record, wavelet, step_s, interval_s, sample_count)


def _stepped(wavelet: Wavelet, step_s: float, steps: int) -> NDArray[np.float32]:
    """The wavelet at every step, from `LEAD_S` before the fire instant, ready for the grid."""
    length = next_fast_len(steps, real=True)
    on_grid = rfftfreq(length, step_s)
    in_earth = np.sin(np.pi * on_grid * step_s) / (np.pi * step_s)
    spectrum = wavelet(in_earth) * np.exp(-2j * np.pi * in_earth * LEAD_S)
    samples = irfft(spectrum, length)[:steps] / step_s
    return np.asarray(samples, np.float32)


def _sampled(
    record: NDArray[np.float32],
    wavelet: Wavelet,
    step_s: float,
    interval_s: float,
    sample_count: int,
) -> NDArray[np.float32]:
    """From steps of the grid to samples of the earth."""
    steps = record.shape[1]
    fading = round(TAIL_S / step_s)
    tapered = record.astype(np.float64)
    tapered[:, steps - fading :] *= np.cos(0.5 * np.pi * np.arange(1, fading + 1) / fading) ** 2
    length = next_fast_len(round(steps * step_s / interval_s) + 1, real=True)
    in_earth = rfftfreq(length, interval_s)
    in_earth = in_earth[in_earth <= wavelet.stop_hz]
    on_grid = np.arcsin(np.clip(np.pi * in_earth * step_s, 0.0, 1.0)) / (np.pi * step_s)
    # What is recorded after step k belongs to the instant k + 1 steps after the first injection
    # began to act, which is when the field of the next step is known.
    instants = np.arange(1, steps + 1) * step_s
    turn = np.exp(-2j * np.pi * on_grid[:, None] * instants[None, :])
    spectrum = tapered @ turn.T * step_s
    spectrum *= np.exp(2j * np.pi * in_earth * LEAD_S)
    return np.asarray(irfft(spectrum, length)[:, :sample_count] / interval_s, np.float32)
