"""Compiled blending and its adjoint. Imported on first use.

Traces of two shots are the real and the imaginary part of one complex trace, and eight such traces,
mostly of eight channels, lie in the lanes of a vector (`deblend.vector_transforms`). No channel is
paired with another one, so that each comes out the same, bit for bit, whichever others are
there. The array form is in `operator`.
"""

from __future__ import annotations

from typing import Any, Final

import numba
import numpy as np

from deblend.arrays import Array
from deblend.compiled import compiler
from deblend.vector_transforms.columns import (
    ELEMENT,
    begins_of,
    lanes_from_rows,
    rows_from_lanes,
    transform_column,
)
from deblend.vector_transforms.vectors import WIDTH, load, spread, store

_compile: Any = compiler(nogil=True, error_model="numpy")
_once: Any = numba.njit(nogil=True, error_model="numpy", inline="always")
"""Called in one place and compiled with it: every unit that holds a transform is compiled again."""
_LANES: Final = tuple(range(WIDTH))
_NONE, _ONE, _HALF = np.float32(0), np.float32(1), np.float32(0.5)


@_compile  # type: ignore[untyped-decorator]
def blend_or_cut(
    gathers: Array, record: Array, weight: Array, cut: bool, part: Any, shots: Array,
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
    part : tuple of int
        First channel to go through, and the one after the last.
    shots : array of int64
        Shots to go through, one after the other.
    overlaps : array of int64, shape (shot, 3)
        First sample of the record that lies in the padded window of a shot, the one after the last,
        and the sample of the window where they begin.
    lead : int
        Sample of the padded window at which a trace begins.
    """
    padded, count = steps.shape[0] * steps.shape[1], (len(shots) + 1) // 2 * (part[1] - part[0])
    scratch, rows = _room(steps), np.empty(2 * WIDTH * padded, dtype=np.float32)
    places = np.empty((2 * WIDTH, 2), dtype=np.int64)
    for begin in range(0, count, WIDTH):
        _place(begin, count, part, shots, places)
        _read(gathers, record, weight, cut, places, overlaps, lead, padded, rows)
        for number in range(2 * WIDTH):
            _put_phases(places[number, 0], steps, number, scratch)
        _delay(rows, steps, scratch)
        _write(gathers, record, cut, places, overlaps, lead, padded, rows)


@_once  # type: ignore[untyped-decorator]
def _place(begin: int, count: int, part: Any, shots: Array, places: Array) -> None:
    """Shot and channel of the traces of a group, lane after lane; channel -1 where there is none.

    The two shots of a lane follow each other, as all that are added to a channel do.
    """
    each = part[1] - part[0]
    for lane in range(WIDTH):
        pair, channel = (begin + lane) // each, part[0] + (begin + lane) % each
        for number in range(2):
            shot, place = 2 * pair + number, 2 * lane + number
            there = begin + lane < count and shot < len(shots)
            places[place, 0] = shots[shot if there else 0]
            places[place, 1] = channel if there else -1


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
    begin = (down * along + 2 * max(down, along) + 2 * (down + along)) * ELEMENT
    scratch = np.empty(begin + len(steps.weights), dtype=np.float32)
    for k in range(len(steps.weights)):  # a slice would compile a message about shapes
        scratch[begin + k] = steps.weights[k]
    return scratch


@_once  # type: ignore[untyped-decorator]
def _put_phases(shot: int, steps: Any, number: int, scratch: Array) -> None:
    """Put the phases of a shot where the trace of that number in the group has them."""
    down, along = steps.shape
    first = down * along + 2 * max(down, along) + number % 2 * (down + along)
    for k in range(down + along):
        at = (first + k) * ELEMENT + number // 2
        scratch[at] = steps.phases[shot, k, 0]
        scratch[at + WIDTH] = steps.phases[shot, k, 1]


@_once  # type: ignore[untyped-decorator]
def _delay(rows: Array, steps: Any, scratch: Array) -> None:
    """Delay padded traces in place.

    A transform back is one forward with real and imaginary parts exchanged.
    """
    down, along = steps.shape
    padded = down * along
    room = padded * ELEMENT
    phases = room + 2 * max(down, along) * ELEMENT
    weights = phases + 2 * (down + along) * ELEMENT
    for number in range(2):
        traces = begins_of(_LANES, 2 * padded, number * padded)
        lanes_from_rows(rows, traces, padded, scratch, number * WIDTH)
    for step in range(4):
        by_row = step in (1, 2)
        if step == 2:
            _shift(scratch, down, along, phases)
        for line in range(down if by_row else along):
            begin = line * (along if by_row else 1) * ELEMENT
            turns = weights + steps.begins[2] + 2 * line * along
            if step == 1:
                _turn(scratch, begin, along, turns)
            transform_column(
                scratch, begin, (1 if by_row else along) * ELEMENT, along if by_row else down,
                _ONE, steps.along if by_row else steps.down,
                weights + steps.begins[1 if by_row else 0], room,
            )  # fmt: skip
            if step == 2:
                _turn(scratch, begin, along, turns)
    for number in range(2):
        traces = begins_of(_LANES, 2 * padded, number * padded)
        lanes = (1 - number) * WIDTH
        rows_from_lanes(scratch, lanes, _ONE / np.float32(padded), padded, rows, traces)


@_once  # type: ignore[untyped-decorator]
def _turn(scratch: Array, begin: int, count: int, turns: int) -> None:
    """Multiply elements by their turns between rows and columns."""
    for k in range(count):
        a, b = spread(scratch[turns + 2 * k]), spread(scratch[turns + 2 * k + 1])
        at = begin + k * ELEMENT
        real, imaginary = load(scratch, at), load(scratch, at + WIDTH)
        store(scratch, at, real * a - imaginary * b)
        store(scratch, at + WIDTH, real * b + imaginary * a)


@_once  # type: ignore[untyped-decorator]
def _shift(scratch: Array, down: int, along: int, phases: int) -> None:
    """Multiply the spectra of both traces by their transfer functions; exchange the parts.

    The spectrum z of two real traces with the transfer functions f and g becomes, with that of the
    negative frequency, z (f + g) / 2 + conj(z of the negative one) (f - g) / 2.
    """
    half, none, other = spread(_HALF), spread(_NONE), (down + along) * ELEMENT
    for i in range(down):
        p = phases + i * ELEMENT
        first = ((down - i) * along + along - 1 if i else along) * ELEMENT
        for j in range((down * along // 2 - i) // down + 1):
            q = phases + (down + j) * ELEMENT
            ar, ai = _product(scratch, p, q)
            br, bi = _product(scratch, p + other, q + other)
            if 2 * (i + down * j) == down * along:  # a real signal can carry no other phase
                ai, bi = none, none
            sr, si, dr, di = (ar + br) * half, (ai + bi) * half, (ar - br) * half, (ai - bi) * half
            at = (i * along + j) * ELEMENT
            mirrored = first - j * ELEMENT if i + j else 0
            xr, xi = load(scratch, at), load(scratch, at + WIDTH)
            yr, yi = load(scratch, mirrored), load(scratch, mirrored + WIDTH)
            store(scratch, at, sr * xi + si * xr + di * yr - dr * yi)
            store(scratch, at + WIDTH, sr * xr - si * xi + dr * yr + di * yi)
            store(scratch, mirrored, sr * yi - si * yr - di * xr - dr * xi)
            store(scratch, mirrored + WIDTH, sr * yr + si * yi + dr * xr - di * xi)


@_once  # type: ignore[untyped-decorator]
def _product(scratch: Array, one: int, other: int) -> Any:
    """Real and imaginary part of the product of two elements."""
    ar, ai = load(scratch, one), load(scratch, one + WIDTH)
    br, bi = load(scratch, other), load(scratch, other + WIDTH)
    return ar * br - ai * bi, ar * bi + ai * br
