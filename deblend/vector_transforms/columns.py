"""Compiled Fourier transforms of short columns, eight of them side by side.

A column has n complex elements; an element is the real parts of eight columns and then their
imaginary parts, 16 float32. Any n; fast where it is a product of 2, 3, 4 and 5. Stockham's order of
the steps needs no reversal of digits. Imported on first use.
"""

from __future__ import annotations

from typing import Any, Final

import numba
import numpy as np
from numpy.typing import NDArray

from deblend.arrays import Array
from deblend.compiled import compiler
from deblend.vector_transforms.vectors import WIDTH, load, spread, store, transposed

ELEMENT: Final = 2 * WIDTH
"""Numbers of an element."""
_FAST: Final = (4, 2, 3, 5)
_compile: Any = compiler(nogil=True, error_model="numpy")
_inside: Any = numba.njit(nogil=True, error_model="numpy", forceinline=True)
"""Part of what calls it: handing over arrays takes longer than a few sums."""
_HALF, _SINE_3 = np.float32(0.5), np.float32(np.sin(2 * np.pi / 3))
_COSINE_5, _SINE_5 = np.float32(np.cos(0.4 * np.pi)), np.float32(np.sin(0.4 * np.pi))
_COSINE_25, _SINE_25 = np.float32(np.cos(0.8 * np.pi)), np.float32(np.sin(0.8 * np.pi))


