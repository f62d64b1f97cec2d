"""What neighbouring shots say of rows that are missing, and of rows with another source's number.

A shot that is in no row stays in what is left of the record once every shot is taken off as its
neighbours are; there it is like the shots of its source before and after it. A shot of another
source lies, on the way from what its own neighbours left to what those of the other source left, at
the other end.

A late shot leaves something like another one, and its own place is empty once that is taken off.

Sources that leave nearly the same cannot be told apart: their difference is no larger than what
changes from shot to shot.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from deblend.check.arrivals.search import robust_deviation
from deblend.check.arrivals.source_likeness import SourceLikeness

_LEAST_PART: Final = 0.5
"""Of a shot: where no row is missing at most 0.27 was found on computed waves, 0.1 on recorded."""
_BESIDE_S: Final = 0.15
_GONE: Final = -0.3
"""Part of a shot this close that is left: what looks like another one is that shot, late."""
_LEFT: Final = 0.5
"""Of the energy of a shot, once the shots of the other source beside it are taken off."""
_CERTAIN: Final = 8.0
"""Robust deviations of what is found between the other shots."""
_BESIDE: Final = 2
"""Shots on either side from which a shot is expected."""
_OTHER_SIDE: Final = -0.4
"""0 for its own source, -1 for the other: swapped recorded shots lie at -0.46 to -0.98, others
above -0.1."""
_CERTAIN_SIDE: Final = 6.0
"""Robust deviations of the way that a shot lies towards the other source."""
_SCATTER: Final = 0.06
"""Of that number: sources of which it scatters more are too alike."""
_FEWEST: Final = 8


@dataclass(frozen=True)
class FurtherShot:
    """A shot that is in no row of the table."""

    window: float
    """Sample at which its gather begins."""
    source_row: int
    """The source that it is most like."""
    part: float
    """Of what the shots of that source beside it left."""
    by_chance: float
    """The same between other shots: its median."""


def strongest_unexplained(
    residual: NDArray[np.float64],
    expected: NDArray[np.float64],
    rows: tuple[NDArray[np.int64], ...],
    window: NDArray[np.float64],
    interval_s: float,
) -> FurtherShot | None:
    """The strongest shot in no row, or None where nothing like one is left.

    Parameters
    ----------
    residual : ndarray of float64, shape (channel, time)
        The record without all shots.
    expected : ndarray of float64, shape (shot, channel, time)
        What was taken off for each.
    rows : tuple of ndarray of int64
        Shots of each source in the order of time.
    window : ndarray of float64, shape (shot,)
        Sample at which each gather begins.
    """
    peaks: list[tuple[float, int, int, NDArray[np.float64]]] = []
    for source, own in enumerate(rows):
        if len(own) < _FEWEST:
            continue
        for place in range(len(own) - 1):
            four = own[max(0, place - _BESIDE + 1) : place + _BESIDE + 1]
            usual = np.median(expected[four], axis=0)
            begin = max(0, int(window[own[place]]))
            there = _matched(
                residual[:, begin : int(window[own[place + 1]]) + usual.shape[1]], usual
            )
            if there.size:
                peaks.append((float(there.max()), begin + int(there.argmax()), source, usual))
    if not peaks:
        return None
    parts = np.array([peak[0] for peak in peaks])
    middle, scatter = float(np.median(parts)), robust_deviation(parts)
    least = max(_LEAST_PART, middle + _CERTAIN * scatter)
    for part, at, source, usual in sorted(peaks, key=lambda peak: -peak[0]):
        if part < least:
            break
        left = residual.copy()
        left[:, at : at + usual.shape[1]] -= part * usual
        near = np.flatnonzero(np.abs(window - at) * interval_s < _BESIDE_S)
        if all(_part_of(left, expected[row], round(window[row])) > _GONE for row in near.tolist()):
            return FurtherShot(float(at), source, part, middle)
    return None


def _part_of(residual: NDArray[np.float64], usual: NDArray[np.float64], at: int) -> float:
    """Part of a shot that is in the residual at its time; -1 where it is not in the record."""
    inside = residual[:, at : at + usual.shape[1]]
    energy = _energy(usual, usual)
    if at < 0 or inside.shape != usual.shape or energy <= 0.0:
        return 0.0
    return _energy(inside, usual) / energy


def _matched(trace: NDArray[np.float64], usual: NDArray[np.float64]) -> NDArray[np.float64]:
    """Part of the usual gather that is found at each sample of (channel, time)."""
    energy = _energy(usual, usual)
    count = trace.shape[1] - usual.shape[1]
    if energy <= 0.0 or count < 1:
        return np.zeros(0)
    padded = next_fast_len(trace.shape[1], real=True)
    cross = np.einsum("cf,cf->f", rfft(trace, padded), np.conj(rfft(usual, padded)))
    return np.asarray(irfft(cross, padded)[:count] / energy)


def sources_by_neighbours(
    own: NDArray[np.float64],
    expected: NDArray[np.float64],
    rows: tuple[NDArray[np.int64], ...],
    instant: NDArray[np.float64],
) -> SourceLikeness:
    """Shots that are more like those of another source than like those of their own.

    Parameters
    ----------
    own : ndarray of float64, shape (shot, channel, time)
        Each shot without the others, after its fire time or in any frame common to all sources.
    expected : ndarray of float64, shape (shot, channel, time)
        What it is expected to leave, likewise.
    rows : tuple of ndarray of int64
        Shots of each source in the order of time.
    instant : ndarray of float64, shape (shot,)
        Their fire times, in any unit.
    """
    count = len(rows)
    looks_like = np.full(len(own), -1, dtype=np.int64)
    scatter = np.full((count, count), np.nan)
    side = np.full((len(own), count), np.nan)
    size = np.full((len(own), count), np.nan)
    explained = np.zeros((len(own), count), dtype=np.bool_)
    for one, other in _pairs(rows):
        mine, others = rows[one], rows[other]
        for place, row in enumerate(mine.tolist()):
            beside = np.concatenate(
                [mine[max(0, place - _BESIDE) : place], mine[place + 1 : place + 1 + _BESIDE]]
            )
            at = int(np.searchsorted(instant[others], instant[row]))
            alien = others[max(0, at - _BESIDE) : at + _BESIDE]
            usual, as_other = (np.median(expected[some], axis=0) for some in (beside, alien))
            apart = usual - as_other
            if apart.any():
                size[row, other] = np.sqrt(_energy(apart, apart))
                side[row, other] = _energy(own[row] - usual, apart) / size[row, other] ** 2
                left = own[row] - as_other
                explained[row, other] = _energy(left, left) < _LEFT * _energy(own[row], own[row])
        known = side[mine, other][np.isfinite(side[mine, other])]
        scatter[one, other] = robust_deviation(known) if known.size else np.nan
    scatter = np.fmax(scatter, scatter.T)
    distinguishable = scatter < _SCATTER
    for one, other in _pairs(rows):
        if distinguishable[one, other]:
            # Where two lines of shots cross, sources are alike that elsewhere are not.
            off = side[:, other] * size[:, other]
            known = off[rows[one]][np.isfinite(off[rows[one]])]
            beyond = off < -_CERTAIN_SIDE * robust_deviation(known)
            odd = (side[:, other] < _OTHER_SIDE) & beyond & explained[:, other]
            looks_like[rows[one][odd[rows[one]]]] = other
    return SourceLikeness(looks_like, scatter, distinguishable)


def _pairs(rows: tuple[NDArray[np.int64], ...]) -> list[tuple[int, int]]:
    """Sources with enough shots, each with each other one."""
    enough = [source for source, own in enumerate(rows) if len(own) >= _FEWEST]
    return [(one, other) for one in enough for other in enough if one != other]


def _energy(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """What two gathers (channel, time) have in common."""
    return float(np.einsum("ct,ct->", one, other))
