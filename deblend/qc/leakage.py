"""Leakage and loss of a separation without a known answer, block by block, as rows and as maps."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from deblend.arrays import thread_count
from deblend.model.findings import Finding
from deblend.qc.bands import octave_bands
from deblend.qc.crosstalk import CrosstalkEnergy, crosstalk_energy
from deblend.qc.likeness_maps import (
    AlikeGroups,
    OctaveWeights,
    SourceProducts,
    WindowProducts,
    alike_groups,
    join_products,
    likeness_maps,
    octave_weights,
    spectrum_length,
    window_products,
)
from deblend.qc.limits import Limit, judged
from deblend.qc.measure_plan import LEAST_SHOTS, Gathers, MeasurePlan, cut_low
from deblend.qc.octave_energy import OctaveEnergy, octave_energy, octave_findings
from deblend.qc.removed_signal import RemovedSignal, removed_signal
from deblend.qc.significance import correlation_null, flag_together

if TYPE_CHECKING:
    import xarray

WORST_WINDOWS: Final = 5
_SHOTS_AT_ONCE: Final = 64


@dataclass(frozen=True, eq=False)
class Leakage:
    """What was measured of some consecutive channels; add blocks in the order of channels.

    Parameters
    ----------
    crosstalk : CrosstalkEnergy
        Between sources.
    removed : RemovedSignal
        Signal in the removed part.
    products : tuple of WindowProducts
        Likeness of kept and removed part, one a block.
    by_source : SourceProducts
        The same over all shots of a source.
    octaves : OctaveEnergy
        Spectra.
    """

    crosstalk: CrosstalkEnergy
    removed: RemovedSignal
    products: tuple[WindowProducts, ...]
    by_source: SourceProducts
    octaves: OctaveEnergy

    def __add__(self, other: Leakage) -> Leakage:
        return Leakage(
            self.crosstalk + other.crosstalk,
            self.removed + other.removed,
            self.products + other.products,
            self.by_source + other.by_source,
            self.octaves + other.octaves,
        )


def measure_leakage(
    plan: MeasurePlan,
    channels: range,
    pseudo_deblended: Gathers,
    estimate: Gathers,
    alive: NDArray[np.bool_] | None = None,
) -> Leakage:
    """Measure one block of channels.

    Parameters
    ----------
    plan : MeasurePlan
        The line.
    channels : range
        Rows of the block.
    pseudo_deblended, estimate : ndarray of float32, shape (shot, channel, time)
        Gathers before and after separation; rows in the order of the plan's shots.
    alive : ndarray of bool, shape (channel,), optional
        False for dead channels, which take no part.

    Returns
    -------
    Leakage
    """
    working = np.ones(len(channels), np.bool_) if alive is None else alive
    looked_at = np.flatnonzero(np.isin(np.asarray(channels), plan.channels) & working)
    kept_there, removed_there = (
        np.zeros((len(estimate), len(looked_at), plan.length), np.float32) for _ in range(2)
    )
    number = {source: i for i, source in enumerate(plan.sources)}
    source = np.array([number[each] for each in plan.shots.source.tolist()], dtype=np.int64)
    source[~plan.counted] = -1

    def part(begin: int) -> tuple[WindowProducts, SourceProducts, OctaveEnergy]:
        some = slice(begin, begin + _SHOTS_AT_ONCE)  # bounds the memory of filtered copies
        before, after = pseudo_deblended[some], estimate[some]
        kept, removed = cut_low(after, plan), cut_low(before - after, plan)
        if not working.all():
            kept, removed = kept * working[:, None], removed * working[:, None]
            before, after = before[:, working], after[:, working]
        kept_there[some], removed_there[some] = kept[:, looked_at], removed[:, looked_at]
        octaves = octave_energy(before, after, plan.interval_s)
        return *window_products(kept, removed, plan, source[some]), octaves

    with ThreadPoolExecutor(thread_count()) as pool:
        parts = list(pool.map(part, range(0, len(estimate), _SHOTS_AT_ONCE)))
    return Leakage(
        crosstalk_energy(kept_there, plan),
        removed_signal(kept_there, removed_there, plan),
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
    plan: MeasurePlan, leakage: Leakage, channel_numbers: NDArray[np.int64]
) -> xarray.Dataset:
    """Maps (shot, channel, window) of all channels; see `likeness_maps`."""
    return likeness_maps(join_products(list(leakage.products)), plan, channel_numbers)


def leakage_findings(
    plan: MeasurePlan,
    leakage: Leakage,
    limits: Mapping[str, Limit],
    channel_numbers: NDArray[np.int64],
) -> list[Finding]:
    """Rows of the findings table.

    Parameters
    ----------
    plan : MeasurePlan
        The line.
    leakage : Leakage
        Of all channels.
    limits : mapping of str to Limit
        From `deblend.qc.limits`.
    channel_numbers : ndarray of int64, shape (channel,)
        Labels of the channels.
    """
    stands_out = line_flags(leakage)
    products = join_products(list(leakage.products))
    return [
        *_about_the_measures(plan),
        *_crosstalk_rows(plan, leakage.crosstalk, stands_out, limits),
        *_removed_rows(plan, leakage.removed, stands_out, limits),
        *_correlation_rows(plan, leakage.by_source, limits),
        *_alike_rows(plan, alike_groups(products, plan), limits, channel_numbers),
        *_weight_rows(plan, octave_weights(products, plan)),
        *octave_findings(leakage.octaves, plan.shots, plan.counted, plan.interval_s),
    ]


@dataclass(frozen=True, eq=False)
class Flags:
    """Which figures stand out from chance, at one rate of false discoveries for the whole line.

    Parameters
    ----------
    copied, other : ndarray of bool, shape (source in, source from, window)
        Of `CrosstalkEnergy`.
    lost, coherent : ndarray of bool, shape (source, window)
        Of `RemovedSignal`.
    """

    copied: NDArray[np.bool_]
    other: NDArray[np.bool_]
    lost: NDArray[np.bool_]
    coherent: NDArray[np.bool_]


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


def _about_the_measures(plan: MeasurePlan) -> Iterator[Finding]:
    yield Finding(
        "lowest_frequency_measured",
        plan.low_cut_hz,
        "Hz",
        "note",
        "Below it the dither is too small for interference to scatter from shot to shot; leakage "
        "and loss are measured above.",
    )
    for source in plan.sources:
        if not plan.groups[source]:
            yield Finding(
                "too_few_shots",
                float(len(plan.rows[source])),
                "shots",
                "look",
                f"Leakage and loss of this source are not measured: at least {LEAST_SHOTS} "
                "delivered shots are needed.",
                source=source,
                limit=float(LEAST_SHOTS),
            )


def _crosstalk_rows(
    plan: MeasurePlan, energy: CrosstalkEnergy, flags: Flags, limits: Mapping[str, Limit]
) -> Iterator[Finding]:
    copied, error = energy.copied, energy.copied_error
    for i, j, w in np.argwhere(np.isfinite(energy.copied_chance)).tolist():
        first, second = plan.sources[i], plan.sources[j]
        turned = ", with its polarity turned: too much was taken" if copied[i, j, w] < 0 else ""
        yield judged(
            limits,
            "interference_left",
            100.0 * abs(float(copied[i, j, w])),
            f"Amplitude of source {second} that is found, in its own waveform, in the gathers of "
            f"source {first}, give or take {100 * error[i, j, w]:.2g} %{turned}; windows count "
            "from its firing.",
            beyond_chance=bool(flags.copied[i, j, w]),
            error=100.0 * float(error[i, j, w]),
            source=first,
            window_s=plan.windows_s[w],
            other_source=second,
        )
    leaked = energy.leaked(flags.copied, flags.other)
    surely = energy.surely_leaked(flags.copied, flags.other)
    found = (flags.copied | flags.other) & (leaked > 0)
    for i, j, w in np.argwhere(np.isfinite(energy.other_chance)).tolist():
        first, second = plan.sources[i], plan.sources[j]
        part = leaked[i, j, w] if found[i, j, w] else (2.0 * error[i, j, w]) ** 2
        message = (
            f"Energy of source {second} left in the gathers of source {first}, relative to source "
            f"{second}, {_waveforms(bool(flags.copied[i, j, w]), bool(flags.other[i, j, w]))}"
            if found[i, j, w]
            else f"Nothing of source {second} found in the gathers of source {first}: less than "
            "this, relative to it"
        )
        value = _decibels(part)
        yield judged(
            limits,
            "crosstalk",
            value,
            f"{message}; windows count from its firing.",
            beyond_chance=bool(found[i, j, w]),
            error=0.5 * (value - _decibels(surely[i, j, w])) if found[i, j, w] else None,
            source=first,
            window_s=plan.windows_s[w],
            other_source=second,
        )


def _waveforms(copied: bool, other: bool) -> str:
    if copied and other:
        return "in its own waveform and in another"
    return "in its own waveform" if copied else "in another waveform than its own"


def _removed_rows(
    plan: MeasurePlan, signal: RemovedSignal, flags: Flags, limits: Mapping[str, Limit]
) -> Iterator[Finding]:
    for i, source in enumerate(plan.sources):
        for w, window_s in enumerate(plan.windows_s):
            if np.isfinite(signal.lost_fraction[i, w]):
                error = 100 * float(signal.lost_error[i, w])
                yield judged(
                    limits,
                    "signal_removed",
                    100 * float(signal.lost_fraction[i, w]),
                    "Amplitude of the kept events that is found in the removed part, give or take "
                    f"{error:.2g} %.",
                    beyond_chance=bool(flags.lost[i, w]),
                    error=error,
                    source=source,
                    window_s=window_s,
                )
            if np.isfinite(signal.coherent_chance[i, w]):
                found = bool(flags.coherent[i, w])
                values = signal.coherent_over_kept if found else signal.coherent_detectable
                value = _decibels(values[i, w])
                yield judged(
                    limits,
                    "coherent_removed",
                    value,
                    "Energy in the removed part that lines up from shot to shot, relative to the "
                    "energy kept."
                    if found
                    else "Nothing that lines up was found in the removed part: less than this, "
                    "relative to the energy kept.",
                    beyond_chance=found,
                    error=0.5 * (value - _decibels(signal.coherent_surely[i, w]))
                    if found
                    else None,
                    source=source,
                    window_s=window_s,
                )


def _correlation_rows(
    plan: MeasurePlan, sums: SourceProducts, limits: Mapping[str, Limit]
) -> Iterator[Finding]:
    """Correlation of kept and removed part against three standard deviations of its null.

    Neighbouring channels see the same interference, so that only shots count as independent.
    """
    found = sums.correlation
    bandwidth = sums.bandwidth_hz(1.0 / (spectrum_length(plan) * plan.interval_s))
    for i, source in enumerate(plan.sources):
        shots = max(1, round(sums.traces[i] / plan.channel_count))
        for w, (start_s, stop_s) in enumerate(plan.windows_s):
            if np.isfinite(found[i, w]):
                null = correlation_null(float(bandwidth[i, w]), stop_s - start_s, shots)
                yield judged(
                    limits,
                    "kept_removed_correlation",
                    3.0 * float(found[i, w]) / null,
                    f"Correlation of kept and removed part is {found[i, w]:.3g}; three standard "
                    f"deviations of unrelated traces are {null:.2g} (bandwidth "
                    f"{bandwidth[i, w]:.3g} Hz, {stop_s - start_s:.3g} s, {shots} shots).",
                    source=source,
                    window_s=(start_s, stop_s),
                )


def _alike_rows(
    plan: MeasurePlan,
    groups: AlikeGroups,
    limits: Mapping[str, Limit],
    channel_numbers: NDArray[np.int64],
) -> Iterator[Finding]:
    least = limits["signal_removed"].look / 100.0
    wrong = groups.flagged & (groups.error_amplitude > least)
    for source in plan.sources:
        own = groups.source == source
        tested = np.isfinite(groups.correlation[own])
        for w, window_s in enumerate(plan.windows_s):
            if tested[..., w].any():
                share = wrong[own][..., w].sum() / tested[..., w].sum()
                yield judged(
                    limits,
                    "alike_windows",
                    100.0 * float(share),
                    f"Windows ({plan.group_shots} shots of a channel) in which kept and removed "
                    "part are alike beyond chance, and so much that signal was removed or "
                    f"interference left of more than {100 * least:g} % of the amplitude kept.",
                    source=source,
                    window_s=window_s,
                )
    ranked = np.where(wrong, groups.correlation, -np.inf).ravel()
    for flat in np.argsort(-ranked, kind="stable")[:WORST_WINDOWS]:
        if np.isfinite(ranked[flat]):
            g, c, w = np.unravel_index(flat, groups.correlation.shape)
            yield Finding(
                "worst_alike_window",
                float(ranked[flat]),
                "",
                "note",
                f"Correlation of kept and removed part over {plan.group_shots} shots from here; "
                f"the removed part holds {100 * groups.weight[g, c, w]:.2g} % of the kept one.",
                source=groups.source[g].item(),
                shot_point=int(plan.shots.shot_point[groups.first_shot[g]]),
                channel=int(channel_numbers[c]),
                window_s=plan.windows_s[w],
            )


def _weight_rows(plan: MeasurePlan, weights: OctaveWeights) -> Iterator[Finding]:
    for metric, values, errors, meaning in (
        (
            "removed_like_kept",
            weights.signal,
            weights.signal_error,
            "Part of the kept amplitude that is found in the removed part, in the octave: signal "
            "that was taken, if no interference was left",
        ),
        (
            "kept_like_removed",
            weights.interference,
            weights.interference_error,
            "Part of the removed amplitude that is found in the kept part, in the octave: "
            "interference that was left, if no signal was taken",
        ),
    ):
        for i, w, octave in np.argwhere(np.isfinite(values)).tolist():
            error = float(errors[i, w, octave])
            known = f"; give or take {100 * error:.2g} %" if np.isfinite(error) else ""
            yield Finding(
                metric,
                100.0 * float(values[i, w, octave]),
                "%",
                "note",
                f"{meaning}{known}.",
                source=plan.sources[i],
                window_s=plan.windows_s[w],
                band_hz=octave_bands(plan.interval_s)[octave],
                error=100.0 * error if known else None,
            )


def _decibels(ratio: float) -> float:
    return float(10.0 * np.log10(max(float(ratio), 1e-12)))
