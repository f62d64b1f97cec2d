"""Compiled stacks for the crosstalk matrix. Imported on first use."""

from __future__ import annotations

from typing import Any

import numpy as np

from deblend.arrays import Array
from deblend.compiled import compiler

_compile: Any = compiler(nogil=True, fastmath=True, error_model="numpy")


@_compile  # type: ignore[untyped-decorator]
def add_stacks(
    weighted: Array,
    second: Array,
    weight: Array,
    delays: Array,
    windows: Array,
    least: int,
    buffers: Array,
    sums: Array,
    nulls: Array,
) -> None:
    """Sums over one group of shots, channel by channel, in place.

    `weighted` (shot, channel, time) are the weighted traces in which a leak is looked for, `second`
    (shot, channel, time) those of the source that may have leaked, `weight` (channel, time);
    `delays` (1 + draw, shot) in samples, the true ones first; `windows` (window, 2); `buffers` (7,
    time) float32. Adds to `sums` (5, window): stack squared, own squared, own squared without each
    shot with itself, product, product without each shot with itself; and to
    `nulls` (2, draw, window): shuffled stack squared, and its product with own.
    """
    shots, channels, length = weighted.shape
    stack, own, same, own_same = buffers[0], buffers[1], buffers[2], buffers[3]
    summed, covers, over = buffers[4], buffers[5], buffers[6]
    for channel in range(channels):
        buffers[:] = 0.0
        for shot in range(shots):
            shift = delays[0, shot]
            begin, end = max(0, -shift), length - max(0, shift)
            if begin >= end:
                continue
            there, here = weighted[shot, channel, begin + shift :], second[shot, channel, begin:]
            factors = weight[channel, begin + shift :]
            row0, row1, row2, row3 = stack[begin:], own[begin:], same[begin:], own_same[begin:]
            row4, row5 = summed[begin:], covers[begin:]
            for sample in range(end - begin):
                w = factors[sample]
                x = w * here[sample]
                y = there[sample]
                row0[sample] += y
                row1[sample] += x
                row2[sample] += x * y
                row3[sample] += x * x
                row4[sample] += w
                row5[sample] += np.float32(1.0)
        for sample in range(length):
            if covers[sample] >= least and summed[sample] > 0.0:
                over[sample] = 1.0 / summed[sample]
        for window in range(len(windows)):
            a, b, c, d, e = 0.0, 0.0, 0.0, 0.0, 0.0
            for sample in range(windows[window, 0], windows[window, 1]):
                factor = over[sample]
                product = stack[sample] * own[sample]
                squared = own[sample] * own[sample]
                a += factor * stack[sample] * stack[sample]
                b += factor * squared
                c += factor * (squared - own_same[sample])
                d += factor * product
                e += factor * (product - same[sample])
            for row, value in enumerate((a, b, c, d, e)):
                sums[row, window] += value
        for draw in range(nulls.shape[1]):
            stack[:] = 0.0
            for shot in range(shots):
                shift = delays[1 + draw, shot]
                begin, end = max(0, -shift), length - max(0, shift)
                if begin < end:
                    there, row = weighted[shot, channel, begin + shift :], stack[begin:]
                    for sample in range(end - begin):
                        row[sample] += there[sample]
            for window in range(len(windows)):
                start, stop = windows[window]
                row, theirs, factors = stack[start:stop], own[start:stop], over[start:stop]
                squares, products = 0.0, 0.0
                for sample in range(stop - start):
                    found = factors[sample] * row[sample]
                    squares += found * row[sample]
                    products += found * theirs[sample]
                nulls[0, draw, window] += squares
                nulls[1, draw, window] += products
