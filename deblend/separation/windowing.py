"""Windows along time, cut out of gathers and added back with their weights.

Compiled on the host; the array forms serve other devices and are what the compiled ones are
tested against.
"""

from __future__ import annotations

from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from deblend.arrays import Array, is_host


def cut_windows(
    gathers: Array,
    corners: NDArray[np.int64],
    starts: NDArray[np.int64],
    across: NDArray[np.float32],
    along: NDArray[np.float32],
    xp: ModuleType,
) -> Array:
    """Weighted windows of gathers, those of one corner after the other.

    Parameters
    ----------
    gathers : array, shape (source, slot, channel, time)
        Gathers of a block, C-contiguous.
    corners : ndarray of int64, shape (corner, 2)
        First slots and first channels.
    starts : ndarray of int64, shape (window,)
        First time samples of the windows at each corner.
    across : ndarray of float32, shape (corner, slot, channel)
        Weights of the traces.
    along : ndarray of float32, shape (window, sample)
        Weights of the samples.

    Returns
    -------
    array, shape (corner * window, source, slot, channel, sample)
    """
    if not is_host(xp):
        return cut_windows_array(gathers, corners, starts, across, along, xp)
    from deblend.separation import window_kernels

    patches = len(corners) * len(starts)
    out = np.empty((patches, len(gathers), *across.shape[1:], along.shape[1]), gathers.dtype)
    window_kernels.cut_windows(gathers, corners, starts, across, along, out)
    return out


def cut_windows_array(
    gathers: Array,
    corners: NDArray[np.int64],
    starts: NDArray[np.int64],
    across: NDArray[np.float32],
    along: NDArray[np.float32],
    xp: ModuleType,
) -> Array:
    """Array form of `cut_windows`."""
    samples = xp.asarray(starts[:, None] + np.arange(along.shape[1]))
    return xp.concatenate(
        [
            xp.moveaxis(_part(gathers, corner, weight)[..., samples], 3, 0)
            * _weights(weight, along, xp)
            for corner, weight in zip(corners.tolist(), across, strict=True)
        ]
    )


def add_windows(
    gathers: Array,
    kept: Array,
    corners: NDArray[np.int64],
    starts: NDArray[np.int64],
    across: NDArray[np.float32],
    along: NDArray[np.float32],
    colours: int,
    xp: ModuleType,
) -> None:
    """Add weighted windows to gathers, in place; arguments are those of `cut_windows`.

    Parameters
    ----------
    kept : array, shape (corner * window, source, slot, channel, sample)
        What to add.
    colours : int
        Windows whose numbers differ by a multiple of this do not overlap.
    """
    if not is_host(xp):
        add_windows_array(gathers, kept, corners, starts, across, along, colours, xp)
        return
    from deblend.separation import window_kernels

    window_kernels.add_windows(gathers, corners, starts, across, along, kept)


def add_windows_array(
    gathers: Array,
    kept: Array,
    corners: NDArray[np.int64],
    starts: NDArray[np.int64],
    across: NDArray[np.float32],
    along: NDArray[np.float32],
    colours: int,
    xp: ModuleType,
) -> None:
    """Array form of `add_windows`: one addition a colour, in which no sample occurs twice."""
    for number, (corner, weight) in enumerate(zip(corners.tolist(), across, strict=True)):
        mine = kept[number * len(starts) : (number + 1) * len(starts)]
        weighted = xp.moveaxis(mine * _weights(weight, along, xp), 0, 3)
        part = _part(gathers, corner, weight)
        for colour in range(colours):
            samples = xp.asarray(starts[colour::colours, None] + np.arange(along.shape[1]))
            part[..., samples] += weighted[..., colour::colours, :]


def _weights(across: NDArray[np.float32], along: NDArray[np.float32], xp: ModuleType) -> Array:
    """Weights of shape (window, 1, slot, channel, sample)."""
    return xp.asarray(across[None, :, :, None] * along[:, None, None, :])[:, None]


def _part(gathers: Array, corner: list[int], across: NDArray[np.float32]) -> Array:
    """Slots and channels of the windows."""
    (slot, channel), (slots, channels) = corner, across.shape
    return gathers[:, slot : slot + slots, channel : channel + channels]
