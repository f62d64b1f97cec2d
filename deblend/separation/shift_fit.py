r"""Shifts of all shots of a line at once, from what predicted shots leave of the record.

Other shots of its source predict each shot, and the derivative of the blended predictions with
regard to each fire time is known: it is the blended time derivative [1]_. With W the weights of the
prediction, P the predictions, :math:`\dot P` their derivatives and :math:`\Gamma` the blending
operator, the shifts :math:`\delta` of all shots, late positive, are the least-squares solution of

.. math:: d - \Gamma P \approx -\Gamma \dot P (I - W) \delta ,

so that a shot which overlaps others is not charged with their errors. Predictions stand only where
shots resemble each other; elsewhere the present estimate does.

References
----------
.. [1] The first-order expansion of a delay is textbook matter (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.sparse.linalg import LinearOperator, cg

from deblend.arrays import Array, irfft, rfft, to_host
from deblend.blending.operator import BlendingOperator

_SMOOTH_S: Final = 0.036
_ALIKE: Final = 4.0
"""Where shots differ by so many times more than at best, measured as a delay, they count half."""
_WEAK: Final = 0.01
"""Of the strongest derivative; weaker samples do not show how alike shots are."""
_DOUBT: Final = 0.05
"""Standard deviation of a delay over that of a shift."""
_STEPS: Final = 60


def prediction_weights(slots: NDArray[np.int64], reach: int, degree: int) -> NDArray[np.float64]:
    """Weights with which other shots predict each shot: a local polynomial along the line.

    Parameters
    ----------
    slots : ndarray of int64, shape (shot,)
        Places along the line, rising.
    reach : int
        Shots on either side; at the ends of the line as many in all.
    degree : int
        Of the polynomial: 0 where the earth does not change, 2 where it changes smoothly.

    Returns
    -------
    ndarray of float64, shape (shot, shot)
        Rows add up to one; zero on the diagonal.
    """
    count = len(slots)
    weights = np.zeros((count, count))
    for place in range(count):
        first = min(max(place - reach, 0), max(count - 2 * reach - 1, 0))
        near = np.arange(first, min(first + 2 * reach + 1, count))
        near = near[near != place]
        distance = (slots[near] - slots[place]) / (2.0 * reach)
        basis = distance[:, None] ** np.arange(degree + 1)
        weights[place, near] = np.linalg.pinv(basis)[0]
    return weights


@dataclass(frozen=True, eq=False)
class Predictor:
    """How the shots of one source are predicted."""

    places: NDArray[np.int64]
    """(shot,): The shots among those of the operator."""
    weights: NDArray[np.float64]
    """(shot, shot): As of `prediction_weights`."""

    def of(self, gathers: NDArray[np.float32]) -> NDArray[np.float32]:
        """Predictions of gathers (shot, channel, time) of this source."""
        return np.tensordot(self.weights.astype(np.float32), gathers, axes=1)


def alike(
    own: NDArray[np.float32],
    predicted: NDArray[np.float32],
    derivative: NDArray[np.float32],
    interval_s: float,
) -> NDArray[np.float32]:
    """Where shots resemble their predictions, from 0 to 1, shape (channel, time).

    What differs is measured as a delay: the rms of the misfit over that of the derivative. Wrong
    times differ by their error everywhere, arrivals that change along the line by more. The edge is
    steep: where shots are half alike, what the estimate has not taken up counts too much.
    """
    size = max(1, round(_SMOOTH_S / interval_s))
    misfit = _smooth_power(own - predicted, size)
    slope = _smooth_power(derivative, size)
    strong = slope > _WEAK * slope.max(initial=0.0)
    if not strong.any():
        return np.zeros(slope.shape, dtype=np.float32)
    delay = misfit / np.maximum(slope, 1e-30 * slope.max())
    best = max(float(delay[strong].min()), 1e-30)
    return np.asarray(1 / (1 + (delay / (_ALIKE**2 * best)) ** 2), dtype=np.float32)


def _smooth_power(gathers: NDArray[np.float32], size: int) -> NDArray[np.float64]:
    """Mean square over shots, smoothed along time."""
    power = np.mean(np.square(gathers), axis=0, dtype=np.float64)
    return np.asarray(uniform_filter1d(power, size, axis=-1, mode="constant"))


def time_derivative(gathers: NDArray[np.float32], interval_s: float) -> NDArray[np.float32]:
    """Derivative by spectra, per second; traces are taken to be zero beyond their ends."""
    length = gathers.shape[-1]
    size = 2 * length
    spectrum = rfft(np, gathers, size)
    omega = 2j * np.pi * np.arange(spectrum.shape[-1]) / (size * interval_s)
    omega[-1] = 0  # no derivative at the Nyquist frequency
    return np.asarray(irfft(np, spectrum * omega.astype(np.complex64), size)[..., :length])


@dataclass(frozen=True, eq=False)
class Predicted:
    """Predictions of all shots, where they stand."""

    gathers: NDArray[np.float32]
    """(shot, channel, time): Prediction where shots are alike, estimate elsewhere."""
    derivative: NDArray[np.float32]
    """(shot, channel, time): Of the prediction, likewise; zero for shots that are not predicted."""


def predict(
    own: NDArray[np.float32],
    estimate: NDArray[np.float32],
    predictors: list[Predictor],
    interval_s: float,
) -> Predicted:
    """Predict the shots of all sources; all gathers have shape (shot, channel, time).

    `own` is the residual plus the own contribution of each shot, `estimate` the contribution alone.
    """
    gathers = estimate.copy()
    derivative = np.zeros_like(own)
    for predictor in predictors:
        some = own[predictor.places]
        predicted = predictor.of(some)
        slope = time_derivative(predicted, interval_s)
        part = alike(some, predicted, slope, interval_s)
        derivative[predictor.places] = part * slope
        gathers[predictor.places] += part * (predicted - gathers[predictor.places])
    return Predicted(gathers, derivative)


def fit_shifts(
    samples: Array,
    known: Array,
    operator: BlendingOperator,
    predicted: Predicted,
    predictors: list[Predictor],
) -> NDArray[np.float64]:
    """Shifts of all shots that explain best what the predictions leave of the record.

    Of shape (shot,): true time minus present one, in seconds; zero for what no prediction can see.

    Parameters
    ----------
    samples, known : array of float32, shape (channel, time)
        Record with zeros for unknown samples, and 1 where samples are known.
    predictors : list of Predictor
        One a source; shots that are in none get no shift.
    """
    xp = operator.xp
    slope = xp.asarray(predicted.derivative)
    count = len(predicted.derivative)

    def against(shift: NDArray[np.float64], *, adjoint: bool = False) -> NDArray[np.float64]:
        """Shift behind the prediction, which is shifted itself."""
        behind = np.zeros(count)
        for one in predictors:
            weights = one.weights.T if adjoint else one.weights
            behind[one.places] = shift[one.places] - weights @ shift[one.places]
        return behind

    def back(record: Array) -> NDArray[np.float64]:
        products = operator.pseudo_deblend(record * known) * slope
        total = np.asarray(to_host(xp.sum(products, axis=(1, 2), dtype=xp.float64)))
        return against(total, adjoint=True)

    power = np.asarray(np.sum(np.square(predicted.derivative), axis=(1, 2), dtype=np.float64))
    doubt = _DOUBT**2 * float(np.median(power[power > 0])) if (power > 0).any() else 1.0

    def normal(shift: NDArray[np.float64]) -> NDArray[np.float64]:
        behind = xp.asarray(against(shift.ravel()), dtype=operator.dtype)
        return back(operator.blend(behind[:, None, None] * slope)) + doubt * shift.ravel()

    unexplained = samples - operator.blend(xp.asarray(predicted.gathers))
    system = LinearOperator((count, count), matvec=normal, dtype=np.float64)
    shift, _ = cg(system, -back(unexplained), rtol=1e-3, maxiter=_STEPS)
    return np.asarray(shift)
