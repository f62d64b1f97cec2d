"""Compiled filter of patches in the frequency-wavenumber domain. Imported on first use.

Eight patches are worked on at a time, lane by lane (`deblend.vector_transforms`), so that every
step uses full vectors whatever the size of a patch. All coefficients of a temporal frequency lie
together and stay in the fastest cache while they are transformed, thresholded and transformed back.
The array forms are in `threshold`.
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np

from deblend.arrays import Array
from deblend.compiled import compiler
from deblend.separation.transforms.kernels import eigenvectors
from deblend.separation.transforms.threshold import DROPPED, LEAST_POWER, STEEPNESS
from deblend.vector_transforms.columns import (
    ELEMENT,
    begins_of,
    lanes_from_rows,
    rows_from_lanes,
    transform_column,
)
from deblend.vector_transforms.vectors import WIDTH, at_least, limited, load, spread, store

_compile: Any = compiler(nogil=True, error_model="numpy")
_once: Any = numba.njit(nogil=True, error_model="numpy", inline="always")
"""Called in one place and compiled with it: every unit that holds a transform is compiled again."""
_inside: Any = numba.njit(nogil=True, error_model="numpy", forceinline=True)
_NONE, _ONE, _HALF = np.float32(0), np.float32(1), np.float32(0.5)
_ROUNDING = np.float32(1.001)
_DROPPED, _LEAST_POWER = np.float32(DROPPED), np.float32(LEAST_POWER)
_STEEPNESS = np.float32(STEEPNESS)


@_compile  # type: ignore[untyped-decorator]
def filter_patches(
    amplitude: Array,
    rows: Array,
    power: Array,
    jointly: bool,
    factors: Any,
    weights: Array,
    out: Array,
) -> None:
    """Write what is kept of patches `rows` of `amplitude` to `out`.

    Parameters
    ----------
    amplitude, out : array of float32, shape (patch, source, shot, channel, time)
        Contiguous.
    rows : array of int64
        Patches.
    power : array of float32, shape (patch, frequency)
        Of the threshold.
    jointly : bool
        Whether along what sources have in common, where that keeps fewer.
    factors : tuple of array of int64
        Of `steps_of` along shots, channels and time.
    weights : array of float32
        Of the same, there and back: six sets of weights one after the other.
    """
    _, sources, shots, channels, samples = amplitude.shape
    frequencies, each = samples // 2 + 1, shots * channels
    traces = sources * each
    longest = max(shots, channels, samples)
    # All in one array: coefficients, a source turned, a column, room for transforms, weights.
    turned = frequencies * traces * ELEMENT
    column = turned + (traces * ELEMENT if jointly else 0)
    room = column + samples * ELEMENT
    begin_weights = room + 2 * longest * ELEMENT
    scratch = np.empty(begin_weights + len(weights), dtype=np.float32)
    for k in range(len(weights)):  # a slice would compile a message about shapes
        scratch[begin_weights + k] = weights[k]
    sets = np.empty(6, dtype=np.int64)
    sets[0] = begin_weights
    for k in range(5):
        sets[k + 1] = sets[k] + _weight_count(factors[k % 3])
    slope = np.empty(WIDTH, dtype=np.float32)
    filled = np.empty(frequencies, dtype=np.bool_)
    scale = np.float32(1.0 / (each * samples))
    patches, kept = amplitude.reshape(-1), out.reshape(-1)
    group = np.empty(WIDTH, dtype=np.int64)
    for first in range(0, len(rows), WIDTH):
        for lane in range(WIDTH):  # lanes to spare do the last patch again
            group[lane] = rows[min(first + lane, len(rows) - 1)]
        _to_frequencies(patches, group, traces, samples, factors[2], scratch, column, sets[2], room)
        for f in range(frequencies):
            for lane in range(WIDTH):
                slope[lane] = _ONE / max(power[group[lane], f], _LEAST_POWER)
            begin = f * traces * ELEMENT
            filled[f] = _may_reach(scratch, begin, sources, each, slope)
            for direction in range(2):  # one place in the code, because each is compiled by itself
                if direction and filled[f]:
                    filled[f] = _keep(scratch, begin, turned, sources, each, slope, jointly)
                if filled[f]:
                    _across(
                        scratch, begin, sources, shots, channels, factors, sets, direction, room
                    )
        _to_samples(
            kept, group, traces, samples, factors[2], scratch, column, sets[5], room, filled, scale
        )


@_once  # type: ignore[untyped-decorator]
def _weight_count(factors: Array) -> int:
    """How many numbers the weights of a transform take."""
    left, count = 1, 0
    for factor in factors:
        left *= factor
    for factor in factors:
        count += 2 * left + (2 * factor if factor > 5 else 0)
        left //= factor
    return count


@_once  # type: ignore[untyped-decorator]
def _across(
    scratch: Array, begin: int, sources: int, shots: int, channels: int, factors: Any, sets: Array,
    direction: int, room: int,
) -> None:  # fmt: skip
    """Transform a frequency along channels and shots, or back (`direction` 1), source by source."""
    sign = np.float32(1 - 2 * direction)
    for source in range(sources):
        for axis in (1, 0):
            length, columns = (channels, shots) if axis else (shots, channels)
            step, apart = (1, channels) if axis else (channels, 1)
            for column in range(columns if length > 1 else 0):
                at = begin + (source * shots * channels + column * apart) * ELEMENT
                transform_column(
                    scratch, at, step * ELEMENT, length, sign, factors[axis],
                    sets[3 * direction + axis], room,
                )  # fmt: skip


@_once  # type: ignore[untyped-decorator]
def _to_frequencies(
    patches: Array, group: Array, traces: int, samples: int, factors: Array, scratch: Array,
    column: int, weights: int, room: int,
) -> None:  # fmt: skip
    """Transform traces along time, two at a time as the parts of a complex one."""
    half = spread(_HALF)
    for trace in range(0, traces, 2):
        pair = trace + 1 < traces
        if not pair:
            scratch[column : column + samples * ELEMENT] = 0
        for part in range(2 if pair else 1):
            at = column + part * WIDTH
            first = (trace + part) * samples
            begins = begins_of(group, traces * samples, first)
            lanes_from_rows(patches, begins, samples, scratch, at)
        if samples > 1:
            transform_column(
                scratch, column, np.int64(ELEMENT), samples, np.float32(1), factors, weights, room
            )
        for f in range(samples // 2 + 1):
            here = column + f * ELEMENT
            mirrored = column + (samples - f if f else 0) * ELEMENT
            ar, ai = load(scratch, here) * half, load(scratch, here + WIDTH) * half
            br, bi = load(scratch, mirrored) * half, load(scratch, mirrored + WIDTH) * half
            at = (f * traces + trace) * ELEMENT
            store(scratch, at, ar + br)
            store(scratch, at + WIDTH, ai - bi)
            if pair:
                store(scratch, at + ELEMENT, ai + bi)
                store(scratch, at + ELEMENT + WIDTH, br - ar)


@_once  # type: ignore[untyped-decorator]
def _to_samples(
    kept: Array, group: Array, traces: int, samples: int, factors: Array, scratch: Array,
    column: int, weights: int, room: int, filled: Array, scale: Any,
) -> None:  # fmt: skip
    """Inverse of `_to_frequencies`, times `scale`; zeros where no frequency is filled."""
    anything = filled.any()
    for trace in range(0, traces, 2):
        pair = trace + 1 < traces
        if not anything:
            for lane in range(WIDTH):
                one = (group[lane] * traces + trace) * samples
                kept[one : one + (2 if pair else 1) * samples] = 0
            continue
        for f in range(samples // 2 + 1):
            at = (f * traces + trace) * ELEMENT
            ar = ai = br = bi = spread(_NONE)
            if filled[f]:
                ar, ai = load(scratch, at), load(scratch, at + WIDTH)
                if pair:
                    br, bi = load(scratch, at + ELEMENT), load(scratch, at + ELEMENT + WIDTH)
            here, mirrored = column + f * ELEMENT, column + (samples - f) * ELEMENT
            if f == 0 or 2 * f == samples:  # a real signal has no imaginary part there
                store(scratch, here, ar)
                store(scratch, here + WIDTH, br)
            else:
                store(scratch, here, ar - bi)
                store(scratch, here + WIDTH, ai + br)
                store(scratch, mirrored, ar + bi)
                store(scratch, mirrored + WIDTH, br - ai)
        if samples > 1:
            transform_column(
                scratch, column, np.int64(ELEMENT), samples, np.float32(-1), factors, weights, room
            )
        for part in range(2 if pair else 1):
            at = column + part * WIDTH
            first = (trace + part) * samples
            begins = begins_of(group, traces * samples, first)
            rows_from_lanes(scratch, at, scale, samples, kept, begins)


@_inside  # type: ignore[untyped-decorator]
def _any(lanes: Any) -> bool:
    """Whether a lane holds something other than zero."""
    numbers = np.empty(WIDTH, dtype=np.float32)
    store(numbers, 0, lanes)
    found = False
    for lane in range(WIDTH):
        found |= numbers[lane] != 0
    return found


@_once  # type: ignore[untyped-decorator]
def _may_reach(scratch: Array, begin: int, sources: int, each: int, slope: Array) -> bool:
    """Whether some of a coefficient over wavenumbers may be kept, by Cauchy and Schwarz."""
    factor = load(slope, 0) * spread(np.float32(each) * _ROUNDING)
    strong = spread(_NONE)
    for source in range(sources):
        energy = spread(_NONE)
        for k in range(source * each, (source + 1) * each):
            at = begin + k * ELEMENT
            real, imaginary = load(scratch, at), load(scratch, at + WIDTH)
            energy += real * real + imaginary * imaginary
        # What is not a number is not weak: it must show.
        strong += spread(_ONE) - at_least(spread(_DROPPED), energy * factor)
    return bool(_any(strong))


@_inside  # type: ignore[untyped-decorator]
def _kept_part(real: Any, imaginary: Any, slope: Any) -> Any:
    """What is kept of elements, see `threshold.kept_part`; `slope` is one over the power there."""
    return limited((real * real + imaginary * imaginary) * slope - spread(_DROPPED))


@_inside  # type: ignore[untyped-decorator]
def _keep_strong(scratch: Array, begin: int, count: int, slope: Any) -> Any:
    """Make elements that are weak less, or zero; how many are left in each lane, parts added up.

    Multiplied, so that what is not a number stays.
    """
    left = spread(_NONE)
    for at in range(begin, begin + count * ELEMENT, ELEMENT):
        real, imaginary = load(scratch, at), load(scratch, at + WIDTH)
        part = _kept_part(real, imaginary, slope)
        store(scratch, at, real * part)
        store(scratch, at + WIDTH, imaginary * part)
        left += part
    return left


@_inside  # type: ignore[untyped-decorator]
def _count_strong(scratch: Array, begin: int, count: int, slope: Any) -> Any:
    """How many elements `_keep_strong` would leave in each lane."""
    left = spread(_NONE)
    for at in range(begin, begin + count * ELEMENT, ELEMENT):
        left += _kept_part(load(scratch, at), load(scratch, at + WIDTH), slope)
    return left


@_once  # type: ignore[untyped-decorator]
def _keep(
    scratch: Array, begin: int, turned: int, sources: int, each: int, slope: Array, jointly: bool
) -> bool:  # fmt: skip
    """Threshold a frequency; whether anything is left."""
    if jointly:
        return bool(_keep_jointly(scratch, begin, turned, sources, each, slope))
    return bool(_any(_keep_strong(scratch, begin, sources * each, load(slope, 0))))


@_once  # type: ignore[untyped-decorator]
def _keep_jointly(
    scratch: Array, begin: int, turned: int, sources: int, each: int, slope: Array
) -> bool:
    """Threshold along the eigenvectors between sources where that leaves fewer coefficients."""
    steep = load(slope, 0)
    count = _count_strong(scratch, begin, sources * each, steep)
    if not _any(count):
        return False
    vectors = _vectors_between_sources(scratch, begin, sources, each)
    _turn(scratch, begin, vectors, sources, each, turned)
    count_turned = _keep_strong(scratch, turned, sources * each, steep)
    both = count_turned + count + spread(_LEAST_POWER)
    plain = limited(spread(_HALF) + (count_turned - count) / both * spread(_STEEPNESS))
    _keep_strong(scratch, begin, sources * each, steep)
    if _any(spread(_ONE) - plain):
        _turn_back(scratch, turned, vectors, sources, each, plain, begin)
    return True


@_once  # type: ignore[untyped-decorator]
def _vectors_between_sources(scratch: Array, begin: int, sources: int, each: int) -> Array:
    """Eigenvectors of the covariance of sources: one element for each source and vector."""
    covariance = np.empty(sources * sources * ELEMENT, dtype=np.float32)
    for i in range(sources):
        for j in range(i + 1):
            real, imaginary = spread(_NONE), spread(_NONE)
            for k in range(each):
                a, b = begin + (i * each + k) * ELEMENT, begin + (j * each + k) * ELEMENT
                ar, ai, br, bi = (
                    load(scratch, a),
                    load(scratch, a + WIDTH),
                    load(scratch, b),
                    load(scratch, b + WIDTH),
                )
                real += ar * br + ai * bi
                imaginary += ai * br - ar * bi
            at = (i * sources + j) * ELEMENT
            store(covariance, at, real)
            store(covariance, at + WIDTH, imaginary)
    matrix = np.empty((sources, sources), dtype=np.complex128)
    vectors = np.empty((sources, sources), dtype=np.complex128)
    found = np.empty(sources * sources * ELEMENT, dtype=np.float32)
    for lane in range(WIDTH):
        for i in range(sources):
            for j in range(i + 1):
                at = (i * sources + j) * ELEMENT + lane
                matrix[i, j] = complex(covariance[at], covariance[at + WIDTH])
                matrix[j, i] = complex(covariance[at], -covariance[at + WIDTH])
        eigenvectors(matrix, vectors)
        for i in range(sources):
            for v in range(sources):
                at = (i * sources + v) * ELEMENT + lane
                found[at] = vectors[i, v].real
                found[at + WIDTH] = vectors[i, v].imag
    return found


@_once  # type: ignore[untyped-decorator]
def _turn(
    scratch: Array, begin: int, vectors: Array, sources: int, each: int, turned: Array
) -> None:
    """Coefficients along the eigenvectors: conjugate transpose of `vectors` times `scratch`."""
    for v in range(sources):
        for k in range(each):
            real, imaginary = spread(_NONE), spread(_NONE)
            for i in range(sources):
                at, x = (i * sources + v) * ELEMENT, begin + (i * each + k) * ELEMENT
                a, b = load(vectors, at), load(vectors, at + WIDTH)
                xr, xi = load(scratch, x), load(scratch, x + WIDTH)
                real += a * xr + b * xi
                imaginary += a * xi - b * xr
            to = turned + (v * each + k) * ELEMENT
            store(scratch, to, real)
            store(scratch, to + WIDTH, imaginary)


@_once  # type: ignore[untyped-decorator]
def _turn_back(
    scratch: Array, turned: int, vectors: Array, sources: int, each: int, plain: Any, begin: int
) -> None:
    """Inverse of `_turn` into the lanes of `scratch` where `plain` is 0; others stay."""
    other = spread(_ONE) - plain
    for i in range(sources):
        for k in range(each):
            real, imaginary = spread(_NONE), spread(_NONE)
            for v in range(sources):
                at, x = (i * sources + v) * ELEMENT, turned + (v * each + k) * ELEMENT
                a, b = load(vectors, at), load(vectors, at + WIDTH)
                xr, xi = load(scratch, x), load(scratch, x + WIDTH)
                real += a * xr - b * xi
                imaginary += a * xi + b * xr
            to = begin + (i * each + k) * ELEMENT
            store(scratch, to, load(scratch, to) * plain + real * other)
            store(scratch, to + WIDTH, load(scratch, to + WIDTH) * plain + imaginary * other)
