"""Rows of the findings table about leakage and loss."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.decibels import floored_decibels
from deblend.model.findings import Finding
from deblend.qc.bands import octave_bands
from deblend.qc.crosstalk import CrosstalkEnergy
from deblend.qc.group_likeness import AlikeGroups, OctaveWeights
from deblend.qc.likeness_maps import SourceProducts, spectrum_length
from deblend.qc.limits import Limit, verdict_row
from deblend.qc.measure_setup import LEAST_SHOTS, MeasureSetup
from deblend.qc.removed_signal import RemovedSignal
from deblend.qc.significance import correlation_null

WORST_WINDOWS: Final = 5


@dataclass(frozen=True, eq=False)
class Flags:
    """Which figures stand out from chance, at one rate of false discoveries for the whole line."""

    copied: NDArray[np.bool_]
    other: NDArray[np.bool_]
    """(source in, source from, window): Of `CrosstalkEnergy`."""
    lost: NDArray[np.bool_]
    coherent: NDArray[np.bool_]
    """(source, window): Of `RemovedSignal`."""


def about_the_measures(setup: MeasureSetup) -> Iterator[Finding]:
    """What is measured at all."""
    yield Finding(
        "lowest_frequency_measured",
        setup.low_cut_hz,
        "Hz",
        "note",
        "Below it the dither is too small for interference to scatter from shot to shot; leakage "
        "and loss are measured above.",
    )
    for source in setup.sources:
        if not setup.groups[source]:
            yield Finding(
                "too_few_shots",
                float(len(setup.rows[source])),
                "shots",
                "look",
                f"Leakage and loss of this source are not measured: at least {LEAST_SHOTS} "
                "delivered shots are needed.",
                source=source,
                limit=float(LEAST_SHOTS),
            )


def crosstalk_rows(
    setup: MeasureSetup, energy: CrosstalkEnergy, flags: Flags, limits: Mapping[str, Limit]
) -> Iterator[Finding]:
    """How much of each source is left in each other one."""
    copied, error = energy.copied, energy.copied_error
    for i, j, w in np.argwhere(np.isfinite(energy.copied_chance)).tolist():
        first, second = setup.sources[i], setup.sources[j]
        turned = ", with its polarity turned: too much was taken" if copied[i, j, w] < 0 else ""
        yield verdict_row(
            limits,
            "interference_left",
            100.0 * abs(float(copied[i, j, w])),
            f"Amplitude of source {second} that is found, in its own waveform, in the gathers of "
            f"source {first}, give or take {_percent(error[i, j, w])} %{turned}; windows count "
            "from its firing.",
            beyond_chance=bool(flags.copied[i, j, w]),
            error=100.0 * float(error[i, j, w]),
            source=first,
            window_s=setup.windows_s[w],
            other_source=second,
        )
    leaked = energy.leaked(flags.copied, flags.other)
    surely = energy.surely_leaked(flags.copied, flags.other)
    found = (flags.copied | flags.other) & (leaked > 0)
    for i, j, w in np.argwhere(np.isfinite(energy.other_chance)).tolist():
        first, second = setup.sources[i], setup.sources[j]
        part = leaked[i, j, w] if found[i, j, w] else (2.0 * error[i, j, w]) ** 2
        message = (
            f"Energy of source {second} left in the gathers of source {first}, relative to source "
            f"{second}, {_waveforms(bool(flags.copied[i, j, w]), bool(flags.other[i, j, w]))}"
            if found[i, j, w]
            else f"Nothing of source {second} found in the gathers of source {first}: less than "
            "this, relative to it"
        )
        value = floored_decibels(part)
        yield verdict_row(
            limits,
            "crosstalk",
            value,
            f"{message}; windows count from its firing.",
            beyond_chance=bool(found[i, j, w]),
            error=0.5 * (value - floored_decibels(surely[i, j, w])) if found[i, j, w] else None,
            source=first,
            window_s=setup.windows_s[w],
            other_source=second,
        )


def _percent(part: float) -> str:
    """Two digits, and never a power of ten."""
    return f"{100 * part:.2g}" if part < 0.995 else f"{100 * part:.0f}"


def _waveforms(copied: bool, other: bool) -> str:
    if copied and other:
        return "in its own waveform and in another"
    return "in its own waveform" if copied else "in another waveform than its own"


def removed_rows(
    setup: MeasureSetup, signal: RemovedSignal, flags: Flags, limits: Mapping[str, Limit]
) -> Iterator[Finding]:
    """How much signal is in the removed part."""
    for i, source in enumerate(setup.sources):
        for w, window_s in enumerate(setup.windows_s):
            if np.isfinite(signal.lost_fraction[i, w]):
                error = float(signal.lost_error[i, w])
                yield verdict_row(
                    limits,
                    "signal_removed",
                    100 * float(signal.lost_fraction[i, w]),
                    "Amplitude of the kept events that is found in the removed part, give or take "
                    f"{_percent(error)} %.",
                    beyond_chance=bool(flags.lost[i, w]),
                    error=100 * error,
                    source=source,
                    window_s=window_s,
                )
            if np.isfinite(signal.coherent_chance[i, w]):
                found = bool(flags.coherent[i, w])
                values = signal.coherent_over_kept if found else signal.coherent_detectable
                value = floored_decibels(values[i, w])
                yield verdict_row(
                    limits,
                    "coherent_removed",
                    value,
                    "Energy in the removed part that lines up from shot to shot, relative to the "
                    "energy kept."
                    if found
                    else "Nothing that lines up was found in the removed part: less than this, "
                    "relative to the energy kept.",
                    beyond_chance=found,
                    error=0.5 * (value - floored_decibels(signal.coherent_surely[i, w]))
                    if found
                    else None,
                    source=source,
                    window_s=window_s,
                )


def correlation_rows(
    setup: MeasureSetup, sums: SourceProducts, limits: Mapping[str, Limit]
) -> Iterator[Finding]:
    """Correlation of kept and removed part against three standard deviations of its null.

    Neighbouring channels see the same interference, so that only shots count as independent.
    """
    found = sums.correlation
    bandwidth = sums.bandwidth_hz(1.0 / (spectrum_length(setup) * setup.interval_s))
    for i, source in enumerate(setup.sources):
        shots = max(1, round(sums.traces[i] / setup.channel_count))
        for w, (start_s, stop_s) in enumerate(setup.windows_s):
            if np.isfinite(found[i, w]):
                null = correlation_null(float(bandwidth[i, w]), stop_s - start_s, shots)
                yield verdict_row(
                    limits,
                    "kept_removed_correlation",
                    3.0 * float(found[i, w]) / null,
                    f"Correlation of kept and removed part is {found[i, w]:.3g}; three standard "
                    f"deviations of unrelated traces are {null:.2g} (bandwidth "
                    f"{bandwidth[i, w]:.3g} Hz, {stop_s - start_s:.3g} s, {shots} shots).",
                    source=source,
                    window_s=(start_s, stop_s),
                )


def alike_rows(
    setup: MeasureSetup,
    groups: AlikeGroups,
    limits: Mapping[str, Limit],
    channel_numbers: NDArray[np.int64],
) -> Iterator[Finding]:
    """Where kept and removed part are alike, source by source, and the worst places."""
    least = limits["signal_removed"].look / 100.0
    wrong = groups.flagged & (groups.error_amplitude > least)
    for source in setup.sources:
        own = groups.source == source
        tested = np.isfinite(groups.correlation[own])
        for w, window_s in enumerate(setup.windows_s):
            if tested[..., w].any():
                found, all_there = int(wrong[own][..., w].sum()), int(tested[..., w].sum())
                yield verdict_row(
                    limits,
                    "alike_windows",
                    100.0 * found / all_there,
                    f"{found} of {all_there} windows ({setup.group_shots} shots of a channel) in "
                    "which kept and removed part are alike beyond chance, and so much that signal "
                    f"was removed or interference left of more than {100 * least:g} % of the "
                    "amplitude kept.",
                    error=100.0 * _share_error(found, all_there),
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
                f"Correlation of kept and removed part over {setup.group_shots} shots from here; "
                f"the removed part holds {100 * groups.weight[g, c, w]:.2g} % of the kept one.",
                source=groups.source[g].item(),
                shot_point=int(setup.shots.shot_point[groups.first_shot[g]]),
                channel=int(channel_numbers[c]),
                window_s=setup.windows_s[w],
            )


def weight_rows(setup: MeasureSetup, weights: OctaveWeights) -> Iterator[Finding]:
    """Likeness by octave, as it would read for signal and for interference."""
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
                source=setup.sources[i],
                window_s=setup.windows_s[w],
                band_hz=octave_bands(setup.interval_s)[octave],
                error=100.0 * error if known else None,
            )


def _share_error(found: int, all_there: int) -> float:
    """Standard deviation of a share that was counted; never 0, however few were counted."""
    share = (found + 1) / (all_there + 2)
    return float(np.sqrt(share * (1.0 - share) / all_there))
