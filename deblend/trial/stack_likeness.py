"""How like the stacks of two lines are, and how like they can be at best.

Two stacks of one earth differ by their noise, and because their midpoints lie apart. Both are
known: the noise from the halves of each stack, the second from how the benchmark changes along the
line. What a difference is larger than both is for acquisition or separation to explain.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.signal import hilbert

from deblend.trial.likeness import nrms_percent, shift_and_correlation
from deblend.trial.line_stack import LineStack, Window

ENVELOPE_ALIKE: Final = 0.5
"""Correlation of envelopes, their means removed, from which a shift is read from them."""


@dataclass(frozen=True)
class StackLikeness:
    """A line against its benchmark in one window and band, matched by one factor."""

    nrms_percent: float
    """Measured, Kragh and Christie 2002."""
    correlation: float
    """At the shift; negative where polarities are opposite."""
    shift_s: float
    """How much later the line comes than the benchmark."""
    noise_percent: float
    """NRMS that the noise of both stacks makes."""
    position_percent: float
    """NRMS that the distance between midpoints makes, at least in the mean."""

    @property
    def explained_percent(self) -> float:
        """NRMS that noise and positions make together."""
        return float(np.hypot(self.noise_percent, self.position_percent))

    @property
    def unexplained_percent(self) -> float:
        """What they leave to be explained."""
        return float(np.sqrt(max(0.0, self.nrms_percent**2 - self.explained_percent**2)))


def stack_likeness(
    line: LineStack, benchmark: LineStack, window_s: Window, band: int
) -> StackLikeness | None:
    """Likeness in a window and band; None where either holds no signal above its noise."""
    signal, noise = zip(
        *(one.powers(window_s, band).sum(axis=1) for one in (line, benchmark)), strict=True
    )
    if not min(signal) > 0.0:
        return None
    factor = np.sqrt(signal[1] / signal[0])
    first, second = factor * line.stack(window_s, band), benchmark.stack(window_s, band)
    shift_s, correlation = shift_and_correlation(second, first, line.interval_s)
    rms = [np.sqrt(np.sum(np.square(one))) for one in (first, second)]
    scale = 200.0 / (rms[0] + rms[1])
    apart_m = float(np.sqrt(np.mean((line.midpoint_m - benchmark.midpoint_m) ** 2) * 2.0))
    unlike = unlikeness(benchmark, apart_m, window_s, band)
    return StackLikeness(
        nrms_percent(first, second),
        correlation,
        shift_s,
        float(scale * np.sqrt(factor**2 * noise[0] + noise[1])),
        float(scale * np.sqrt(2.0 * unlike * signal[1])),
    )


def unlikeness(stack: LineStack, apart_m: float, window_s: Window, band: int) -> float:
    """One less the correlation of the signal with itself so many metres away.

    From neighbouring bins, each in the other half of the stack, so that noise takes no part; it
    grows with the square of the distance below that between bins. The earth is taken to change
    across the line as it does along it. At most 1.
    """
    first, second = stack.part(window_s, band)
    order = np.lexsort((stack.midpoint_m[:, 0], stack.crossline))
    place = stack.midpoint_m[order]
    step = np.hypot(*np.diff(place, axis=0).T)
    near = step <= 1.5 * np.median(step) if len(step) else np.zeros(0, np.bool_)
    if not near.any():
        return 0.0
    left, right = order[:-1][near], order[1:][near]
    beside = np.sum(first[left] * second[right] + second[left] * first[right])
    own = np.sum(first[left] * second[left] + first[right] * second[right])
    if not own > 0.0:
        return 0.0
    step_m = float(np.sqrt(np.mean(step[near] ** 2)))
    return float(np.clip((1.0 - beside / own) * (apart_m / step_m) ** 2, 0.0, 1.0))


def envelope_shift(line: LineStack, benchmark: LineStack, window_s: Window) -> tuple[float, float]:
    """How much later the line comes by the envelopes of the mean stacks, and their correlation.

    Envelopes know no polarity and little of phase, so that a shift is found where waveforms differ
    by more than half a period.
    """
    envelopes = []
    for one in (benchmark, line):
        envelope = np.abs(hilbert(one.stack(window_s, 0), axis=-1))
        envelopes.append(envelope - envelope.mean(axis=-1, keepdims=True))
    shift_s, alike = shift_and_correlation(envelopes[0], envelopes[1], line.interval_s)
    return (shift_s, alike) if alike >= ENVELOPE_ALIKE else (float("nan"), alike)


def position_shift_s(line: LineStack, benchmark: LineStack, window_s: Window) -> float:
    """Shift that the distance between midpoints may make: the steepest mean dip times it."""
    part = benchmark.stack(window_s, 0)
    order = np.lexsort((benchmark.midpoint_m[:, 0], benchmark.crossline))
    step = np.hypot(*np.diff(benchmark.midpoint_m[order], axis=0).T)
    near = step <= 1.5 * np.median(step) if len(step) else np.zeros(0, np.bool_)
    if not near.any():
        return 0.0
    left, right = part[order[:-1][near]], part[order[1:][near]]
    shift_s, _ = shift_and_correlation(left, right, benchmark.interval_s)
    apart = np.linalg.norm(np.mean(line.midpoint_m - benchmark.midpoint_m, axis=0))
    return float(abs(shift_s) * apart / np.mean(step[near])) if np.isfinite(shift_s) else 0.0
