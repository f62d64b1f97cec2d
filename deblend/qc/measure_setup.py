"""What is measured where: windows, groups of shots, channels that are looked at, lowest frequency.

Interference is told from signal by one thing alone: it does not line up from shot to shot, because
the sources were fired with random delays. Below about one over the spread of these delays it does
line up, and nothing measured there could tell the two apart; so everything is measured above.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft
from scipy.ndimage import uniform_filter1d

from deblend.arrays import fast_length
from deblend.model.shots import Shots

Gathers = NDArray[np.float32]
Source = int | str

WINDOW_COUNT: Final = 4
"""Equal windows after the time break, in which energies are measured."""
GROUP_SHOTS: Final = 16
"""Consecutive shots of a source that are stacked: short enough for the earth to stay alike."""
LEAST_SHOTS: Final = 6
"""Fewer shots than this say nothing about what lines up."""
CHANNELS_LOOKED_AT: Final = 16
"""Channels, spread over the line, of the measures that stack shots."""
LOW_CUT_OVER_SPREAD: Final = 1.5
"""Lowest frequency measured times the spread of delays; at 1 the coherent part is first zero."""
SMOOTHED_S: Final = 0.1
"""Length over which local energies are taken."""
WORST_LOW_CUT: Final = 0.25
"""The lowest frequency measured is at most this part of the Nyquist frequency."""


@dataclass(frozen=True, eq=False)
class MeasureSetup:
    """What is measured where; one for all blocks of channels of a line."""

    shots: Shots
    """Rows of the gathers."""
    counted: NDArray[np.bool_]
    """(shot,): Shots that take part, the delivered ones as a rule."""
    interval_s: float
    """Sample interval in seconds."""
    length: int
    """Samples of a trace."""
    windows: Sequence[tuple[int, int]]
    """Sample ranges ``[start, stop)`` after the time break."""
    channel_count: int
    """Channels of the line."""
    channels_looked_at: int = CHANNELS_LOOKED_AT
    """Most channels for the measures that stack shots."""
    group_shots: int = GROUP_SHOTS
    """Shots that are stacked."""
    lowest_hz: float | None = None
    """Lowest frequency measured, where it is not to be worked out from the shots."""
    blended: bool = True
    """Whether some samples of the record hold two shots: else nothing was separated."""

    def of_rows(self, rows: NDArray[np.int64], counted: NDArray[np.bool_]) -> MeasureSetup:
        """The setup of some shots of the line: all else, the lowest frequency too, stays."""
        shots = self.shots.take(rows)
        return replace(self, shots=shots, counted=counted, lowest_hz=self.low_cut_hz)

    @property
    def windows_s(self) -> list[tuple[float, float]]:
        """The windows in seconds after firing."""
        return [(start * self.interval_s, stop * self.interval_s) for start, stop in self.windows]

    @property
    def sources(self) -> tuple[Source, ...]:
        """Sources of the line."""
        return self.shots.sources

    @cached_property
    def channels(self) -> NDArray[np.int64]:
        """Rows of the channels that are looked at, spread evenly."""
        count = min(self.channels_looked_at, self.channel_count)
        return np.unique(np.linspace(0, self.channel_count - 1, count).round().astype(np.int64))

    @cached_property
    def rows(self) -> dict[Source, NDArray[np.int64]]:
        """Counted shots of each source, in fire order."""
        ordered = {}
        for source in self.sources:
            rows = self.shots.rows_of(source)
            rows = rows[self.counted[rows]]
            ordered[source] = rows[np.argsort(self.shots.fire_time_ns[rows], kind="stable")]
        return ordered

    @cached_property
    def groups(self) -> dict[Source, list[NDArray[np.int64]]]:
        """Groups of consecutive shots of each source; none where there are too few."""
        return {source: in_groups(rows, self.group_shots) for source, rows in self.rows.items()}

    @cached_property
    def low_cut_hz(self) -> float:
        """Lowest frequency at which interference does not line up."""
        if self.lowest_hz is not None:
            return self.lowest_hz
        most = WORST_LOW_CUT * 0.5 / self.interval_s
        spreads = [
            _spread_s(delays)
            for first in self.sources
            for second in self.sources
            for delays in self._delays_s(first, second)
        ]
        if not spreads:
            return 0.0
        return float(min(most, LOW_CUT_OVER_SPREAD / max(min(spreads), 1e-9)))

    def _delays_s(self, first: Source, second: Source) -> list[NDArray[np.float64]]:
        return [
            pairs[:, 2].astype(np.float64) * 1e-9
            for pairs in shot_pairs(self, first, second).values()
            if len(pairs) >= LEAST_SHOTS
        ]


def sample_windows(length: int) -> list[tuple[int, int]]:
    """Equal windows of a gather trace, in samples."""
    edges = np.linspace(0, length, min(WINDOW_COUNT, length) + 1).round().astype(int).tolist()
    return list(pairwise(edges))


def in_groups(rows: NDArray[np.int64], size: int) -> list[NDArray[np.int64]]:
    """Consecutive rows in groups of about `size`; none where there are fewer than `LEAST_SHOTS`."""
    if len(rows) < LEAST_SHOTS:
        return []
    return np.array_split(rows, max(1, round(len(rows) / size)))


def shot_pairs(setup: MeasureSetup, first: Source, second: Source) -> dict[int, NDArray[np.int64]]:
    """Shots of `second` that fall into traces of `first`, by how many shots they come later.

    Each value has shape (pair, 3): row of `first`, row of `second`, and delay of the latter in
    nanoseconds, in fire order of `first`. The key counts shots of `second` from the one that
    usually belongs to the shot.
    """
    rows, others = setup.rows[first], setup.rows[second]
    if not len(rows) or len(others) < 2:
        return {}
    own, their = setup.shots.fire_time_ns[rows], setup.shots.fire_time_ns[others]
    position = np.interp((own - their[0]) * 1e-9, (their - their[0]) * 1e-9, np.arange(len(others)))
    phase = float(np.angle(np.exp(2j * np.pi * position).mean()) / (2 * np.pi))
    usual = np.rint(position - phase).astype(np.int64)
    length_ns = round(setup.length * setup.interval_s * 1e9)
    found: dict[int, list[tuple[int, int, int]]] = {}
    begin = np.searchsorted(their, own - length_ns, side="right")
    end = np.searchsorted(their, own + length_ns, side="left")
    for index, row in enumerate(rows):
        for other in range(begin[index], end[index]):
            if others[other] != row:
                lag = int(other - usual[index])
                delay = int(their[other] - own[index])
                found.setdefault(lag, []).append((int(row), int(others[other]), delay))
    return {lag: np.array(pairs, dtype=np.int64) for lag, pairs in sorted(found.items())}


def _spread_s(delays_s: NDArray[np.float64]) -> float:
    """Range of an even law with the spread of the delays: median over groups, drift removed."""
    parts = in_groups(np.arange(len(delays_s)), GROUP_SHOTS)
    deviation = [np.std(np.diff(delays_s[part])) / np.sqrt(2.0) for part in parts]
    return float(np.sqrt(12.0) * np.median(deviation))


def padded_length(length: int, setup: MeasureSetup) -> int:
    """Length of transforms that leave room for the low cut."""
    beyond = round(1.0 / setup.low_cut_hz / setup.interval_s) if setup.low_cut_hz > 0 else 0
    return fast_length(length + beyond)


def without_low(
    spectrum: NDArray[np.complex64], length: int, padded: int, setup: MeasureSetup
) -> Gathers:
    """Samples from their transform, above the lowest frequency measured.

    `spectrum`, shape (..., frequency), is changed in place; a cosine ramp of half an octave lies
    below the lowest frequency. `padded` is from `padded_length`.
    """
    if setup.low_cut_hz > 0:
        frequency = np.maximum(np.fft.rfftfreq(padded, setup.interval_s), 1e-9)
        octave = np.log2(frequency / setup.low_cut_hz)
        spectrum *= np.sin(0.5 * np.pi * np.clip(1.0 + 2.0 * octave, 0.0, 1.0)).astype(np.float32)
    filtered: Gathers = irfft(spectrum, padded, axis=-1, overwrite_x=True)[..., :length]
    return filtered


def smooth_in_time(energy: Gathers, setup: MeasureSetup) -> Gathers:
    """Running mean of energies (..., time) over 0.1 s."""
    size = max(1, round(SMOOTHED_S / setup.interval_s))
    mean: Gathers = uniform_filter1d(energy, size, axis=-1, mode="nearest")
    return np.maximum(mean, np.float32(0))


def ratio(part: NDArray[np.float64], whole: NDArray[np.float64]) -> NDArray[np.float64]:
    """Quotient; NaN where `whole` is not above zero."""
    out = np.full(part.shape, np.nan)
    np.divide(part, whole, out=out, where=whole > 0)
    return out
