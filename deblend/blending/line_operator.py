"""The blending of a line as a linear operator of SciPy, for its solvers and those of others."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import DTypeLike, NDArray
from scipy.sparse.linalg import LinearOperator

from deblend.blending.operator import (
    BlendingOperator,
    check_same_scale,
    length_in_samples,
    record_operator,
)
from deblend.errors import InputError
from deblend.model.gathers import make_gathers, make_record
from deblend.model.recording import Recording
from deblend.model.shots import Shots

if TYPE_CHECKING:
    import xarray

GATHERS = ("shot", "channel", "time")
RECORD = ("channel", "time")
Labels = Callable[[NDArray[np.floating]], "xarray.DataArray"]


def operator_of(
    recording: Recording, shots: Shots, length_s: float, *, dtype: DTypeLike = np.float64
) -> LineOperator:
    """Blending operator of a recording and a table of shots.

    Parameters
    ----------
    recording : Recording
        Its samples are not read.
    shots : Shots
        Every shot whose energy is in the record.
    length_s : float
        Length of a gather trace in seconds.
    dtype : {float64, float32}, optional
        Type to compute in.

    Returns
    -------
    LineOperator
        A `scipy.sparse.linalg.LinearOperator`.

    Raises
    ------
    InputError
        If the type is another one, or the length does not fit.
    TimeError
        If shots and recording are in different time scales.

    Examples
    --------
    Least squares, which fits the record and separates nothing by itself:

    >>> import deblend
    >>> from scipy.sparse.linalg import lsqr
    >>> line = deblend.make_scene("two-sources")
    >>> operator = deblend.operator_of(line.recording, line.shots, line.length_s)
    >>> record = operator @ line.gathers
    >>> gathers = lsqr(operator, record.ravel(), iter_lim=3)[0].reshape(line.gathers.shape)
    """
    if np.dtype(dtype) not in (np.float32, np.float64):
        raise InputError(f"dtype is {np.dtype(dtype)}", remedy="Give float32 or float64.")
    check_same_scale(recording, shots)
    length = length_in_samples(length_s, recording)
    return LineOperator(record_operator(recording, shots, length, dtype=dtype), recording, shots)


class LineOperator(LinearOperator):
    """Gathers to record: ``A @ gathers``; ``A.H`` and ``A.T``, its exact adjoint, cut gathers.

    It takes vectors and matrices as SciPy has them, gathers (shot, channel, time) and records
    (channel, time) as arrays, and both with labels (xarray). It returns the same kind. Shots that
    are not live blend to nothing, and come back as zeros.
    """

    def __init__(self, blending: BlendingOperator, recording: Recording, shots: Shots) -> None:
        self.blending = blending
        self.gathers_shape = (len(shots), recording.shape[0], blending.length)
        """(shot, channel, time)."""
        self.record_shape = recording.shape
        """(channel, time)."""
        self._recording, self._shots = recording, shots
        sizes = int(np.prod(self.record_shape)), int(np.prod(self.gathers_shape))
        super().__init__(blending.dtype, sizes)  # type: ignore[call-arg]

    def label_gathers(self, amplitude: NDArray[np.floating]) -> xarray.DataArray:
        """Gathers with their labels."""
        recording, shots = self._recording, self._shots
        return make_gathers(
            amplitude,
            shots,
            recording.channel_numbers,
            recording.interval_s,
            kind="pseudo-deblended",
            live=shots.live,
            amplitude_unit=recording.amplitude_unit,
        )

    def label_record(self, samples: NDArray[np.floating]) -> xarray.DataArray:
        """A record with its labels."""
        return make_record(samples, self._recording)

    def blend(self, gathers: NDArray[Any]) -> NDArray[np.floating]:
        """Record (channel, time) of gathers (shot, channel, time)."""
        return np.asarray(self.blending.blend(np.asarray(gathers, self.dtype)))

    def pseudo_deblend(self, record: NDArray[Any]) -> NDArray[np.floating]:
        """Gathers (shot, channel, time) of a record (channel, time)."""
        return np.asarray(self.blending.pseudo_deblend(np.asarray(record, self.dtype)))

    def dot(self, x: Any) -> Any:
        """Product with a vector, a matrix, or gathers with or without labels."""
        return _applied(x, GATHERS, self.gathers_shape, self.blend, self.label_record, super().dot)

    def _matvec(self, x: NDArray[Any]) -> NDArray[np.floating]:
        _check_type(x)
        return self.blend(x.reshape(self.gathers_shape)).ravel()

    def _rmatvec(self, x: NDArray[Any]) -> NDArray[np.floating]:
        _check_type(x)
        return self.pseudo_deblend(x.reshape(self.record_shape)).ravel()

    def _adjoint(self) -> AdjointOperator:
        return AdjointOperator(self)

    _transpose = _adjoint


class AdjointOperator(LinearOperator):
    """Record to gathers: what ``A.H`` and ``A.T`` of a `LineOperator` are."""

    def __init__(self, operator: LineOperator) -> None:
        self._operator = operator
        super().__init__(operator.dtype, operator.shape[::-1])  # type: ignore[call-arg]

    def dot(self, x: Any) -> Any:
        """Product with a vector, a matrix, or a record with or without labels."""
        one = self._operator
        return _applied(
            x, RECORD, one.record_shape, one.pseudo_deblend, one.label_gathers, super().dot
        )

    def _matvec(self, x: NDArray[Any]) -> NDArray[np.floating]:
        return self._operator._rmatvec(x)

    def _rmatvec(self, x: NDArray[Any]) -> NDArray[np.floating]:
        return self._operator._matvec(x)

    def _adjoint(self) -> LineOperator:
        return self._operator

    _transpose = _adjoint


def _applied(
    x: Any,
    dims: tuple[str, ...],
    shape: tuple[int, ...],
    apply: Callable[[NDArray[Any]], NDArray[np.floating]],
    label: Labels,
    otherwise: Callable[[Any], Any],
) -> Any:
    """A product by what it is asked of: labels, an array of the line, or anything of SciPy's."""
    labelled = hasattr(x, "dims")
    if not labelled and not (isinstance(x, np.ndarray) and (x.shape == shape or x.ndim > 2)):
        return otherwise(x)
    if labelled:
        if set(x.dims) != set(dims):
            raise InputError(f"dimensions are {x.dims}", remedy=f"Give {dims}.")
        x = x.transpose(*dims)
    values = np.asarray(x)
    if values.shape != shape:
        raise InputError(
            f"an array has shape {values.shape}", remedy=f"Give {dims}, which are {shape}."
        )
    _check_type(values)
    if not np.isfinite(values).all():
        raise InputError(
            "an array holds NaN or infinite samples",
            remedy="Put zeros where samples are unknown, and leave them out of the residual.",
        )
    made = apply(values)
    return label(made) if labelled else made


def _check_type(x: NDArray[Any]) -> None:
    if x.dtype.kind not in "fiu":
        raise InputError(
            f"an array is of type {x.dtype}", remedy="Give real numbers: float32 or float64."
        )
