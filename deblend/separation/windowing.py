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
    corner: tuple[int, int],
    starts: NDArray[np.int64],
    across: NDArray[np.float32],
    along: NDArray[np.float32],
    xp: ModuleType,
) -> Array:
    """Weighted windows of gathers.

    Parameters
    ----------
    gathers : array, shape (source, slot, channel, time)
        Gathers of a block, C-contiguous.
    corner : tuple of int
        First slot and first channel of all windows.
    starts : ndarray of int64, shape (window,)
        First time sample of each window.
    across : ndarray of float32, shape (slot, channel)
        Weights of the traces.
    along : ndarray of float32, shape (window, sample)
        Weights of the samples.
    xp : module
        Array namespace.

    Returns
    -------
    array, shape (window, source, slot, channel, sample)
    """
    if not is_host(xp):
        return cut_windows_array(gathers, corner, starts, across, along, xp)
    from deblend.separation import window_kernels

    out = np.empty((len(starts), len(gathers), *across.shape, along.shape[1]), gathers.dtype)
    window_kernels.cut_windows(gathers, *corner, starts, across, along, out)
    return out


def cut_windows_array(
    gathers: Array,
    corner: tuple[int, int],
    starts: NDArray[np.int64],
    across: NDArray[np.float32],
    along: NDArray[np.float32],
    xp: ModuleType,
) -> Array:
    """Array form of `cut_windows`."""
    samples = xp.asarray(starts[:, None] + np.arange(along.shape[1]))
    part = _part(gathers, corner, across)
    return xp.moveaxis(part[..., samples], 3, 0) * _weights(across, along, xp)


def add_windows(
    gathers: Array,
    kept: Array,
    corner: tuple[int, int],
    starts: NDArray[np.int64],
    across: NDArray[np.float32],
    along: NDArray[np.float32],
    colours: int,
    xp: ModuleType,
) -> None:
    """Add weighted windows to gathers, in place.

    Parameters
    ----------
    gathers : array, shape (source, slot, channel, time)
        Gathers of a block, C-contiguous.
    kept : array, shape (window, source, slot, channel, sample)
        What to add.
    corner, starts, across, along
        As in `cut_windows`.
    colours : int
        Windows whose numbers differ by a multiple of this do not overlap.
    xp : module
        Array namespace.
    """
    if not is_host(xp):
        add_windows_array(gathers, kept, corner, starts, across, along, colours, xp)
        return
    from deblend.separation import window_kernels

    window_kernels.add_windows(gathers, *corner, starts, across, along, kept)


def add_windows_array(
    gathers: Array,
    kept: Array,
    corner: tuple[int, int],
    starts: NDArray[np.int64],
    across: NDArray[np.float32],
    along: NDArray[np.float32],
    colours: int,
    xp: ModuleType,
) -> None:
    """Array form of `add_windows`: one addition a colour, in which no sample occurs twice."""
    weighted = xp.moveaxis(kept * _weights(across, along, xp), 0, 3)
    part = _part(gathers, corner, across)
    for colour in range(colours):
        samples = xp.asarray(starts[colour::colours, None] + np.arange(along.shape[1]))
        part[..., samples] += weighted[..., colour::colours, :]


def _weights(across: NDArray[np.float32], along: NDArray[np.float32], xp: ModuleType) -> Array:
    """Weights of shape (window, 1, slot, channel, sample)."""
    return xp.asarray(across[None, :, :, None] * along[:, None, None, :])[:, None]


def _part(gathers: Array, corner: tuple[int, int], across: NDArray[np.float32]) -> Array:
    """Slots and channels of the windows."""
    (slot, channel), (slots, channels) = corner, across.shape
    return gathers[:, slot : slot + slots, channel : channel + channels]
