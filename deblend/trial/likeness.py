"""How alike two sets of traces are: signal-to-error ratio, NRMS, predictability."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from deblend.errors import InputError
from deblend.qc.residual import decibels

Traces = NDArray[np.floating]


def snr_db(reference: Traces, estimate: Traces) -> float:
    """Energy of the reference over the energy of the error: ``10 log10(|m|^2 / |m - e|^2)``.

    Parameters
    ----------
    reference, estimate : ndarray of float
        Of one shape.

    Returns
    -------
    float
        Decibels; inf where both are equal, NaN where the reference is zero.

    References
    ----------
    .. [1] G. Hennenfent and F. J. Herrmann, 2006, Seismic denoising with nonuniformly sampled
       curvelets, Computing in Science and Engineering 8(3), 16-25.
    .. [2] Y. Chen, S. Fomel and J. Hu, 2014, Iterative deblending of simultaneous-source seismic
       data using seislet-domain shaping regularization, Geophysics 79(5), V179-V189, equation 8.
    """
    _check_shapes(reference, estimate)
    whole = float(np.sum(np.square(reference, dtype=np.float64)))
    error = float(np.sum(np.square(np.subtract(reference, estimate, dtype=np.float64))))
    return -decibels(error, whole)


def nrms_percent(first: Traces, second: Traces) -> float:
    """Normalised rms of the difference: ``200 rms(a - b) / (rms(a) + rms(b))``.

    Parameters
    ----------
    first, second : ndarray of float
        Of one shape; the rms is taken over all samples together.

    Returns
    -------
    float
        Per cent: 0 for equal traces, 141 for unrelated ones of equal rms, 200 for opposite ones;
        NaN where both are zero.

    References
    ----------
    .. [1] E. Kragh and P. Christie, 2002, Seismic repeatability, normalized rms, and
       predictability, The Leading Edge 21(7), 640-647.
    """
    _check_shapes(first, second)
    total = _rms(first) + _rms(second)
    if total == 0.0:
        return float("nan")
    return 200.0 * _rms(np.subtract(first, second, dtype=np.float64)) / total


def predictability_percent(first: Traces, second: Traces, max_lag: int) -> float:
    """Predictability, as ``100 sum(phi_ab^2) / sum(phi_aa phi_bb)`` over the lags.

    phi are correlations without tapers and without division by the number of samples; sums run
    over all traces and over lags from -max_lag to max_lag. Another definition in circulation takes
    the square root; name this one beside the number.

    Parameters
    ----------
    first, second : ndarray of float, shape (..., time)
        Of one shape.
    max_lag : int
        In samples, below the length of the traces.

    Returns
    -------
    float
        Per cent: 100 where one is a filtered copy with a flat spectrum of the other (a factor),
        whatever its sign; NaN where a set is zero.

    References
    ----------
    .. [1] E. Kragh and P. Christie, 2002, Seismic repeatability, normalized rms, and
       predictability, The Leading Edge 21(7), 640-647.
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


def _rms(samples: Traces) -> float:
    return float(np.sqrt(np.mean(np.square(samples, dtype=np.float64))))


def _check_shapes(first: Traces, second: Traces) -> None:
    if first.shape != second.shape or first.size == 0:
        raise InputError(
            f"traces of shape {first.shape} and {second.shape} cannot be compared",
            remedy="Give two non-empty arrays of one shape.",
        )
