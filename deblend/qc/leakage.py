"""Leakage and loss of a separation without a known answer, block by block, as rows and as maps."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft

from deblend.arrays import thread_count
from deblend.model.findings import Finding
from deblend.qc.crosstalk import CrosstalkEnergy, crosstalk_energy
from deblend.qc.group_likeness import alike_groups, group_likeness, octave_weights
from deblend.qc.leakage_rows import (
    Flags,
    about_the_measures,
    alike_rows,
    correlation_rows,
    crosstalk_rows,
    removed_rows,
    weight_rows,
)
from deblend.qc.likeness_maps import (
    SourceProducts,
    WindowProducts,
    join_products,
    likeness_maps,
    window_products,
)
from deblend.qc.measure_setup import Gathers, MeasureSetup, padded_length, without_low
from deblend.qc.metric import MeasuredBlock, MeasuredLine, Metric
from deblend.qc.octave_energy import OctaveEnergy, octave_energy, octave_rows
from deblend.qc.removed_signal import RemovedSignal, removed_signal
from deblend.qc.significance import flag_together
from deblend.qc.sums import Sums

if TYPE_CHECKING:
    import xarray

_SHOTS_AT_ONCE: Final = 16


@dataclass(frozen=True, eq=False)
class Leakage(Sums):
    """What was measured of some consecutive channels; add blocks in the order of channels."""

    crosstalk: CrosstalkEnergy
    """Between sources."""
    removed: RemovedSignal
    """Signal in the removed part."""
    products: tuple[WindowProducts, ...]
    """Likeness of kept and removed part, one a block; they grow with the line."""
    by_source: SourceProducts
    """Sums over all shots of a source."""
    octaves: OctaveEnergy
    """Spectra."""


def measure_leakage(
    setup: MeasureSetup,
    channels: range,
    pseudo_deblended: Gathers,
    estimate: Gathers,
    alive: NDArray[np.bool_] | None = None,
) -> Leakage:
    """Measure one block of channels.

    Parameters
    ----------
    channels : range
        Rows of the block.
    pseudo_deblended, estimate : ndarray of float32, shape (shot, channel, time)
        Gathers before and after separation; rows in the order of the setup's shots.
    alive : ndarray of bool, shape (channel,), optional
        False for dead channels, which take no part.
    """
    working = np.ones(len(channels), np.bool_) if alive is None else alive
    looked_at = np.flatnonzero(np.isin(np.asarray(channels), setup.channels) & working)
    kept_there, removed_there = (
        np.zeros((len(estimate), len(looked_at), setup.length), np.float32) for _ in range(2)
    )
    number = {source: i for i, source in enumerate(setup.sources)}
    source = np.array([number[each] for each in setup.shots.source.tolist()], dtype=np.int64)
    source[~setup.counted] = -1

    padded = padded_length(setup.length, setup)

    def part(begin: int) -> tuple[WindowProducts, SourceProducts, OctaveEnergy]:
        some = slice(begin, begin + _SHOTS_AT_ONCE)  # bounds the memory of filtered copies
        after = estimate[some]
        both = [after, pseudo_deblended[some] - after]
        if not working.all():
            both = [part * working[:, None] for part in both]
        own, other = (rfft(part, padded, axis=-1) for part in both)
        octaves = octave_energy(own, other, padded, setup.interval_s)
        kept, removed = (without_low(part, setup.length, padded, setup) for part in (own, other))
        kept_there[some], removed_there[some] = kept[:, looked_at], removed[:, looked_at]
        return *window_products(kept, removed, setup, source[some]), octaves

    with ThreadPoolExecutor(thread_count()) as pool:
        parts = list(pool.map(part, range(0, len(estimate), _SHOTS_AT_ONCE)))
    return Leakage(
        crosstalk_energy(kept_there, setup),
        removed_signal(kept_there, removed_there, setup),
        (join_products([products for products, _, _ in parts], axis=0),),
        _sum_of_shots([sums for _, sums, _ in parts]),
        OctaveEnergy(
            *(
                np.concatenate([getattr(octaves, name) for _, _, octaves in parts])
                for name in ("before", "kept", "removed")
            )
        ),
    )


def _sum_of_shots(parts: list[SourceProducts]) -> SourceProducts:
    """Sums over different shots of the same channels."""
    return SourceProducts(
        *(
            np.sum([getattr(part, name) for part in parts], axis=0)
            for name in ("kept_power", "removed_power", "product", "traces")
        )
    )


def leakage_maps(
    setup: MeasureSetup, leakage: Leakage, channel_numbers: NDArray[np.int64]
) -> xarray.Dataset:
    """Maps (shot, channel, window) of all channels; see `likeness_maps`."""
    return likeness_maps(join_products(list(leakage.products)), setup, channel_numbers)


def leakage_findings(line: MeasuredLine, leakage: Leakage) -> Iterator[Finding]:
    """Rows of the findings table; likeness from the products where the line does not have it."""
    setup, limits = line.setup, line.limits
    stands_out = line_flags(leakage)
    likeness = line.likeness
    if likeness is None:
        likeness = group_likeness(join_products(list(leakage.products)), setup)
    yield from about_the_measures(setup)
    yield from crosstalk_rows(setup, leakage.crosstalk, stands_out, limits)
    yield from removed_rows(setup, leakage.removed, stands_out, limits)
    yield from correlation_rows(setup, leakage.by_source, limits)
    yield from alike_rows(setup, alike_groups(likeness, setup), limits, line.channel_numbers)
    yield from weight_rows(setup, octave_weights(likeness, setup))
    yield from octave_rows(setup, leakage.octaves)


def line_flags(leakage: Leakage) -> Flags:
    """Test all figures of a line together."""
    return Flags(
        *flag_together(
            [
                leakage.crosstalk.copied_chance,
                leakage.crosstalk.other_chance,
                leakage.removed.lost_chance,
                leakage.removed.coherent_chance,
            ]
        )
    )


def _measure(block: MeasuredBlock) -> Leakage:
    leakage = measure_leakage(
        block.own_setup, block.channels, block.before, block.estimate, block.alive
    )
    return replace(leakage, octaves=block.in_line_rows(leakage.octaves))


def _without_products(leakage: Leakage) -> Leakage:
    return replace(leakage, products=())


LEAKAGE: Final = Metric("leakage", leakage_findings, _measure, _without_products)
