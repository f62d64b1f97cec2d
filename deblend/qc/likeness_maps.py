"""Likeness of kept and removed part for every shot, channel and window.

Kept and removed part of a good separation have nothing to do with each other. Where they are alike,
signal was taken, or interference was left: the map says where, `removed_signal` and `crosstalk` say
which.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from deblend.qc.measure_plan import LEAST_SHOTS, Gathers, MeasurePlan, ratio
from deblend.qc.significance import flag, mean_above_zero

if TYPE_CHECKING:
    import xarray

SMOOTHED_SHOTS: Final = 5
"""Neighbouring shots of a source in a local similarity."""

Energies = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class WindowProducts:
    """Sums over the samples of each window; join them over blocks of channels.

    Parameters
    ----------
    kept, removed, product : ndarray of float64, shape (shot, channel, window)
        Energy of the estimate, energy of the removed part, and sum of their products.
    """

    kept: Energies
    removed: Energies
    product: Energies


def window_products(kept: Gathers, removed: Gathers, plan: MeasurePlan) -> WindowProducts:
    """Energies and products of low-cut gathers, shape (shot, channel, time)."""
    parts = np.empty((3, *kept.shape[:2], len(plan.windows)))
    for column, (start, stop) in enumerate(plan.windows):
        own, other = kept[..., start:stop], removed[..., start:stop]
        for part, (a, b) in enumerate(((own, own), (other, other), (own, other))):
            parts[part, ..., column] = np.einsum("sct,sct->sc", a, b)
    return WindowProducts(*parts)


def join_products(parts: list[WindowProducts]) -> WindowProducts:
    """Products of consecutive blocks of channels as one."""
    return WindowProducts(
        *(
            np.concatenate([getattr(part, name) for part in parts], axis=1)
            for name in ("kept", "removed", "product")
        )
    )


def likeness_maps(
    products: WindowProducts,
    plan: MeasurePlan,
    channel_numbers: NDArray[np.int64],
) -> xarray.Dataset:
    """Labelled maps.

    Parameters
    ----------
    products : WindowProducts
        Of all channels.
    plan : MeasurePlan
        Shots and windows.
    channel_numbers : ndarray of int64, shape (channel,)
        Labels of the channels.

    Returns
    -------
    xarray.Dataset
        Dimensions (shot, channel, window); NaN where a shot takes no part.
        ``correlation``: of kept and removed part in the window. ``local_similarity``: square root
        of the product of the two least-squares ratios [1]_, here over the window and five
        neighbouring shots under a triangle, in place of a smoothness constraint.
        ``orthogonalisation_weight``: the ratio of removed to kept [2]_ over the same; w / (1 + w)
        is the part of the amplitude that was taken, if nothing was left of the interference.

    References
    ----------
    .. [1] S. Fomel, 2007, Local seismic attributes, Geophysics 72(3), A29-A33.
    .. [2] Y. Chen and S. Fomel, 2015, Random noise attenuation using local signal-and-noise
           orthogonalization, Geophysics 80(6), WD1-WD9.
    """
    import xarray

    smooth = WindowProducts(
        *(
            _over_neighbours(part, plan)
            for part in (products.kept, products.removed, products.product)
        )
    )
    maps = {
        "correlation": correlation(products),
        "local_similarity": np.abs(correlation(smooth)),
        "orthogonalisation_weight": ratio(smooth.product, smooth.kept),
    }
    shots = plan.shots
    for values in maps.values():
        values[~plan.counted] = np.nan
    return xarray.Dataset(
        {name: (("shot", "channel", "window"), values) for name, values in maps.items()},
        coords={
            "source": ("shot", shots.source),
            "shot_point": ("shot", shots.shot_point),
            "channel": ("channel", channel_numbers),
            "window_start": ("window", [start for start, _ in plan.windows_s], {"units": "s"}),
            "window_stop": ("window", [stop for _, stop in plan.windows_s], {"units": "s"}),
        },
        attrs={"lowest_frequency_hz": plan.low_cut_hz},
    )


def correlation(products: WindowProducts) -> Energies:
    """Normalised correlation of kept and removed part; NaN where either is zero."""
    return ratio(products.product, np.sqrt(products.kept * products.removed))


@dataclass(frozen=True, eq=False)
class AlikeGroups:
    """Groups of shots in which kept and removed part are alike.

    Parameters
    ----------
    source : ndarray, shape (group,)
        Whose shots.
    first_shot : ndarray of int64, shape (group,)
        Row of the first shot of each group.
    correlation : ndarray of float64, shape (group, channel, window)
        Mean over the shots.
    weight : ndarray of float64, shape (group, channel, window)
        Orthogonalisation weight over the shots.
    flagged : ndarray of bool, shape (group, channel, window)
        Above chance at the bounded rate of false discoveries, and of positive sign.
    """

    source: NDArray[np.generic]
    first_shot: NDArray[np.int64]
    correlation: Energies
    weight: Energies
    flagged: NDArray[np.bool_]


def alike_groups(products: WindowProducts, plan: MeasurePlan) -> AlikeGroups:
    """Test every group of shots, channel and window.

    Each shot was fired with its own random delay, so the correlations of neighbouring shots are
    independent of each other where nothing is wrong; Student's t tells whether their mean is above
    zero, without assuming a bandwidth.
    """
    each = correlation(products)
    groups = [
        (source, rows)
        for source in plan.sources
        for rows in plan.groups[source]
        if len(rows) >= LEAST_SHOTS
    ]
    shape = (len(groups), *each.shape[1:])
    chance, mean, weight = np.ones(shape), np.full(shape, np.nan), np.full(shape, np.nan)
    for number, (_, rows) in enumerate(groups):
        known = np.isfinite(each[rows])
        chance[number] = mean_above_zero(each[rows], 0)
        counted = np.maximum(known.sum(axis=0), 1)
        mean[number] = np.where(known, each[rows], 0.0).sum(axis=0) / counted
        weight[number] = ratio(products.product[rows].sum(axis=0), products.kept[rows].sum(axis=0))
    return AlikeGroups(
        source=np.array([source for source, _ in groups]),
        first_shot=np.array([rows[0] for _, rows in groups], dtype=np.int64),
        correlation=mean,
        weight=weight,
        flagged=flag(chance),
    )


def _over_neighbours(values: Energies, plan: MeasurePlan) -> Energies:
    """Triangle-weighted sums over neighbouring shots of the same source."""
    out = np.zeros_like(values)
    half = SMOOTHED_SHOTS // 2
    for rows in plan.rows.values():
        for step in range(-half, half + 1):
            weight = 1.0 - abs(step) / (half + 1)
            to = rows[max(0, -step) : len(rows) - max(0, step)]
            from_ = rows[max(0, step) : len(rows) - max(0, -step)]
            out[to] += weight * values[from_]
    return out
