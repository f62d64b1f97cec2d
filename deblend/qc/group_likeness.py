"""Likeness of kept and removed part in groups of shots: beyond chance or not, and in octaves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deblend.qc.bands import octave_bands
from deblend.qc.likeness_maps import WindowProducts, correlation
from deblend.qc.measure_setup import MeasureSetup, Source, ratio
from deblend.qc.significance import flag, mean_above_zero

Values = NDArray[Any]


@dataclass(frozen=True, eq=False)
class GroupLikeness:
    """Figures of groups of shots on some consecutive channels; add them in channel order."""

    chance: Values
    """float64, shape (group, channel, window): Of a mean correlation of this size where nothing is
    wrong."""
    mean: Values
    weight: Values
    error: Values
    """float64, shape (group, channel, window): Correlation, orthogonalisation weight, and amplitude
    of the error, as in `AlikeGroups`."""
    kept: Values
    removed: Values
    product: Values
    """float64, shape (group, window, octave): Sums over shots and channels."""

    def __add__(self, other: GroupLikeness) -> GroupLikeness:
        """Those of both, one after the other; sums added."""
        return GroupLikeness(
            np.concatenate([self.chance, other.chance], axis=1),
            np.concatenate([self.mean, other.mean], axis=1),
            np.concatenate([self.weight, other.weight], axis=1),
            np.concatenate([self.error, other.error], axis=1),
            self.kept + other.kept,
            self.removed + other.removed,
            self.product + other.product,
        )


def group_likeness(products: WindowProducts, setup: MeasureSetup) -> GroupLikeness:
    """Figures of all groups of shots on some channels, from the products of all shots.

    Each shot was fired with its own random delay, so the correlations of neighbouring shots are
    independent of each other where nothing is wrong; Student's t tells whether their mean is above
    zero, without assuming a bandwidth.
    """
    whole = products.whole
    each = correlation(whole)
    groups = _groups(setup)
    shape = (len(groups), *each.shape[1:])
    chance = np.ones(shape)
    mean, weight, error = (np.full(shape, np.nan) for _ in range(3))
    sums = np.zeros((3, len(groups), *products.kept.shape[2:]))
    for number, (_, rows) in enumerate(groups):
        known = np.isfinite(each[rows])
        chance[number] = mean_above_zero(each[rows], 0)
        counted = np.maximum(known.sum(axis=0), 1)
        mean[number] = np.where(known, each[rows], 0.0).sum(axis=0) / counted
        kept, removed, product = (
            part[rows].sum(axis=0) for part in (whole.kept, whole.removed, whole.product)
        )
        weight[number] = ratio(product, kept)
        error[number] = np.minimum(weight[number], ratio(product, np.sqrt(kept * removed)))
        for part, name in enumerate(("kept", "removed", "product")):
            by_octave = getattr(products, name)[rows]
            sums[part, number] = by_octave.sum(axis=(0, 1), dtype=np.float64)
    return GroupLikeness(chance, mean, weight, error, *sums)


def _groups(setup: MeasureSetup) -> list[tuple[Source, NDArray[np.int64]]]:
    return [(source, rows) for source in setup.sources for rows in setup.groups[source]]


@dataclass(frozen=True, eq=False)
class AlikeGroups:
    """Groups of shots in which kept and removed part are alike."""

    source: NDArray[np.generic]
    """(group,): Whose shots."""
    first_shot: NDArray[np.int64]
    """(group,): Row of the first shot of each group."""
    correlation: Values
    """float64, shape (group, channel, window): Mean over the shots."""
    weight: Values
    """float64, shape (group, channel, window): Orthogonalisation weight over the shots."""
    error_amplitude: Values
    """float64, shape (group, channel, window): Amplitude of the error that the likeness stands for,
    relative to the kept part, at least: signal that was taken would be the weight, interference
    that was left the correlation."""
    flagged: NDArray[np.bool_]
    """(group, channel, window): Above chance at the bounded rate of false discoveries, and of
    positive sign."""


def alike_groups(likeness: GroupLikeness, setup: MeasureSetup) -> AlikeGroups:
    """Test every group of shots, channel and window of a line together.

    Neighbouring channels see the same interference and are not independent; the rate of false
    discoveries allows for that.
    """
    groups = _groups(setup)
    return AlikeGroups(
        source=np.array([source for source, _ in groups]),
        first_shot=np.array([rows[0] for _, rows in groups], dtype=np.int64),
        correlation=likeness.mean,
        weight=likeness.weight,
        error_amplitude=likeness.error,
        flagged=flag(likeness.chance, dependent=True),
    )


@dataclass(frozen=True, eq=False)
class OctaveWeights:
    """Products over energies of all channels of a source, shape (source, window, octave)."""

    signal: Values
    signal_error: Values
    """Product over energy kept, and its standard error from groups of shots: the part of the kept
    amplitude that was taken, if it is signal."""
    interference: Values
    interference_error: Values
    """Product over energy removed: the part of the removed amplitude that was left, if it is
    interference."""


def octave_weights(likeness: GroupLikeness, setup: MeasureSetup) -> OctaveWeights:
    """Weights of each source, window and octave; NaN where nothing is there or measured."""
    counts = [len(setup.groups[source]) for source in setup.sources]
    source_of = np.repeat(np.arange(len(counts)), counts)
    out = np.full((4, len(setup.sources), *likeness.kept.shape[1:]), np.nan)
    measured = np.array([high > setup.low_cut_hz for _, high in octave_bands(setup.interval_s)])
    for number in np.unique(source_of):
        own = source_of == number
        product, count = likeness.product[own], int(own.sum())
        for place, energy in ((0, likeness.kept[own]), (2, likeness.removed[own])):
            whole = ratio(product.sum(axis=0), energy.sum(axis=0))
            out[place, number] = np.where(measured, whole, np.nan)
            if count > 1:  # of a ratio of sums, from its parts
                off = product - whole * energy
                error = np.sqrt(count / (count - 1) * np.sum(off**2, axis=0))
                out[place + 1, number] = ratio(error, energy.sum(axis=0))
    return OctaveWeights(*out)
