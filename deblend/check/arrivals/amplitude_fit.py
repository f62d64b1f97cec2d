"""Amplitudes of the usual arrivals of all shots, fitted to the record together.

Every shot is expected to leave the usual arrival of its source, give or take a tenth. Least squares
with that expectation say how large each arrival is; how much better the record would be explained
if the expectation of one shot were dropped; and how much of an arrival that is in no row of the
table could hide behind the ones that are. Without the expectation, two shots fired within
milliseconds of each other explain anything that happens near them.

References
----------
.. [1] A. Tarantola, 2005, Inverse Problem Theory and Methods for Model Parameter Estimation, SIAM:
   least squares with prior information.
.. [2] S. Chen, S. A. Billings and W. Luo, 1989, Orthogonal least squares methods and their
   application to non-linear system identification, International Journal of Control 50, 1873-1896:
   what a further column would explain, beyond those that are there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.sparse import csc_matrix, diags_array
from scipy.sparse.linalg import spsolve

_FINER: Final = 8
"""Lags between two samples at which arrivals are correlated."""
_REACH: Final = 6
"""Shots before and after that are taken to disturb a shot."""
FREE: Final = 1e-6
"""Stiffness of a shot of which nothing is expected."""


@dataclass(frozen=True, eq=False)
class Fired:
    """Shots to be fitted."""

    window: NDArray[np.float64]
    """(shot,): Begin of each one's window in samples of the record."""
    source_row: NDArray[np.int64]
    """(shot,): Source of each."""
    expected: NDArray[np.float64]
    """(shot,): Amplitude that is expected: 1, or 0 of a shot that is marked as a misfire."""
    origin: NDArray[np.float64]
    """(shot,): Where the window should begin."""
    slack: NDArray[np.float64]
    """(shot,): Deviation of fire times from those of the table, in samples; infinite for a shot
    whose time is not known."""
    stiffness: NDArray[np.float64]
    """(shot,): How firmly the amplitude is expected: squared ratio of the deviation that noise
    leaves in an amplitude to that of amplitudes from shot to shot."""

    def take(self, rows: NDArray[np.int64] | NDArray[np.bool_]) -> Fired:
        """Some shots, in the order of `rows`."""
        return Fired(
            self.window[rows],
            self.source_row[rows],
            self.expected[rows],
            self.origin[rows],
            self.slack[rows],
            self.stiffness[rows],
        )

    def with_further(
        self,
        window: NDArray[np.float64] | float,
        source_row: NDArray[np.int64] | int,
        stiffness: NDArray[np.float64] | float,
    ) -> Fired:
        """These shots and further ones, whose times and amplitudes are open."""
        count = np.size(window)
        return Fired(
            np.append(self.window, window),
            np.append(self.source_row, source_row),
            np.append(self.expected, np.ones(count)),
            np.append(self.origin, window),
            np.append(self.slack, np.full(count, np.inf)),
            np.append(self.stiffness, stiffness),
        )


@dataclass(frozen=True, eq=False)
class AmplitudeFit:
    """Result of the least squares."""

    fitted: NDArray[np.float64]
    """(shot,): Amplitudes that explain the record, as near to those expected as it allows."""
    alone: NDArray[np.float64]
    """(shot,): Amplitude of each shot if nothing were expected of it, but of the others."""
    wider: NDArray[np.float64]
    """(shot,): How much more `alone` scatters than for a shot by itself: 1 or above."""
    gain: NDArray[np.float64]
    """(shot,): What more would be explained then: energy, in units of a usual arrival."""
    penalty: NDArray[np.float64]
    """(shot,): Of an amplitude that is not as expected, in energy of the record."""