def steps_of(length: int, sign: int) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Factors of a transform, and the weights that its steps take one after the other.

    The transform has sign 1, its inverse, which is not normalised, -1. Weights of each step are for
    each part of a column the complex ones of its outputs; for factors that are none of the fast
    ones also the complex roots of one.
    """
    factors, left = [], length
    for factor in (*_FAST, *range(7, length + 1)):
        while left % factor == 0:
            factors.append(factor)
            left //= factor
    weights, left = [np.empty(0, np.complex128)], length
    for factor in factors:
        part, output = np.mgrid[0 : left // factor, 0:factor]
        weights.append(np.exp(-2j * np.pi * sign * part * output / left).ravel())
        if factor not in _FAST:
            weights.append(np.exp(-2j * np.pi * sign * np.arange(factor) / factor))
        left //= factor
    joined = np.concatenate(weights).astype(np.complex64).view(np.float32)
    return np.array(factors, dtype=np.int64), joined


@_compile  # type: ignore[untyped-decorator]
def transform_column(
    scratch: Array, begin: int, step: int, length: int, sign: Any, factors: Array, weights: int,
    room: int,
) -> None:  # fmt: skip
    """Transform the column of `length` elements at `begin` of `scratch`, `step` numbers apart.

    In place. `sign` is 1 or -1 as float32; the weights begin at `weights` of `scratch`, and from
    `room` on twice the numbers of a column are overwritten.
    """
    last = len(factors) - 1
    left, done = length, 1
    x, x_step = begin, step
    for number in range(last + 1):
        factor = factors[number]
        left //= factor
        if number == last and number > 0:
            y, y_step = begin, step
        else:
            y, y_step = room + number % 2 * length * ELEMENT, ELEMENT
        _step(scratch, x, x_step, y, y_step, factor, left, done, weights, sign)
        weights += 2 * factor * left + (2 * factor if factor > 5 else 0)
        done *= factor
        x, x_step = y, y_step
    if last == 0:
        for k in range(length):
            for part in (0, WIDTH):
                store(scratch, begin + k * step + part, load(scratch, room + k * ELEMENT + part))


@_inside  # type: ignore[untyped-decorator]
def _step(
    scratch: Array, x: int, x_step: int, y: int, y_step: int,
    factor: int, parts: int, done: int, w: int, sign: Any,
) -> None:  # fmt: skip
    """Element q + done * (p + parts * k) at `x` to q + done * (factor * p + j) at `y`.

    A loop for each factor: with the choice inside of one loop, columns took a third longer.
    """
    x_apart, y_apart = done * parts * x_step, done * y_step
    roots = w + 2 * factor * parts
    if factor == 4:
        for p in range(parts):
            for q in range(done):
                a, b = x + (q + done * p) * x_step, y + (q + 4 * done * p) * y_step
                _four(scratch, a, x_apart, b, y_apart, w, sign)
            w += 8
    elif factor == 2:
        for p in range(parts):
            for q in range(done):
                a, b = x + (q + done * p) * x_step, y + (q + 2 * done * p) * y_step
                _two(scratch, a, x_apart, b, y_apart, w)
            w += 4
    elif factor == 3:
        for p in range(parts):
            for q in range(done):
                a, b = x + (q + done * p) * x_step, y + (q + 3 * done * p) * y_step
                _three(scratch, a, x_apart, b, y_apart, w, sign)
            w += 6
    elif factor == 5:
        for p in range(parts):
            for q in range(done):
                a, b = x + (q + done * p) * x_step, y + (q + 5 * done * p) * y_step
                _five(scratch, a, x_apart, b, y_apart, w, sign)
            w += 10
    else:
        for p in range(parts):
            for q in range(done):
                a, b = x + (q + done * p) * x_step, y + (q + factor * done * p) * y_step
                _any(scratch, a, x_apart, b, y_apart, w, factor, roots)
            w += 2 * factor


@_inside  # type: ignore[untyped-decorator]
def _put(scratch: Array, at: int, real: Any, imaginary: Any, w: int) -> None:
    """Store an element times its weight."""
    a, b = spread(scratch[w]), spread(scratch[w + 1])
    store(scratch, at, real * a - imaginary * b)
    store(scratch, at + WIDTH, real * b + imaginary * a)


@_inside  # type: ignore[untyped-decorator]
def _two(scratch: Array, x: int, x_apart: int, y: int, y_apart: int, w: int) -> None:
    ar, ai = load(scratch, x), load(scratch, x + WIDTH)
    br, bi = load(scratch, x + x_apart), load(scratch, x + x_apart + WIDTH)
    store(scratch, y, ar + br)
    store(scratch, y + WIDTH, ai + bi)
    _put(scratch, y + y_apart, ar - br, ai - bi, w + 2)


@_inside  # type: ignore[untyped-decorator]
def _three(scratch: Array, x: int, x_apart: int, y: int, y_apart: int, w: int, sign: Any) -> None:
    ar, ai = load(scratch, x), load(scratch, x + WIDTH)
    br, bi = load(scratch, x + x_apart), load(scratch, x + x_apart + WIDTH)
    cr, ci = load(scratch, x + 2 * x_apart), load(scratch, x + 2 * x_apart + WIDTH)
    sine, half = spread(sign * _SINE_3), spread(_HALF)
    sr, si = br + cr, bi + ci
    dr, di = (br - cr) * sine, (bi - ci) * sine
    mr, mi = ar - sr * half, ai - si * half
    store(scratch, y, ar + sr)
    store(scratch, y + WIDTH, ai + si)
    _put(scratch, y + y_apart, mr + di, mi - dr, w + 2)
    _put(scratch, y + 2 * y_apart, mr - di, mi + dr, w + 4)


@_inside  # type: ignore[untyped-decorator]
def _four(scratch: Array, x: int, x_apart: int, y: int, y_apart: int, w: int, sign: Any) -> None:
    ar, ai = load(scratch, x), load(scratch, x + WIDTH)
    br, bi = load(scratch, x + x_apart), load(scratch, x + x_apart + WIDTH)
    cr, ci = load(scratch, x + 2 * x_apart), load(scratch, x + 2 * x_apart + WIDTH)
    dr, di = load(scratch, x + 3 * x_apart), load(scratch, x + 3 * x_apart + WIDTH)
    pr, pi, qr, qi = ar + cr, ai + ci, ar - cr, ai - ci
    rr, ri = br + dr, bi + di
    one = spread(sign)
    tr, ti = (br - dr) * one, (bi - di) * one
    store(scratch, y, pr + rr)
    store(scratch, y + WIDTH, pi + ri)
    _put(scratch, y + y_apart, qr + ti, qi - tr, w + 2)
    _put(scratch, y + 2 * y_apart, pr - rr, pi - ri, w + 4)
    _put(scratch, y + 3 * y_apart, qr - ti, qi + tr, w + 6)


@_inside  # type: ignore[untyped-decorator]
def _five(scratch: Array, x: int, x_apart: int, y: int, y_apart: int, w: int, sign: Any) -> None:
    ar, ai = load(scratch, x), load(scratch, x + WIDTH)
    br, bi = load(scratch, x + x_apart), load(scratch, x + x_apart + WIDTH)
    cr, ci = load(scratch, x + 2 * x_apart), load(scratch, x + 2 * x_apart + WIDTH)
    dr, di = load(scratch, x + 3 * x_apart), load(scratch, x + 3 * x_apart + WIDTH)
    er, ei = load(scratch, x + 4 * x_apart), load(scratch, x + 4 * x_apart + WIDTH)
    c1, c2 = spread(_COSINE_5), spread(_COSINE_25)
    s1, s2 = spread(sign * _SINE_5), spread(sign * _SINE_25)
    pr, pi, qr, qi = br + er, bi + ei, br - er, bi - ei
    rr, ri, tr, ti = cr + dr, ci + di, cr - dr, ci - di
    store(scratch, y, ar + pr + rr)
    store(scratch, y + WIDTH, ai + pi + ri)
    mr, mi = ar + pr * c1 + rr * c2, ai + pi * c1 + ri * c2
    nr, ni = qr * s1 + tr * s2, qi * s1 + ti * s2
    _put(scratch, y + y_apart, mr + ni, mi - nr, w + 2)
    _put(scratch, y + 4 * y_apart, mr - ni, mi + nr, w + 8)
    mr, mi = ar + pr * c2 + rr * c1, ai + pi * c2 + ri * c1
    nr, ni = qr * s2 - tr * s1, qi * s2 - ti * s1
    _put(scratch, y + 2 * y_apart, mr + ni, mi - nr, w + 4)
    _put(scratch, y + 3 * y_apart, mr - ni, mi + nr, w + 6)


@_inside  # type: ignore[untyped-decorator]
def _any(
    scratch: Array, x: int, x_apart: int, y: int, y_apart: int, w: int, factor: int, roots: int
) -> None:  # fmt: skip
    for j in range(factor):
        real, imaginary = load(scratch, x), load(scratch, x + WIDTH)
        for k in range(1, factor):
            root = roots + 2 * ((j * k) % factor)
            c, s = spread(scratch[root]), spread(scratch[root + 1])
            xr, xi = load(scratch, x + k * x_apart), load(scratch, x + k * x_apart + WIDTH)
            real += xr * c - xi * s
            imaginary += xr * s + xi * c
        _put(scratch, y + j * y_apart, real, imaginary, w + 2 * j)


@_compile  # type: ignore[untyped-decorator]
def lanes_from_rows(rows: Array, begins: Any, samples: int, scratch: Array, at: int) -> None:
    """Eight rows of `samples` that begin at `begins` of `rows` into the lanes at `at` of `scratch`.

    Eight samples at a time. Sample t goes to `at` + t * `ELEMENT`.
    """
    a, b, c, d, e, f, g, h = begins
    whole = samples - samples % WIDTH
    for t in range(0, whole, WIDTH):
        lanes = transposed(
            load(rows, a + t), load(rows, b + t), load(rows, c + t), load(rows, d + t),
            load(rows, e + t), load(rows, f + t), load(rows, g + t), load(rows, h + t),
        )  # fmt: skip
        to = at + t * ELEMENT
        for k in range(WIDTH):
            store(scratch, to + k * ELEMENT, lanes[k])
    for t in range(whole, samples):
        for lane in range(WIDTH):
            scratch[at + t * ELEMENT + lane] = rows[begins[lane] + t]


@_compile  # type: ignore[untyped-decorator]
def rows_from_lanes(
    scratch: Array, at: int, scale: Any, samples: int, rows: Array, begins: Any
) -> None:
    """Inverse of `lanes_from_rows`, times `scale`."""
    factor = spread(scale)
    whole = samples - samples % WIDTH
    for t in range(0, whole, WIDTH):
        o = at + t * ELEMENT
        lanes = transposed(
            load(scratch, o), load(scratch, o + ELEMENT),
            load(scratch, o + 2 * ELEMENT), load(scratch, o + 3 * ELEMENT),
            load(scratch, o + 4 * ELEMENT), load(scratch, o + 5 * ELEMENT),
            load(scratch, o + 6 * ELEMENT), load(scratch, o + 7 * ELEMENT),
        )  # fmt: skip
        for k in range(WIDTH):
            store(rows, begins[k] + t, lanes[k] * factor)
    for t in range(whole, samples):
        for lane in range(WIDTH):
            rows[begins[lane] + t] = scratch[at + t * ELEMENT + lane] * scale


@_inside  # type: ignore[untyped-decorator]
def begins_of(numbers: Any, each: int, first: int) -> Any:
    """Where eight rows begin: at `first` of those numbered so, of `each` samples."""
    return (
        numbers[0] * each + first, numbers[1] * each + first, numbers[2] * each + first,
        numbers[3] * each + first, numbers[4] * each + first, numbers[5] * each + first,
        numbers[6] * each + first, numbers[7] * each + first,
    )  # fmt: skip
