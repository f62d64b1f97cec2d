"""Compiled kernels of medians along local slopes. Imported on first use.

A gather is an array (shot, time). Slopes are in samples per shot. Beyond the first and last shot
the gather is reflected, each shot at its own distance. The inner loops run along time, at full
vector width.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from deblend.arrays import Array
from deblend.compiled import compiler

_compile: Any = compiler(nogil=True, fastmath=True, error_model="numpy")
TAPS = 8
"""Length of an interpolator."""


@_compile  # type: ignore[untyped-decorator]
def semblance_slopes(
    gather: Array, live: Array, slopes: Array, half_shots: int, half_samples: int, out: Array
) -> None:
    """Slope of the largest semblance at every sample, into `out` (shot, time).

    `gather` should be balanced along time, so that one strong trace does not decide. Semblance is
    summed over `half_samples` on either side; between two slopes a parabola is laid.
    """
    shots, samples = gather.shape
    stack, energy = np.zeros(samples, gather.dtype), np.zeros(samples, gather.dtype)
    scores = np.zeros((len(slopes), samples), gather.dtype)
    for shot in range(shots):
        for number in range(len(slopes)):
            stack[:] = 0
            energy[:] = 0
            count = 0
            for other in range(max(0, shot - half_shots), min(shots, shot + half_shots + 1)):
                if live[other]:
                    count += 1
                    _add_shifted(gather[other], slopes[number] * (other - shot), stack, energy)
            _score(stack, energy, count, half_samples, scores[number])
        _best(scores, slopes, out[shot])


@_compile  # type: ignore[untyped-decorator]
def _add_shifted(trace: Array, shift: float, stack: Array, energy: Array) -> None:
    """Add a trace, earlier by `shift` samples, to the stack, and its square to the energy."""
    real = trace.dtype.type
    whole = int(np.floor(shift))
    late = real(shift - whole)
    early = real(1) - late
    begin, end = max(0, -whole), min(len(trace), len(trace) - whole - 1)
    if end <= begin:
        return
    near, far = trace[begin + whole : end + whole], trace[begin + whole + 1 : end + whole + 1]
    sums, squares = stack[begin:end], energy[begin:end]
    for t in range(len(near)):
        value = early * near[t] + late * far[t]
        sums[t] += value
        squares[t] += value * value


@_compile  # type: ignore[untyped-decorator]
def _score(stack: Array, energy: Array, count: int, half: int, out: Array) -> None:
    """Semblance from running sums of stack and energy."""
    samples = len(stack)
    above = below = 0.0
    for t in range(samples + half):
        if t < samples:
            above += stack[t] * stack[t]
            below += energy[t]
        if t - 2 * half - 1 >= 0:
            above -= stack[t - 2 * half - 1] ** 2
            below -= energy[t - 2 * half - 1]
        if t >= half:
            out[t - half] = above / (count * below) if below > 1e-6 and count > 0 else 0.0


@_compile  # type: ignore[untyped-decorator]
def _best(scores: Array, slopes: Array, out: Array) -> None:
    """Slope at the top of a parabola through the best score and its neighbours."""
    samples = scores.shape[1]
    best = np.full(samples, len(slopes) // 2)  # flat where nothing is better
    top = scores[len(slopes) // 2] * scores.dtype.type(1.0001)
    for number in range(len(slopes)):
        row = scores[number]
        for t in range(samples):
            if row[t] > top[t]:
                top[t] = row[t]
                best[t] = number
    for t in range(samples):
        out[t] = slopes[best[t]]
        if 0 < best[t] < len(slopes) - 1:
            before, after = scores[best[t] - 1, t], scores[best[t] + 1, t]
            bend = before - 2 * scores[best[t], t] + after
            if bend < 0 and scores[best[t], t] >= max(before, after):
                out[t] += (slopes[1] - slopes[0]) * 0.5 * (before - after) / bend


@_compile  # type: ignore[untyped-decorator]
def medians_along(
    gather: Array, live: Array, slopes: Array, taps: Array, half_shots: int, out: Array
) -> None:
    """Median over neighbouring shots along the slope of every sample, into `out`.

    `taps` has the shape (fraction, tap): interpolators for fractions of a sample, the last one for
    a whole sample. Traces that are not live take no part.
    """
    rows = np.zeros((2 * half_shots + 1, gather.shape[1]), gather.dtype)
    for shot in range(gather.shape[0]):
        if not live[shot]:
            out[shot] = 0.0
            continue
        count = _flattened(gather, live, slopes[shot], taps, shot, half_shots, rows)
        _median(rows, count, out[shot])


@_compile  # type: ignore[untyped-decorator]
def vector_medians_along(
    gather: Array,
    live: Array,
    slopes: Array,
    taps: Array,
    half_shots: int,
    half_samples: int,
    out: Array,
) -> None:
    """Sample of the neighbouring trace whose piece is nearest to all others, into `out`.

    Pieces of 2 `half_samples` + 1 samples are taken from the flattened neighbours; the distance of
    two is the square root of the sum of their squared differences.
    """
    samples = gather.shape[1]
    rows = np.zeros((2 * half_shots + 1, samples), gather.dtype)
    total = np.zeros((2 * half_shots + 1, samples), gather.dtype)
    power, apart = np.zeros(samples, gather.dtype), np.zeros(samples, gather.dtype)
    nearest = np.zeros(samples, gather.dtype)
    for shot in range(gather.shape[0]):
        if not live[shot]:
            out[shot] = 0.0
            continue
        count = _flattened(gather, live, slopes[shot], taps, shot, half_shots, rows)
        total[:] = 0.0
        for a in range(count):
            for b in range(a):
                one, two, first, second = rows[a], rows[b], total[a], total[b]
                for t in range(samples):
                    power[t] = (one[t] - two[t]) ** 2
                _box(power, half_samples, apart)
                for t in range(samples):
                    distance = np.sqrt(apart[t])
                    first[t] += distance
                    second[t] += distance
        target = out[shot]
        nearest[:] = total[0]
        target[:] = rows[0]
        for a in range(1, count):
            candidate, row = total[a], rows[a]
            for t in range(samples):
                if candidate[t] < nearest[t]:
                    nearest[t] = candidate[t]
                    target[t] = row[t]


@_compile  # type: ignore[untyped-decorator]
def _flattened(
    gather: Array, live: Array, slope: Array, taps: Array, shot: int, half_shots: int, rows: Array
) -> Any:
    """Neighbours of a shot along the slopes of its samples, into `rows`; how many there are."""
    shots, samples = gather.shape
    last = float(samples - 1)
    count = 0
    for step in range(-half_shots, half_shots + 1):
        other = (shot + step) % (2 * shots)  # ... 1 0 | 0 1 2 ...
        if other >= shots:
            other = 2 * shots - 1 - other
        if not live[other]:
            continue
        row, trace, apart = rows[count], gather[other], float(other - shot)
        if other == shot:
            row[:] = trace
        else:
            for t in range(samples):
                row[t] = _at(trace, min(max(t + slope[t] * apart, 0.0), last), taps)
        count += 1
    return count


@_compile  # type: ignore[untyped-decorator]
def _at(trace: Array, place: float, taps: Array) -> Any:
    """Trace between its samples; zeros beyond its ends."""
    whole = int(place)
    number = int((place - whole) * (taps.shape[0] - 1) + 0.5)
    if number == 0:
        return trace[whole]
    value = trace.dtype.type(0)
    first = whole + 1 - TAPS // 2
    if first >= 0 and first + TAPS <= len(trace):
        for k in range(TAPS):
            value += taps[number, k] * trace[first + k]
        return value
    for k in range(max(0, -first), min(TAPS, len(trace) - first)):
        value += taps[number, k] * trace[first + k]
    return value


@_compile  # type: ignore[untyped-decorator]
def _median(rows: Array, count: int, out: Array) -> None:
    """Median of the first `count` rows, which are put partly in order."""
    middle = count // 2
    for i in range(middle + 1):
        for j in range(count - 1, i, -1):
            lower, upper = rows[j - 1], rows[j]
            for t in range(len(lower)):
                a, b = lower[t], upper[t]
                lower[t] = a if a < b else b
                upper[t] = b if a < b else a
    if count % 2:
        out[:] = rows[middle]
    else:
        for t in range(len(out)):
            out[t] = (rows[middle - 1, t] + rows[middle, t]) * out.dtype.type(0.5)


@_compile  # type: ignore[untyped-decorator]
def _box(values: Array, half: int, out: Array) -> None:
    """Sum over `half` samples on either side; nothing beyond the ends."""
    samples = len(values)
    out[:] = values
    for step in range(1, min(half + 1, samples)):
        head, tail = out[: samples - step], values[step:]
        for t in range(samples - step):
            head[t] += tail[t]
        head, tail = out[step:], values[: samples - step]
        for t in range(samples - step):
            head[t] += tail[t]
