"""The record seen through windows, and shots fitted to it: amplitudes, and open times."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.blending.operator import BlendingOperator, operator_at
from deblend.check.arrivals.amplitude_fit import AmplitudeFit, Fired, UsualArrivals, fit_amplitudes

_PARTS: Final = 1 << 20
"""Of a sample, in which windows are placed."""
_MOVES: Final = 3
_FARTHEST: Final = 4.0
"""Deviations of fire times by which a shot is shifted at most."""


@dataclass(frozen=True, eq=False)
class Explained:
    """Shots fitted to the record."""

    fired: Fired
    """Shots of the table, then further ones."""
    fit: AmplitudeFit
    """Of all of them."""
    residual: NDArray[np.float64]
    """(channel, time): What they do not explain; zero where the record is not known."""
    complete: NDArray[np.bool_]
    """(shot,): Shots whose window is known as a whole; of others no amplitude is expected."""

    @property
    def cost(self) -> float:
        """Energy that is not explained, and what the amplitudes cost that are not as expected."""
        unexpected = float(self.fit.penalty[self.complete].sum())
        return float(np.einsum("ct,ct->", self.residual, self.residual)) + unexpected


@dataclass(frozen=True, eq=False)
class View:
    """The record, seen through windows."""

    samples: NDArray[np.float64]
    """(channel, time): Unknown ones are zero."""
    known: NDArray[np.bool_]
    """(time,): Instants that all channels recorded."""
    length: int
    """Samples of a window."""

    @cached_property
    def _missing(self) -> NDArray[np.int64]:
        return np.concatenate([[0], np.cumsum(~self.known)])

    def complete(self, window: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Whether every sample of windows that begin at these samples is known."""
        first, count = np.floor(window).astype(np.int64), len(self.known)
        begin = np.clip(first - 1, 0, count)
        end = np.clip(first + self.length + 1, 0, count)
        inside = (first >= 1) & (first + self.length < count)
        return np.asarray(inside & (self._missing[end] == self._missing[begin]))

    def part(self, begin: int, end: int, samples: NDArray[np.float64]) -> View:
        """Other samples in place of those from `begin` to `end`, seen by themselves."""
        return View(samples, self.known[begin:end], self.length)

    def operator(self, window: NDArray[np.float64]) -> BlendingOperator:
        """Of windows that begin at these samples."""
        return operator_at(
            np.rint(window * _PARTS).astype(np.int64),
            np.ones(len(window), dtype=np.bool_),
            start_ns=0,
            interval_ns=_PARTS,
            sample_count=self.samples.shape[1],
            length=self.length,
            dtype=np.float64,
        )

    def own(self, found: Explained, usual: UsualArrivals) -> NDArray[np.float64]:
        """Each shot without the others."""
        fitted = usual.form[found.fired.source_row] * found.fit.fitted[:, None, None]
        return np.asarray(self.operator(found.fired.window).pseudo_deblend(found.residual) + fitted)


def fit_shots(view: View, usual: UsualArrivals, fired: Fired) -> Explained:
    """Amplitudes of shots where they are, and what they leave of the record."""
    operator = view.operator(fired.window)
    fit = fit_amplitudes(operator.pseudo_deblend(view.samples), usual, fired)
    fitted = usual.form[fired.source_row] * fit.fitted[:, None, None]
    residual = np.where(view.known, view.samples - operator.blend(fitted), 0.0)
    return Explained(fired, fit, residual, view.complete(fired.window))


def fit_with_times(view: View, usual: UsualArrivals, fired: Fired) -> Explained:
    """Amplitudes once every shot was shifted to its best time, as far as its slack allows."""
    found = fit_shots(view, usual, fired)
    if not fired.slack.any():
        return found
    most = _FARTHEST * fired.slack
    for _ in range(_MOVES):
        lag = fine_lag(view.own(found, usual), usual.form[fired.source_row])
        # The time of a shot that others disturb is less certain.
        step = np.clip(np.where(np.isinf(most), lag, lag / found.fit.wider**2), -1.0, 1.0)
        window = np.clip(found.fired.window + step, fired.origin - most, fired.origin + most)
        found = fit_shots(view, usual, replace(fired, window=window))
    return found


def fine_lag(own: NDArray[np.float64], wanted: NDArray[np.float64]) -> NDArray[np.float64]:
    """Delay of each shot against the usual arrival, in samples, to first order."""
    slope = np.gradient(wanted, axis=2)
    steep = np.einsum("sct,sct->s", slope, slope)
    plain = np.einsum("sct,sct->s", wanted, wanted)
    amplitude = np.einsum("sct,sct->s", own, wanted) / np.where(plain > 0, plain, np.inf)
    slope_part = np.einsum("sct,sct->s", own, slope)
    scale = np.where(np.abs(amplitude) > 0.1, amplitude, np.inf) * np.where(
        steep > 0, steep, np.inf
    )
    return np.asarray(-slope_part / scale, dtype=np.float64)
