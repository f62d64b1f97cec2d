"""Likeness of kept and removed part for every shot, channel, window and octave.

Kept and removed part of a good separation have nothing to do with each other. Where they are alike,
signal was taken, or interference was left: the map says where, `removed_signal` and `crosstalk` say
which.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len, rfft, rfftfreq

from deblend.qc.bands import band_weights, octave_bands
from deblend.qc.measure_setup import Gathers, MeasureSetup, ratio
from deblend.qc.sums import Sums

if TYPE_CHECKING:
    import xarray

SMOOTHED_SHOTS: Final = 5
"""Neighbouring shots of a source in a local similarity."""
TAPER_S: Final = 0.1
"""Length over which neighbouring windows cross over."""

Energies = NDArray[Any]


@dataclass(frozen=True, eq=False)
class WindowProducts:
    """Sums over the samples of each window and octave; join them over blocks of channels."""

    kept: Energies
    removed: Energies
    product: Energies
    """float32, shape (shot, channel, window, octave): Energy of the estimate, energy of the removed
    part, and sum of their products."""

    @property
    def whole(self) -> WindowProducts:
        """Summed over octaves, in float64, shape (shot, channel, window)."""
        return WindowProducts(
            *(
                part.sum(axis=-1, dtype=np.float64)
                for part in (self.kept, self.removed, self.product)
            )
        )


@dataclass(frozen=True, eq=False)
class SourceProducts(Sums):
    """Sums over the shots of each source; add them over blocks of channels."""

    kept_power: Energies
    removed_power: Energies
    """float64, shape (source, window, frequency): Power spectra."""
    product: Energies
    """float64, shape (source, window): Sum of products."""
    traces: NDArray[np.int64]
    """(source,): Traces that took part."""

    @property
    def correlation(self) -> Energies:
        """Of kept and removed part over all shots and channels, shape (source, window)."""
        return ratio(
            self.product, np.sqrt(self.kept_power.sum(axis=-1) * self.removed_power.sum(axis=-1))
        )

    def bandwidth_hz(self, step_hz: float) -> Energies:
        """Effective bandwidth of the products, shape (source, window)."""
        joint = np.sum(self.kept_power * self.removed_power, axis=-1)
        return step_hz * ratio(
            self.kept_power.sum(axis=-1) * self.removed_power.sum(axis=-1), joint
        )


def spectrum_length(setup: MeasureSetup) -> int:
    """Samples that the windows of a setup are padded to before transforms."""
    return int(next_fast_len(max(stop - start for start, stop, _ in _tapered(setup)), real=True))


def _tapered(setup: MeasureSetup) -> list[tuple[int, int, NDArray[np.float32]]]:
    """Windows lengthened to cross over with their neighbours; squared tapers add up to one."""
    out = []
    for start, stop in setup.windows:
        half = min(round(0.5 * TAPER_S / setup.interval_s), (stop - start) // 4)
        before, after = min(half, start), min(half, setup.length - stop)
        taper = np.ones(stop - start + before + after, np.float32)
        for ramp, width in ((taper, before), (taper[::-1], after)):
            angle = 0.25 * np.pi * (np.arange(2 * width) + 0.5) / max(width, 1)
            ramp[: 2 * width] = np.sin(angle)
        out.append((start - before, stop + after, taper))
    return out


def window_products(
    kept: Gathers, removed: Gathers, setup: MeasureSetup, source: NDArray[np.int64]
) -> tuple[WindowProducts, SourceProducts]:
    """Energies and products of low-cut gathers, (shot, channel, time).

    `source` says which of the setup's sources each shot is of; -1 for shots that do not count.
    """
    padded = spectrum_length(setup)
    frequency = rfftfreq(padded, setup.interval_s)
    twice = np.where((frequency == 0) | (2 * frequency * setup.interval_s > 1 - 1e-9), 1.0, 2.0)
    weight = band_weights(frequency, octave_bands(setup.interval_s)) ** 2 * (twice / padded)
    octaves = np.ascontiguousarray(weight.T, dtype=np.float32)
    windows, shape = _tapered(setup), kept.shape[:2]
    parts = np.empty((3, *shape, len(windows), octaves.shape[1]), np.float32)
    sums = np.zeros((3, len(setup.sources), len(windows), len(frequency)))
    power = np.empty((3, *shape, len(frequency)), np.float32)
    for column, (start, stop, taper) in enumerate(windows):
        own, other = (rfft(part[..., start:stop] * taper, padded) for part in (kept, removed))
        np.add(np.square(own.real), np.square(own.imag), out=power[0])
        np.add(np.square(other.real), np.square(other.imag), out=power[1])
        np.add(own.real * other.real, own.imag * other.imag, out=power[2])
        parts[..., column, :] = power @ octaves
        for number in range(len(setup.sources)):
            some = power[:, source == number].sum(axis=(1, 2), dtype=np.float64)
            sums[:, number, column] += some * (twice / padded)
    there = parts[0].any(axis=(2, 3)).sum(axis=1)
    traces = np.array([there[source == number].sum() for number in range(len(setup.sources))])
    products = sums[2].sum(axis=-1)
    return WindowProducts(*parts), SourceProducts(sums[0], sums[1], products, traces)


def join_products(parts: list[WindowProducts], axis: int = 1) -> WindowProducts:
    """Products of consecutive blocks of channels as one, or of shots along axis 0."""
    return WindowProducts(
        *(
            np.concatenate([getattr(part, name) for part in parts], axis=axis)
            for name in ("kept", "removed", "product")
        )
    )


def likeness_maps(
    products: WindowProducts,
    setup: MeasureSetup,
    channel_numbers: NDArray[np.int64],
) -> xarray.Dataset:
    """Labelled maps of all channels.

    Returns
    -------
    xarray.Dataset
        float32, dimensions (shot, channel, window), and the same with ``_by_octave`` behind the
        name and a fourth dimension octave; NaN where a shot takes no part or nothing is there, and
        in octaves below the lowest frequency measured.
        ``correlation``: of kept and removed part in the window. ``local_similarity``: square root
        of the product of the two least-squares ratios [1]_, here over the window and five
        neighbouring shots under a triangle, in place of a smoothness constraint.
        ``orthogonalisation_weight``: product over energy kept [2]_ over the same; w / (1 + w) is
        the part of the amplitude of the signal that was taken, if no interference was left.
        ``interference_weight``: product over energy removed; v / (1 + v) is the part of the
        amplitude of the interference that was left, if no signal was taken. The crosstalk matrix
        and the stacks of the removed part say which of the two it is.
        ``kept_energy_by_octave``, ``removed_energy_by_octave``: in squared amplitude.

    References
    ----------
    .. [1] S. Fomel, 2007, Local seismic attributes, Geophysics 72(3), A29-A33.
    .. [2] Y. Chen and S. Fomel, 2015, Random noise attenuation using local signal-and-noise
           orthogonalization, Geophysics 80(6), WD1-WD9.
    """
    import xarray

    octaves = octave_bands(setup.interval_s)
    dims = ("shot", "channel", "window")
    maps: dict[str, tuple[tuple[str, ...], Energies]] = {}
    for name, values in _metrics(products.whole, setup).items():
        maps[name] = (dims, values)
        maps[f"{name}_by_octave"] = (
            (*dims, "octave"),
            np.full(products.kept.shape, np.nan, np.float32),
        )
    for number, (_, highest) in enumerate(octaves):  # one after the other bounds the memory
        if highest > setup.low_cut_hz:
            for name, values in _metrics(_octave(products, number), setup).items():
                maps[f"{name}_by_octave"][1][..., number] = values
    for name, energy in (("kept", products.kept), ("removed", products.removed)):
        maps[f"{name}_energy_by_octave"] = ((*dims, "octave"), energy)
    shots = setup.shots
    return xarray.Dataset(
        maps,
        coords={
            "source": ("shot", shots.source),
            "shot_point": ("shot", shots.shot_point),
            "channel": ("channel", channel_numbers),
            "window_start": ("window", [start for start, _ in setup.windows_s], {"units": "s"}),
            "window_stop": ("window", [stop for _, stop in setup.windows_s], {"units": "s"}),
            "octave_low": ("octave", [low for low, _ in octaves], {"units": "Hz"}),
            "octave_high": ("octave", [high for _, high in octaves], {"units": "Hz"}),
        },
        attrs={"lowest_frequency_hz": setup.low_cut_hz},
    )


def _octave(products: WindowProducts, number: int) -> WindowProducts:
    return WindowProducts(
        *(
            part[..., number].astype(np.float64)
            for part in (products.kept, products.removed, products.product)
        )
    )


def _metrics(products: WindowProducts, setup: MeasureSetup) -> dict[str, NDArray[np.float32]]:
    """Maps (shot, channel, window) of products of that shape."""
    smooth = WindowProducts(
        *(
            _over_neighbours(part, setup)
            for part in (products.kept, products.removed, products.product)
        )
    )
    maps = {
        "correlation": correlation(products),
        "local_similarity": np.abs(correlation(smooth)),
        "orthogonalisation_weight": ratio(smooth.product, smooth.kept),
        "interference_weight": ratio(smooth.product, smooth.removed),
    }
    for values in maps.values():
        values[~setup.counted] = np.nan
    return {name: values.astype(np.float32) for name, values in maps.items()}


def correlation(products: WindowProducts) -> Energies:
    """Normalised correlation of kept and removed part; NaN where either is zero."""
    return ratio(products.product, np.sqrt(products.kept) * np.sqrt(products.removed))


def _over_neighbours(values: Energies, setup: MeasureSetup) -> Energies:
    """Triangle-weighted sums over neighbouring shots of the same source."""
    out = np.zeros_like(values)
    half = SMOOTHED_SHOTS // 2
    for rows in setup.rows.values():
        for step in range(-half, half + 1):
            weight = 1.0 - abs(step) / (half + 1)
            to = rows[max(0, -step) : len(rows) - max(0, step)]
            from_ = rows[max(0, step) : len(rows) - max(0, -step)]
            out[to] += weight * values[from_]
    return out