@dataclass(frozen=True, eq=False)
class UsualArrivals:
    """The usual arrival of each source and how they resemble each other."""

    form: NDArray[np.float64]
    """(source, channel, time): The arrivals."""
    likeness: NDArray[np.float64]
    """(source, source, lag): Correlation over channels of one arrival with another that comes later
    by the lag."""
    energy: NDArray[np.float64]
    """(source,): Of each arrival, never zero."""

    @property
    def length(self) -> int:
        """Samples of a window."""
        return int(self.form.shape[2])

    def correlation(
        self, one: NDArray[np.int64], other: NDArray[np.int64], later: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Of arrivals of sources `one` with those of `other` that begin `later` samples later."""
        middle = self.likeness.shape[2] // 2
        place = np.rint(later * _FINER).astype(np.int64) + middle
        inside = (place >= 0) & (place < self.likeness.shape[2])
        values = self.likeness[one, other, np.where(inside, place, 0)]
        return np.asarray(np.where(inside, values, 0.0), dtype=np.float64)


def usual_arrivals(form: NDArray[np.float64]) -> UsualArrivals:
    """Correlate the usual arrivals, shape (source, channel, time), at lags finer than a sample."""
    length = form.shape[2]
    padded = next_fast_len(2 * length, real=True)
    spectra = rfft(form, padded, axis=2)
    cross = np.einsum("icf,jcf->ijf", spectra, np.conj(spectra))
    if padded % 2 == 0:
        # The highest frequency stands for two once more frequencies follow.
        cross[:, :, -1] *= 0.5
    fine = irfft(cross, padded * _FINER, axis=2) * _FINER
    reach = (length - 1) * _FINER
    likeness = np.concatenate([fine[:, :, -reach:], fine[:, :, : reach + 1]], axis=2)
    energy = np.einsum("sct,sct->s", form, form)
    return UsualArrivals(form, likeness, energy + np.finfo(np.float64).tiny)


def fit_amplitudes(
    gathers: NDArray[np.float64], usual: UsualArrivals, fired: Fired
) -> AmplitudeFit:
    """Fit all shots to `gathers`, the record in the window of each: (shot, channel, time)."""
    energy = usual.energy[fired.source_row]
    stiff = fired.stiffness * energy
    projected = np.einsum("sct,sct->s", gathers, usual.form[fired.source_row])
    wanted = projected + stiff * fired.expected
    if len(energy) <= 2 * _REACH + 1:
        near, inverses = _inverses(usual, fired, np.arange(len(energy)))
        inverse = inverses[0] if len(near) else np.zeros((0, 0))
        fitted, precision = inverse @ wanted, 1.0 / np.diagonal(inverse)
    else:
        normal = csc_matrix(_normal(usual, fired) + diags_array(stiff))
        fitted = np.asarray(spsolve(normal, wanted)).reshape(len(energy))
        precision = 1.0 / _own_variance(usual, fired)
    # Without its own expectation, by the rule of a change of rank one.
    freely = np.maximum(precision - stiff, FREE * energy)
    more = (fitted - fired.expected) * stiff / freely
    return AmplitudeFit(
        fitted=fitted,
        alone=fitted + more,
        wider=np.sqrt(np.maximum(energy / freely, 1.0)),
        gain=(fitted - fired.expected) * (fitted + more - fired.expected) * stiff / energy,
        penalty=stiff * (fitted - fired.expected) ** 2,
    )


def _normal(usual: UsualArrivals, fired: Fired) -> csc_matrix:
    """Correlation of the arrivals of every two shots where they lie."""
    order = np.argsort(fired.window, kind="stable")
    window = fired.window[order]
    last = np.searchsorted(window, window + usual.length, side="left")
    first, second = [], []
    for step in range(1, int((last - np.arange(len(window))).max(initial=1))):
        pairs = np.flatnonzero(np.arange(len(window)) + step < last)
        first.append(order[pairs])
        second.append(order[pairs + step])
    count = len(window)
    diagonal = usual.energy[fired.source_row]
    if not first:
        return csc_matrix(diags_array(diagonal))
    one, other = np.concatenate(first), np.concatenate(second)
    values = usual.correlation(
        fired.source_row[one], fired.source_row[other], fired.window[other] - fired.window[one]
    )
    upper = csc_matrix((values, (one, other)), shape=(count, count))
    return csc_matrix(upper + upper.T + diags_array(diagonal))


def _blocks(count: int) -> NDArray[np.int64]:
    """Positions about each position in the order of time, shape (count, 2 * reach + 1).

    At the ends they are shifted inwards; with few shots all positions are there.
    """
    width = min(2 * _REACH + 1, count)
    begin = np.clip(np.arange(count) - _REACH, 0, count - width)
    return np.asarray(begin[:, None] + np.arange(width))


def _inverses(
    usual: UsualArrivals, fired: Fired, order: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Shots about each shot in the order of time, and the inverse of their normal equations."""
    near = order[_blocks(len(order))]
    source, window = fired.source_row[near], fired.window[near]
    normal = usual.correlation(
        source[:, :, None], source[:, None, :], window[:, None, :] - window[:, :, None]
    )
    own = np.arange(near.shape[1])
    energy = usual.energy[source]
    normal[:, own, own] = energy * (1.0 + fired.stiffness[near])
    return near, np.asarray(np.linalg.inv(normal))


def _own_variance(usual: UsualArrivals, fired: Fired) -> NDArray[np.float64]:
    """Diagonal of the inverse of the normal equations, shot by shot."""
    order = np.argsort(fired.window, kind="stable")
    near, inverse = _inverses(usual, fired, order)
    own = (near == order[:, None]).argmax(axis=1)
    out = np.empty(len(order))
    out[order] = inverse[np.arange(len(order)), own, own]
    return out


def independent_energy(usual: UsualArrivals, fired: Fired, count: int) -> NDArray[np.float64]:
    """Energy of a further arrival that begins at each of `count` samples, (source, time).

    Only what the fitted shots cannot take up counts.
    """
    out = np.repeat(usual.energy[:, None], count, axis=1)
    order = np.argsort(fired.window, kind="stable")
    near, inverse = _inverses(usual, fired, order)
    window = fired.window[order]
    between = np.concatenate([[-np.inf], 0.5 * (window[1:] + window[:-1]), [np.inf]])
    sources = np.arange(len(usual.energy))
    for place, own in enumerate(window):
        begin = max(0.0, own - usual.length, np.ceil(between[place]))
        end = min(float(count), own + usual.length, np.ceil(between[place + 1]))
        at = np.arange(begin, end)
        if not at.size:
            continue
        shots = near[place]
        shared = usual.correlation(
            sources[:, None, None],
            fired.source_row[shots][None, None, :],
            fired.window[shots][None, None, :] - at[None, :, None],
        )
        taken = ((shared @ inverse[place]) * shared).sum(axis=2)
        out[:, at.astype(np.int64)] -= taken
    return out
