"""Compiled blending and its adjoint. Imported on first use.

Two channels of a shot are the real and the imaginary part of one complex trace, since a delay is a
real filter, and eight such traces, of one shot or of several, lie in the lanes of a vector
(`deblend.lanes`). The array form is in `operator`.
"""

from __future__ import annotations

from typing import Any, Final

import numba
import numpy as np

from deblend.arrays import Array
from deblend.lanes.columns import (
    ELEMENT,
    begins_of,
    lanes_from_rows,
    rows_from_lanes,
    transform_column,
)
from deblend.lanes.vectors import WIDTH, load, spread, store

_compile: Any = numba.njit(nogil=True, error_model="numpy", cache=True)
_once: Any = numba.njit(nogil=True, error_model="numpy", inline="always")
"""Called in one place and compiled with it: every unit that holds a transform costs it anew."""
_LANES: Final = tuple(range(WIDTH))
_NONE, _ONE = np.float32(0), np.float32(1)


@_compile  # type: ignore[untyped-decorator]
def blend_or_cut(
    gathers: Array, record: Array, weight: Array, cut: bool, pairs: Any, shots: Array,
    overlaps: Array, lead: int, steps: Any,
) -> None:  # fmt: skip
    """Add gathers to the record at their fire times, or cut them from it.

    Parameters
    ----------
    gathers : array of float32, shape (shot, channel, time)
        Contiguous.
    record : array of float32, shape (channel, time)
        Contiguous.
    weight : array of float32, shape (time,)
        What the samples of the record are multiplied by when they are cut.
    cut : bool
        Whether to cut.
    pairs : tuple of int
        First pair of channels, and the one after the last.
    shots : array of int64
        Shots to go through, one after the other.
    overlaps : array of int64, shape (shot, 3)
        First sample of the record that lies in the padded window of a shot, the one after the last,
        and the sample of the window where they begin.
    lead : int
        Sample of the padded window at which a trace begins.
    steps : DelaySteps
        Of all shots, backwards for a cut.
    """
    padded, each = steps.shape[0] * steps.shape[1], pairs[1] - pairs[0]
    work, rows = _room(steps), np.empty(2 * WIDTH * padded, dtype=np.float32)
    places = np.empty((2 * WIDTH, 2), dtype=np.int64)
    for begin in range(0, len(shots) * each, WIDTH):
        _place(begin, pairs, shots, len(record), places)
        _read(gathers, record, weight, cut, places, overlaps, lead, padded, rows)
        for lane in range(WIDTH):
            _put_phases(places[lane, 0], steps, lane, work)
        _delay(rows, steps, work)
        _write(gathers, record, cut, places, overlaps, lead, padded, rows)


