"""Batches of patches for the contract suite of separator methods."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deblend.separation.contract import PatchBatch, Separator
from deblend.separation.patch_grid import axis_windows

INTERVAL_S = 0.004
Shape = tuple[int, int, int]


def batch_of(amplitude: NDArray[np.float32], live: NDArray[np.bool_] | None = None) -> PatchBatch:
    """Batch of some patches (patch, source, shot, channel, time); no noise known.

    Traces that are not live hold zeros, as they do in the loop at the start.
    """
    alive = np.ones(amplitude.shape[:4], np.bool_) if live is None else live
    noise = np.zeros((amplitude.shape[0], amplitude.shape[4] // 2 + 1), np.float32)
    return PatchBatch(amplitude * alive[..., None], alive, noise, INTERVAL_S, np)


def copied(batch: PatchBatch) -> PatchBatch:
    """A copy of the batch, which a method may spoil."""
    return replace(
        batch, amplitude=batch.amplitude.copy(), live=batch.live.copy(), noise=batch.noise.copy()
    )


def part_of(batch: PatchBatch, chosen: slice) -> PatchBatch:
    """Some patches of a batch."""
    return replace(
        copied(batch),
        amplitude=batch.amplitude[chosen].copy(),
        live=batch.live[chosen].copy(),
        noise=batch.noise[chosen].copy(),
    )


def taper(method: Separator, shape: Shape) -> NDArray[np.float32]:
    """What an inner patch of this size has been multiplied with before the method sees it."""
    axes = [
        axis_windows(3 * size, size, method.overlap, 0, method.window).analysis for size in shape
    ]
    # The middle one of three windows has a neighbour on either side.
    inner = np.einsum("i,j,k->ijk", *(rows[len(rows) // 2] for rows in axes))
    return np.asarray(inner, dtype=np.float32)


def plane_waves(method: Separator, shape: Shape, patches: int, sources: int) -> NDArray[np.float32]:
    """Flat events, one in each patch and source, earlier or later from patch to patch.

    Flat, because that is what every coherence filter keeps, whatever it does about dips.
    """
    time = np.arange(shape[2])
    at = shape[2] * (0.5 + 0.05 * np.arange(patches)[:, None] - 0.02 * np.arange(sources))
    phase = np.square(np.pi * 0.12 * (time - at[..., None]))
    trace = ((1 - 2 * phase) * np.exp(-phase))[:, :, None, None, :]
    return np.asarray(trace * taper(method, shape), dtype=np.float32)


def white_noise(
    method: Separator, shape: Shape, patches: int, sources: int, seed: int
) -> NDArray[np.float32]:
    """Normal noise of rms one under the taper."""
    random = np.random.default_rng(seed)
    noise = random.standard_normal((patches, sources, *shape)).astype(np.float32)
    return np.asarray(noise * taper(method, shape), dtype=np.float32)


def mixed(
    method: Separator, shape: Shape, patches: int, sources: int, seed: int
) -> NDArray[np.float32]:
    """Flat events under noise of a fifth of their peak, patches of unequal strength."""
    waves = plane_waves(method, shape, patches, sources)
    noise = white_noise(method, shape, patches, sources, seed)
    strength = (1.0 / (1.0 + np.arange(patches))).astype(np.float32)
    return np.asarray((waves + 0.2 * noise) * strength[:, None, None, None, None], np.float32)


def energy(amplitude: NDArray[np.float32]) -> float:
    """Sum of squares in double precision."""
    return float(np.sum(np.square(amplitude, dtype=np.float64)))
