"""What came back of injected events: amplitude and time by least squares, with error bars."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.inject.injected_events import EventGathers

Floats = NDArray[np.float64]
Gathers = NDArray[np.float32]

OFFSET_CLASSES: Final = 3
GROUP_SHOTS: Final = 16


@dataclass(frozen=True, eq=False)
class Response:
    """Normal equations of amplitude and time; add them over blocks of channels."""

    matrix: Floats
    """(group, offset class, 2 event, 2 event): Products of events and their derivatives with each
    other."""
    right: Floats
    """(group, offset class, 2 event): Their products with what came back."""

    def __add__(self, other: Response) -> Response:
        return Response(self.matrix + other.matrix, self.right + other.right)


@dataclass(frozen=True)
class Recovered:
    """One event of one source."""

    amplitude: float
    """Part that came back."""
    amplitude_error: float
    """Standard error over groups of shots; NaN for a single group."""
    time_s: float
    """How much later it came back."""
    time_error_s: float
    """Standard error over groups of shots."""


def shot_groups(rows: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Shots of a source in groups for error bars."""
    return np.array_split(rows, max(1, round(len(rows) / GROUP_SHOTS)))


def offset_classes(offset_m: Floats) -> NDArray[np.int64]:
    """Near, middle and far channels by mean offset, shape (channel,)."""
    distance = np.abs(offset_m).mean(axis=0)
    rank = np.argsort(np.argsort(distance, kind="stable"))
    return (rank * OFFSET_CLASSES // len(rank)).astype(np.int64)


def measure_response(
    difference: Gathers,
    added: EventGathers,
    rows: NDArray[np.int64],
    channels: range,
    classes: NDArray[np.int64],
) -> Response:
    """Fit each event of one source to what came back in a block of channels.

    Parameters
    ----------
    difference : ndarray of float32, shape (shot, channel, time)
        Estimate with events minus estimate without, of `rows`.
    rows : ndarray of int64, shape (shot,)
        Delivered shots of one source, in fire order.
    classes : ndarray of int64, shape (channel,)
        Offset class of every channel of the line.
    """
    groups = shot_groups(np.arange(len(rows)))
    size = 2 * len(added.events.time_s)
    matrix = np.zeros((len(groups), OFFSET_CLASSES, size, size))
    right = np.zeros((len(groups), OFFSET_CLASSES, size))
    for number, group in enumerate(groups):
        for index in group:
            wave, slope = added.parts(rows[index : index + 1], channels)
            design = np.concatenate([wave[0], slope[0]], axis=1)
            products = design @ design.transpose(0, 2, 1)
            found = np.einsum("cet,ct->ce", design, difference[index].astype(np.float64))
            np.add.at(matrix[number], classes[np.asarray(channels)], products)
            np.add.at(right[number], classes[np.asarray(channels)], found)
    return Response(matrix, right)


def recovered(response: Response, offset_class: int | None = None) -> list[Recovered]:
    """Amplitude and time of every event, over all offsets or one class of them.

    A pulse that comes back a times as strong and d later is a w(t - d), about a w - a d w'.
    """
    part = slice(None) if offset_class is None else slice(offset_class, offset_class + 1)
    matrix, right = response.matrix[:, part].sum(axis=1), response.right[:, part].sum(axis=1)
    count = right.shape[1] // 2
    whole = _solve(matrix.sum(axis=0), right.sum(axis=0))
    each = np.array([_solve(*pair) for pair in zip(matrix, right, strict=True)])
    out = []
    for event in range(count):
        amplitude, late = _amplitude_and_delay(whole, event, count)
        pairs = np.array([_amplitude_and_delay(solved, event, count) for solved in each])
        error = np.full(2, np.nan)
        if len(pairs) > 1:
            error = pairs.std(axis=0, ddof=1) / np.sqrt(len(pairs))
        out.append(Recovered(amplitude, float(error[0]), late, float(error[1])))
    return out


def _solve(matrix: Floats, right: Floats) -> Floats:
    """Least squares with every unknown scaled to the same size; NaN where an event is absent."""
    scale = np.sqrt(np.diag(matrix))
    there = scale > 0
    solved = np.full(len(right), np.nan)
    if there.any():
        unit = matrix[np.ix_(there, there)] / np.outer(scale[there], scale[there])
        solution = np.linalg.lstsq(unit, right[there] / scale[there], rcond=1e-6)[0]
        solved[there] = solution / scale[there]
    return solved


def _amplitude_and_delay(solved: Floats, event: int, count: int) -> tuple[float, float]:
    amplitude = float(solved[event])
    if not abs(amplitude) > 0.05:  # the time of what did not come back means nothing
        return amplitude, float("nan")
    return amplitude, float(-solved[count + event] / amplitude)
