"""How alike traces are: signal over error or noise, NRMS, predictability, shift."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from deblend.decibels import decibels, positive_decibels
from deblend.errors import InputError

Traces = NDArray[np.floating]
LEAST_NOISE: Final = 1e-3
"""Share of the signal below which noise is not told from nothing."""
LONGEST_SHIFT_S: Final = 0.1
"""Shifts of one line against the other are looked for so far either way."""


def snr_db(reference: Traces, estimate: Traces) -> float:
    """Energy of the reference over that of the error, ``10 log10(|m|^2 / |m - e|^2)`` [1]_ [2]_.

    inf where both are equal, NaN where the reference is zero.

    References
    ----------
    .. [1] G. Hennenfent and F. J. Herrmann, 2006, Seismic denoising with nonuniformly sampled
       curvelets, Computing in Science and Engineering 8(3), 16-25.
    .. [2] Y. Chen, S. Fomel and J. Hu, 2014, Iterative deblending of simultaneous-source seismic
       data using seislet-domain shaping regularization, Geophysics 79(5), V179-V189, equation 8.
    """
    reference, estimate = np.asarray(reference), np.asarray(estimate)
    _check_shapes(reference, estimate)
    whole = float(np.sum(np.square(reference, dtype=np.float64)))
    error = float(np.sum(np.square(np.subtract(reference, estimate, dtype=np.float64))))
    return -decibels(error, whole)


def nrms_percent(first: Traces, second: Traces) -> float:
    """Normalised rms of the difference [1]_: ``200 rms(a - b) / (rms(a) + rms(b))``, in per cent.

    The rms is taken over all samples together. 0 for equal traces, 141 for unrelated ones of equal
    rms, 200 for opposite ones; NaN where both are zero.

    References
    ----------
    .. [1] E. Kragh and P. Christie, 2002, Seismic repeatability, normalized rms, and
       predictability, The Leading Edge 21(7), 640-647.
    """
    _check_shapes(first, second)
    total = rms(first) + rms(second)
    if total == 0.0:
        return float("nan")
    return 200.0 * rms(np.subtract(first, second, dtype=np.float64)) / total


def predictability_percent(first: Traces, second: Traces, max_lag: int) -> float:
    """Predictability [1]_ in per cent: ``100 sum(phi_ab^2) / sum(phi_aa phi_bb)`` over the lags.

    phi are correlations without tapers and without division by the number of samples; sums run
    over all traces and over lags from -max_lag to max_lag, in samples, below the length of the
    traces. Another definition in circulation takes the square root; name this one beside the
    number. 100 where one is a filtered copy with a flat spectrum of the other (a factor), whatever
    its sign; NaN where a set is zero.

    References
    ----------
    .. [1] As of `nrms_percent`.
    """
    _check_shapes(first, second)
    length = first.shape[-1]
    if not 0 <= max_lag < length:
        raise InputError(
            f"a lag of {max_lag} samples does not fit traces of {length}",
            remedy="Give a lag from 0 to below the length.",
        )
    size = next_fast_len(2 * length, real=True)
    a, b = (rfft(np.asarray(part, np.float64), size, axis=-1) for part in (first, second))
    lags = np.r_[0 : max_lag + 1, size - max_lag : size]
    cross, own_a, own_b = (
        irfft(x * np.conj(y), size, axis=-1)[..., lags] for x, y in ((a, b), (a, a), (b, b))
    )
    whole = float(np.sum(own_a * own_b))
    return 100.0 * float(np.sum(cross**2)) / whole if whole != 0.0 else float("nan")


def shift_and_correlation(
    first: Traces, second: Traces, interval_s: float, longest_s: float = LONGEST_SHIFT_S
) -> tuple[float, float]:
    """How many seconds later the second traces are than the first, and how alike they are there.

    One shift for all traces that belong together, to a part of a sample, by a parabola through the
    largest correlation; NaN where one is zero. The correlation at that shift is normalised, and
    negative where polarities are opposite.
    """
    length = first.shape[1]
    padded = next_fast_len(2 * length, real=True)
    product = (np.conj(rfft(first, padded, axis=1)) * rfft(second, padded, axis=1)).sum(axis=0)
    energy = np.sqrt(np.prod([np.square(one, dtype=np.float64).sum() for one in (first, second)]))
    if not energy > 0.0:
        return float("nan"), float("nan")
    most = max(1, min(round(longest_s / interval_s), length - 1))
    values = irfft(product, padded).astype(np.float64) / energy
    values = np.concatenate([values[-most:], values[: most + 1]])
    best = int(np.abs(values).argmax())
    inner = min(max(best, 1), len(values) - 2)
    left, middle, right = values[inner - 1 : inner + 2]
    bend = left - 2.0 * middle + right
    part = 0.5 * (left - right) / bend if inner == best and bend else 0.0
    return (best + part - most) * interval_s, float(values[best])


def neighbour_snr_db(traces: Traces) -> float:
    """Signal over noise from the correlation r of neighbouring traces: 10 log10(r / (1 - r)).

    Neighbours along the line hold the same signal and each its own noise. Dip, faults and moveout
    count as noise. NaN where fewer than two traces or no common signal is there.
    """
    window = traces[np.any(traces, axis=1)].astype(np.float64)
    if len(window) < 2:
        return float("nan")
    signal = float(np.sum(window[:-1] * window[1:]))
    noise = 0.5 * float(np.sum(window[:-1] ** 2) + np.sum(window[1:] ** 2)) - signal
    return positive_decibels(signal, noise)


@dataclass(frozen=True)
class SignalNoise:
    """Energies of the traces of a section."""

    signal: float
    noise: float

    @property
    def snr_db(self) -> float:
        """Signal over noise; noise counts as a thousandth of the signal at least."""
        return positive_decibels(self.signal, max(self.noise, LEAST_NOISE * self.signal))


def signal_and_noise(first: Traces, second: Traces) -> tuple[SignalNoise, SignalNoise] | None:
    """Signal and noise of two sections over one earth, dip, faults and moveout counted as signal.

    The correlation of neighbours is that of the signal, times its share of the energy. The noise of
    the two is unrelated, so that the first is read from neighbours in different sections. None
    where they have nothing in common.
    """
    a, b = (np.asarray(part, np.float64) for part in (first, second))
    if len(a) < 2:
        return None
    same = 0.5 * float(np.sum(a[:-1] * b[:-1]) + np.sum(a[1:] * b[1:]))
    beside = 0.5 * float(np.sum(a[:-1] * b[1:]) + np.sum(a[1:] * b[:-1]))
    if not (same and beside / same > 0.0):
        return None
    alike = min(1.0, beside / same)
    found = []
    for part in (a, b):
        signal = float(np.sum(part[:-1] * part[1:])) / alike
        whole = 0.5 * float(np.sum(part[:-1] ** 2) + np.sum(part[1:] ** 2))
        found.append(SignalNoise(signal, max(0.0, whole - signal)))
    return found[0], found[1]


def rms(samples: Traces) -> float:
    """Root mean square of all samples together; 0 of none."""
    return float(np.sqrt(np.mean(np.square(samples, dtype=np.float64)))) if samples.size else 0.0


def _check_shapes(first: Traces, second: Traces) -> None:
    if first.shape != second.shape or first.size == 0:
        raise InputError(
            f"traces of shape {first.shape} and {second.shape} cannot be compared",
            remedy="Give two non-empty arrays of one shape.",
        )
