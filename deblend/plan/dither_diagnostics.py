"""How well fire times tell sources apart: differences, coherence, repeats.

In the common-channel gather of one source the interference of another arrives at their time
difference. Where that difference varies at random, interference is incoherent; what stays coherent
at a frequency f follows from the distribution of the differences alone. With delays that are
uniform over a range D on both shots, the coherent power is sinc^4(f D), on one shot sinc^2(f D),
and N shots add a floor of 1/N (squared modulus of the characteristic function, textbook).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.decibels import floored_decibels

Floats = NDArray[np.float64]
WINDOW_SHOTS: Final = 24
"""Shots of a source in one window of the separation."""

OCTAVES_HZ: Final = (2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
LOWEST_HZ: Final = 6.0
"""Coherence counts from here on: the low end of a towed line (common practice, no source)."""

COHERENCE_HZ: Final = np.geomspace(LOWEST_HZ, OCTAVES_HZ[-1], 20)
REPEAT_S: Final = 0.002
FEWEST_SHOTS: Final = 8
MOST_STEPS: Final = 64


@dataclass(frozen=True, eq=False)
class Pairing:
    """The shots of one source and those of a source whose energy they hold."""

    source: int | str
    other: int | str
    """Whose gather, and who interferes; may be the same."""
    step: int
    """Shot points from the one to the other."""
    differences_s: Floats
    """(shot,): Fire time of the other minus the own, along the line."""

    @property
    def varying_s(self) -> Floats:
        """Differences about their median."""
        return self.differences_s - np.median(self.differences_s)


@dataclass(frozen=True)
class Diagnosis:
    """One pairing in numbers."""

    source: int | str
    other: int | str
    step: int
    """As in `Pairing`."""
    shots: int
    """That were paired."""
    delay_s: float
    """Median difference."""
    deviation_s: float
    range_s: float
    """Standard deviation of the differences, and largest minus smallest."""
    octave_db: tuple[float, ...]
    """Coherent power of the interference in each octave, averaged over windows, in dB."""
    repeats: float
    """Part of neighbouring shots, up to three apart, whose differences agree within 2 ms."""
    coherence: float
    """Mutual coherence, averaged over windows, from `LOWEST_HZ` on: 1 where interference lines up.
    """
    worst_coherence: float
    """Of the worst window."""
    coherent_below_hz: float
    """From here on the coherent power of the whole line stays below a quarter (-6 dB); infinite
    where it does not by 30 Hz."""


def pairings(
    shot_point: NDArray[np.int64],
    source: NDArray[np.int64] | NDArray[np.str_],
    time_s: Floats,
    record_s: float,
) -> list[Pairing]:
    """Pairs of sources whose records overlap, with their time differences along the line.

    Shots, in any order, are paired by shot point, so that missing shots and swapped ones do no
    harm: a shot of one source with that of the other a fixed number of shot points on.
    """
    found = []
    names = np.unique(source).tolist()
    for step in range(MOST_STEPS):
        here = [
            pairing
            for one in names
            for other in names
            if step or str(one) < str(other) or (not isinstance(one, str) and one < other)
            for pairing in _paired(shot_point, source, time_s, one, other, step)
        ]
        found += [pairing for pairing in here if abs(np.median(pairing.differences_s)) < record_s]
        if here and min(np.median(pairing.differences_s) for pairing in here) >= record_s:
            break
    return found


def _paired(
    shot_point: NDArray[np.int64],
    source: NDArray[np.int64] | NDArray[np.str_],
    time_s: Floats,
    one: int | str,
    other: int | str,
    step: int,
) -> list[Pairing]:
    mine, theirs = source == one, source == other
    _, first, second = np.intersect1d(
        shot_point[mine] + step, shot_point[theirs], return_indices=True
    )
    if len(first) < FEWEST_SHOTS:
        return []
    return [Pairing(one, other, step, time_s[theirs][second] - time_s[mine][first])]


def coherent_power(differences_s: Floats, frequency_hz: Floats) -> Floats:
    """``|mean exp(-2 pi i f difference)|^2``, shape (..., frequency): 1 where all are alike."""
    phase = np.exp(-2j * np.pi * frequency_hz * differences_s[..., None])
    return np.asarray(np.abs(phase.mean(axis=-2)) ** 2, dtype=np.float64)


def expected_power(
    frequency_hz: Floats, range_s: float, shots: int, *, both: bool = True
) -> Floats:
    """``s + (1 - s) / N`` with s = sinc^4(f D), or sinc^2(f D) where one of two shots is delayed.

    D is `range_s`: delays are uniform over this range, twice the plus and minus of a plan file. N
    is the shots in a window.
    """
    share = np.sinc(frequency_hz * range_s) ** (4 if both else 2)
    return np.asarray(share + (1.0 - share) / shots, dtype=np.float64)


def octave_power_db(power: Floats, frequency_hz: Floats) -> tuple[float, ...]:
    """Mean of a power in each octave of `OCTAVES_HZ`, in dB."""
    levels = []
    for low, high in pairwise(OCTAVES_HZ):
        inside = (frequency_hz >= low) & (frequency_hz < high)
        levels.append(floored_decibels(power[inside].mean()))
    return tuple(levels)


def frequencies_hz(count: int = 125) -> Floats:
    """Frequencies at which diagnostics are taken, evenly from the lowest octave to the highest."""
    return np.linspace(OCTAVES_HZ[0], OCTAVES_HZ[-1], count, endpoint=False)


def mutual_coherence(differences_s: Floats, frequency_hz: Floats) -> Floats:
    """Largest likeness of a straight event to straight interference, shape (..., frequency).

    Two plane waves of unit energy in a window, one of either source, meet in the record with the
    inner product ``|mean exp(-2 pi i f difference) exp(-i kappa k)|``; its maximum over the
    difference kappa of their slopes is the mutual coherence of the blended system at that
    frequency. Without dither it is 1; N random phases leave about sqrt(ln N / N).
    """
    shots = differences_s.shape[-1]
    cycles = np.asarray(frequency_hz[:, None] * differences_s[..., None, :], dtype=np.float64)
    phase = np.exp(np.asarray(-2j * np.pi * (cycles - np.rint(cycles)), dtype=np.complex64))
    slope = np.arange(2 * shots)[None, :] * np.arange(shots)[:, None] / (2.0 * shots)
    waves = np.exp(-2j * np.pi * slope).astype(np.complex64)
    return np.asarray(np.abs(phase @ waves).max(axis=-1) / shots, dtype=np.float64)


def window_coherence(pairing: Pairing) -> Floats:
    """Mutual coherence of each window, at its worst frequency, shape (window,)."""
    each = mutual_coherence(windows(pairing.varying_s), COHERENCE_HZ)
    return np.asarray(each.max(axis=-1), dtype=np.float64)


def windows(values: Floats, shots: int = WINDOW_SHOTS) -> Floats:
    """Half-overlapping windows along the line, shape (window, shot)."""
    size = min(shots, len(values))
    starts = range(0, len(values) - size + 1, max(1, size // 2))
    return np.stack([values[start : start + size] for start in starts])


def diagnose(pairing: Pairing) -> Diagnosis:
    """All numbers of one pairing."""
    varying = pairing.varying_s
    frequency = frequencies_hz()
    cut = windows(varying)
    power = coherent_power(cut, frequency).mean(axis=0)
    coherence = window_coherence(pairing)
    return Diagnosis(
        pairing.source,
        pairing.other,
        pairing.step,
        len(varying),
        float(np.median(pairing.differences_s)),
        float(varying.std()),
        float(np.ptp(varying)),
        octave_power_db(power, frequency),
        _repeats(varying),
        float(coherence.mean()),
        float(coherence.max()),
        _coherent_below_hz(varying),
    )


def diagnose_all(found: Sequence[Pairing]) -> list[Diagnosis]:
    """Numbers of all pairings."""
    return [diagnose(pairing) for pairing in found]


def _repeats(varying_s: Floats) -> float:
    """Part of neighbours up to three shots apart that agree."""
    same = [
        np.abs(varying_s[lag:] - varying_s[:-lag]) < REPEAT_S
        for lag in (1, 2, 3)
        if len(varying_s) > lag
    ]
    return float(np.concatenate(same).mean()) if same else float("nan")


def _coherent_below_hz(varying_s: Floats) -> float:
    """The highest frequency below 30 Hz at which the coherent power is still a quarter."""
    frequency = np.linspace(0.1, 30.0, 600)
    strong = np.flatnonzero(coherent_power(varying_s, frequency) >= 0.25)
    if not strong.size:
        return float(frequency[0])
    return float(frequency[strong[-1]]) if strong[-1] < len(frequency) - 1 else float("inf")