@_once  # type: ignore[untyped-decorator]
def _place(begin: int, pairs: Any, shots: Array, channels: int, places: Array) -> None:
    """Shot and channel of the traces of a group; channel -1 where there is none.

    The real parts of all lanes come first.
    """
    places[:, 0], places[:, 1] = shots[0], -1
    each = pairs[1] - pairs[0]
    for lane in range(WIDTH):
        for part in range(2):
            channel = 2 * (pairs[0] + (begin + lane) % each) + part
            if begin + lane < len(shots) * each and channel < channels:
                places[part * WIDTH + lane, 0] = shots[(begin + lane) // each]
                places[part * WIDTH + lane, 1] = channel


@_once  # type: ignore[untyped-decorator]
def _read(
    gathers: Array, record: Array, weight: Array, cut: bool, places: Array, overlaps: Array,
    lead: int, padded: int, rows: Array,
) -> None:  # fmt: skip
    """Padded traces of a group, one after the other."""
    rows[:] = 0
    for number in range(2 * WIDTH):
        shot, channel = places[number, 0], places[number, 1]
        if channel < 0:
            continue
        row = rows[number * padded : (number + 1) * padded]
        if cut:
            begin, end, first = overlaps[shot, 0], overlaps[shot, 1], overlaps[shot, 2]
            trace, factor, part = record[channel, begin:end], weight[begin:end], row[first:]
            for k in range(len(trace)):
                part[k] = trace[k] * factor[k]
        else:
            trace, part = gathers[shot, channel], row[lead:]
            for k in range(len(trace)):
                part[k] = trace[k]


@_once  # type: ignore[untyped-decorator]
def _write(
    gathers: Array, record: Array, cut: bool, places: Array, overlaps: Array, lead: int,
    padded: int, rows: Array,
) -> None:  # fmt: skip
    """Traces of a group to where they belong."""
    for number in range(2 * WIDTH):
        shot, channel = places[number, 0], places[number, 1]
        if channel < 0:
            continue
        row = rows[number * padded : (number + 1) * padded]
        if cut:
            trace, part = gathers[shot, channel], row[lead:]
            for k in range(len(trace)):
                trace[k] = part[k]
        else:
            begin, end, first = overlaps[shot, 0], overlaps[shot, 1], overlaps[shot, 2]
            trace, part = record[channel, begin:end], row[first:]
            for k in range(len(trace)):
                trace[k] += part[k]


@_once  # type: ignore[untyped-decorator]
def _room(steps: Any) -> Any:
    """Room for complex traces, a transform and phases, and the weights after it."""
    down, along = steps.shape
    begin = (down * along + 2 * max(down, along) + down + 2 * along) * ELEMENT
    work = np.empty(begin + len(steps.weights), dtype=np.float32)
    for k in range(len(steps.weights)):  # a slice would compile a message about shapes
        work[begin + k] = steps.weights[k]
    return work


@_once  # type: ignore[untyped-decorator]
def _put_phases(shot: int, steps: Any, lane: int, work: Array) -> None:
    """Put the phases of a shot into a lane."""
    down, along = steps.shape
    begin = (down * along + 2 * max(down, along)) * ELEMENT + lane
    for k in range(down + 2 * along):
        work[begin + k * ELEMENT] = steps.phases[shot, k, 0]
        work[begin + k * ELEMENT + WIDTH] = steps.phases[shot, k, 1]


@_once  # type: ignore[untyped-decorator]
def _delay(rows: Array, steps: Any, work: Array) -> None:
    """Delay padded traces in place.

    A transform back is one forward with real and imaginary parts exchanged.
    """
    down, along = steps.shape
    padded = down * along
    room = padded * ELEMENT
    phases = room + 2 * max(down, along) * ELEMENT
    weights = phases + (down + 2 * along) * ELEMENT
    for back in range(2):
        for part in range(2):
            traces = begins_of(_LANES, padded, part * WIDTH * padded)
            if back:
                lanes = (1 - part) * WIDTH
                rows_from_lanes(work, lanes, _ONE / np.float32(padded), padded, rows, traces)
            else:
                lanes_from_rows(rows, traces, padded, work, part * WIDTH)
        if back:
            break
        for step in range(4):
            by_row = step in (1, 2)
            for line in range(down if by_row else along):
                begin = line * (along if by_row else 1) * ELEMENT
                turns = weights + steps.begins[2] + 2 * line * along
                if step == 1:
                    _turn(work, begin, along, turns)
                elif step == 2:
                    _shift(work, line, down, along, phases)
                transform_column(
                    work, begin, (1 if by_row else along) * ELEMENT, along if by_row else down,
                    _ONE, steps.along if by_row else steps.down,
                    weights + steps.begins[1 if by_row else 0], room,
                )  # fmt: skip
                if step == 2:
                    _turn(work, begin, along, turns)


@_once  # type: ignore[untyped-decorator]
def _turn(work: Array, begin: int, count: int, turns: int) -> None:
    """Multiply elements by their turns between rows and columns."""
    for k in range(count):
        a, b = spread(work[turns + 2 * k]), spread(work[turns + 2 * k + 1])
        at = begin + k * ELEMENT
        real, imaginary = load(work, at), load(work, at + WIDTH)
        store(work, at, real * a - imaginary * b)
        store(work, at + WIDTH, real * b + imaginary * a)


@_once  # type: ignore[untyped-decorator]
def _shift(work: Array, row: int, down: int, along: int, phases: int) -> None:
    """Multiply the frequencies of a row by the transfer function; exchange the parts."""
    pr, pi = load(work, phases + row * ELEMENT), load(work, phases + row * ELEMENT + WIDTH)
    for k in range(along):
        twice = 2 * (row + down * k)
        other = phases + (down + k + (along if twice > down * along else 0)) * ELEMENT
        qr, qi = load(work, other), load(work, other + WIDTH)
        a, b = pr * qr - pi * qi, pr * qi + pi * qr
        if twice == down * along:  # a real signal can carry no other phase
            b = spread(_NONE)
        at = (row * along + k) * ELEMENT
        real, imaginary = load(work, at), load(work, at + WIDTH)
        store(work, at, real * b + imaginary * a)
        store(work, at + WIDTH, real * a - imaginary * b)
