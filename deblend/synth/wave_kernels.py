"""Kernels of the acoustic wave equation on a grid: order 8 in space, order 2 in time.

The compiled loop names the rows it reads, because only then does the compiler use vector
instructions.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.compiled import compiler

HALO: Final = 4
"""Rows and columns around the grid that the stencil reads."""
SECOND_DERIVATIVE: Final = (-205 / 72, 8 / 5, -1 / 5, 8 / 315, -1 / 560)
"""Central weights of order 8, from the middle outwards (Fornberg 1988, Math. Comp. 51, table 1)."""
LARGEST_COURANT: Final = float(
    2 / np.sqrt(2 * sum(abs(w) * (1 if k == 0 else 2) for k, w in enumerate(SECOND_DERIVATIVE)))
)
"""Velocity times time step over spacing, above which the scheme grows without bound."""

_MIDDLE = np.float32(2 * SECOND_DERIVATIVE[0])
_W1, _W2, _W3, _W4 = (np.float32(weight) for weight in SECOND_DERIVATIVE[1:])
_TWO = np.float32(2)

Field = NDArray[np.float32]


def _wave_step(new: Field, now: Field, courant: Field, fade: Field) -> None:
    """One time step; `new` holds the field before `now` and is replaced by the one after.

    All have the shape (depth, inline) with the halo; row `HALO` is the sea surface, above which the
    field is its negative mirror. `courant` is the square of velocity times time step over spacing;
    `fade` is what one step leaves of the field: 1 inside, less towards the absorbing edges.
    """
    columns = now.shape[1] - 8
    for i in range(now.shape[0] - 8):
        a4, a3, a2, a1 = now[i], now[i + 1], now[i + 2], now[i + 3]
        here = now[i + 4]
        b1, b2, b3, b4 = now[i + 5], now[i + 6], now[i + 7], now[i + 8]
        out, squared, keep = new[i + 4], courant[i + 4], fade[i + 4]
        for j in range(columns):
            laplacian = (
                _MIDDLE * here[j + 4]
                + _W1 * (here[j + 3] + here[j + 5] + a1[j + 4] + b1[j + 4])
                + _W2 * (here[j + 2] + here[j + 6] + a2[j + 4] + b2[j + 4])
                + _W3 * (here[j + 1] + here[j + 7] + a3[j + 4] + b3[j + 4])
                + _W4 * (here[j] + here[j + 8] + a4[j + 4] + b4[j + 4])
            )
            following = _TWO * here[j + 4] + squared[j + 4] * laplacian
            out[j + 4] = keep[j + 4] * (following - keep[j + 4] * out[j + 4])
    mirror(new)


def _mirror(field: Field) -> None:
    """Zero at the sea surface, the negative mirror above it."""
    for j in range(field.shape[1]):
        field[4, j] = np.float32(0)
        for k in range(4):
            field[3 - k, j] = -field[5 + k, j]


_compile = compiler(nogil=True, fastmath=True, error_model="numpy")
mirror = _compile(_mirror)
wave_step = _compile(_wave_step)


def _run_shot(
    record: NDArray[np.float32],
    wavelet: NDArray[np.float32],
    fields: tuple[Field, Field],
    courant: Field,
    fade: Field,
    source: tuple[NDArray[np.int64], NDArray[np.float32]],
    receiver: tuple[NDArray[np.int64], NDArray[np.float32]],
) -> None:
    """One shot: inject, step, record.

    Parameters
    ----------
    record : ndarray of float32, shape (channel, step), changed in place
        What the receivers feel, first after one step.
    wavelet : ndarray of float32, shape (step,)
        What is added at the source.
    fields : tuple of ndarray of float32, shape (depth, inline)
        Two fields at rest.
    source, receiver : tuple of ndarray
        Flat indices of grid points and their weights, shape (point,) and (channel, point).
    """
    new, now = fields
    at, weight = source
    where, share = receiver
    for step in range(wavelet.shape[0]):
        wave_step(new, now, courant, fade)
        flat = new.reshape(-1)
        for k in range(at.shape[0]):
            flat[at[k]] += weight[k] * wavelet[step]
        mirror(new)
        for channel in range(where.shape[0]):
            total = np.float32(0)
            for k in range(where.shape[1]):
                total += share[channel, k] * flat[where[channel, k]]
            record[channel, step] = total
        new, now = now, new


run_shot = compiler(nogil=True, error_model="numpy")(_run_shot)
