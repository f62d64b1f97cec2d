"""Likeness of a trial line and a benchmark, window by window: findings."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from deblend.decibels import amplitude_decibels
from deblend.model.findings import Finding
from deblend.qc.bands import octave_bands
from deblend.qc.limits import Limit, verdict_row
from deblend.trial.likeness import (
    SignalNoise,
    neighbour_snr_db,
    nrms_percent,
    predictability_percent,
    rms,
    shift_and_correlation,
    signal_and_noise,
)
from deblend.trial.paired_sections import SAME_PLACE_M, SMOOTHED_HZ, Match, Paired, Traces

MAX_LAG_S: Final = 0.02
"""Longest lag of the predictability."""
LEAST_TRACES: Final = 12
"""Fewer pairs do not tell signal from noise well enough for a verdict on it."""
CLEARLY_ALIKE: Final = 0.5
"""Correlation from which on shift and polarity are read (common practice, no source)."""


def compare_sections(
    paired: Paired,
    match: Match,
    windows_s: Sequence[tuple[float, float]],
    limits: Mapping[str, Limit],
    what: str,
    *,
    fold_counts: bool = True,
) -> list[Finding]:
    """Likeness of two lines in windows, and signal-to-noise of each; `what` is for messages.

    Where noise is alike from shot to shot, as after a coherence filter, no gain by fold is expected
    (not `fold_counts`), and none is judged.
    """
    trial, benchmark = match.apply(paired.trial), paired.benchmark
    return [
        *_about(paired, match, what),
        *_time_and_polarity(paired, limits, what),
        *_by_window(
            replace(paired, trial=trial, benchmark=benchmark),
            windows_s,
            limits,
            -amplitude_decibels(match.scalar) if fold_counts else float("nan"),
            what,
        ),
    ]


def _about(paired: Paired, match: Match, what: str) -> Iterator[Finding]:
    apart = paired.apart_m
    yield Finding(
        "position_difference",
        float(np.median(apart)),
        "m",
        "note",
        f"Median distance between traces that are compared, {what}; at most {apart.max():.1f} m, "
        f"{len(apart)} traces.",
    )
    yield Finding(
        "fold_ratio",
        paired.trial.fold / paired.benchmark.fold,
        "",
        "note",
        f"Fold of {paired.trial.name} ({paired.trial.fold:.3g}) over that of "
        f"{paired.benchmark.name} ({paired.benchmark.fold:.3g}), {what}.",
    )
    yield Finding(
        "strength_ratio",
        amplitude_decibels(match.scalar),
        "dB",
        "note",
        f"Rms of {paired.benchmark.name} over {paired.trial.name}, {what}; match applied to the "
        f"trial: {match.kind}.",
    )
    for low, high in octave_bands(paired.trial.interval_s):
        inside = (match.frequency_hz >= low) & (match.frequency_hz < high)
        if np.any(match.ratio[inside] != match.scalar):  # where the trial holds something
            yield Finding(
                "strength_ratio",
                amplitude_decibels(np.sqrt(np.mean(match.ratio[inside] ** 2))),
                "dB",
                "note",
                f"The same in an octave, smoothed over {SMOOTHED_HZ:g} Hz, {what}.",
                band_hz=(low, high),
            )


def _time_and_polarity(paired: Paired, limits: Mapping[str, Limit], what: str) -> Iterator[Finding]:
    """Whether time zero and polarity of the two lines agree; judged where the lines are alike."""
    trial, benchmark = paired.trial, paired.benchmark
    shift_s, alike = shift_and_correlation(trial.traces, benchmark.traces, trial.interval_s)
    clear = abs(alike) >= CLEARLY_ALIKE
    if clear and alike < 0.0:
        yield Finding(
            "opposite_polarity",
            alike,
            "",
            "fail",
            f"{benchmark.name} and {trial.name} have opposite polarities (correlation "
            f"{alike:.2f}), {what}; bring them to one convention first.",
        )
    side = "earlier" if shift_s < 0.0 else "later"
    yield verdict_row(
        limits,
        "time_shift",
        1e3 * abs(shift_s),
        f"{benchmark.name} comes that much {side} than {trial.name} where they are most alike "
        f"(correlation {alike:.2f}), {what}.",
        beyond_chance=clear and (paired.same_place or abs(shift_s) > _shift_by_place_s(paired)),
    )


def _shift_by_place_s(paired: Paired) -> float:
    """Twice the shift that a dip makes over the distance of the lines; dip from neighbours."""
    traces, place_m = paired.benchmark.traces, paired.benchmark.place_m
    step_m = np.linalg.norm(np.diff(place_m, axis=0), axis=1)
    near = (step_m > 0.0) & (step_m <= 1.5 * np.median(step_m)) if len(step_m) else step_m > 0.0
    if not near.any():
        return float("inf")
    shift_s, _ = shift_and_correlation(
        traces[:-1][near], traces[1:][near], paired.benchmark.interval_s
    )
    apart_m = float(np.sqrt(np.mean(paired.apart_m**2)))
    return 2.0 * abs(shift_s) * apart_m / float(step_m[near].mean())


def _by_window(
    paired: Paired,
    windows_s: Sequence[tuple[float, float]],
    limits: Mapping[str, Limit],
    strength_db: float,
    what: str,
) -> Iterator[Finding]:
    interval_s = paired.trial.interval_s
    expected = 10 * np.log10(paired.trial.fold / paired.benchmark.fold)
    for window_s in windows_s:
        start, stop = (round(edge / interval_s) for edge in window_s)
        first, second = (
            section.traces[:, start:stop] for section in (paired.trial, paired.benchmark)
        )
        if first.shape[1] < 2:
            continue
        powers = signal_and_noise(first, second)
        yield _nrms_row(paired, first, second, powers, limits, window_s, what)
        lag = min(round(MAX_LAG_S / interval_s), first.shape[1] - 1)
        yield Finding(
            "predictability",
            predictability_percent(first, second, lag),
            "%",
            "note",
            "100 sum(phi_ab^2) / sum(phi_aa phi_bb) over lags of "
            f"{1e3 * MAX_LAG_S:g} ms either way, {what}.",
            window_s=window_s,
        )
        ratios = [neighbour_snr_db(section) for section in (first, second)]
        for section, value in zip((paired.trial, paired.benchmark), ratios, strict=True):
            yield Finding(
                "neighbour_snr",
                value,
                "dB",
                "note",
                f"Signal over noise of {section.name} from the correlation of neighbouring "
                f"traces, {what}.",
                window_s=window_s,
            )
        gain = ratios[0] - ratios[1]
        if np.isfinite(gain):
            yield verdict_row(
                limits,
                "snr_gain_shortfall",
                float(expected - gain),
                f"Expected gain in signal over noise by fold {expected:.1f} dB, for noise that is "
                f"unrelated from shot to shot; measured {gain:.1f} dB, {what}.",
                beyond_chance=len(first) >= LEAST_TRACES
                and _steps_alike(paired)
                and np.isfinite(strength_db)
                and _falls_short(powers, float(expected) + strength_db, limits),
                window_s=window_s,
            )


def _steps_alike(paired: Paired) -> bool:
    """Whether neighbours are as far apart in both lines, so that dip tells them apart alike."""
    steps = [np.diff(one.place_m[:, :2], axis=0) for one in (paired.trial, paired.benchmark)]
    return bool(np.sqrt(np.mean(np.sum((steps[0] - steps[1]) ** 2, axis=1))) <= SAME_PLACE_M)


def _falls_short(
    powers: tuple[SignalNoise, SignalNoise] | None, expected_db: float, limits: Mapping[str, Limit]
) -> bool:
    """Whether the gain is short by noise: what both lines share of dip and faults is none."""
    if powers is None:
        return True
    gain_db = powers[0].snr_db - powers[1].snr_db
    if not np.isfinite(gain_db):
        return True
    return limits["snr_gain_shortfall"].verdict(expected_db - gain_db) != "pass"


def _nrms_row(
    paired: Paired,
    first: Traces,
    second: Traces,
    powers: tuple[SignalNoise, SignalNoise] | None,
    limits: Mapping[str, Limit],
    window_s: tuple[float, float],
    what: str,
) -> Finding:
    value = nrms_percent(first, second)
    definition = f"200 rms(a - b) / (rms a + rms b), {what}"
    if paired.same_place:
        # The noise of the benchmark is no fault of the trial.
        noise = 0.0 if powers is None else powers[1].noise / (second.size - second.shape[1])
        explained = 200.0 * np.sqrt(noise) / max(rms(first) + rms(second), 1e-30)
        rest = float(np.sqrt(max(0.0, value**2 - explained**2)))
        return verdict_row(
            limits,
            "nrms",
            value,
            f"{definition}; noise of {paired.benchmark.name} alone makes {explained:.1f} %.",
            beyond_chance=limits["nrms"].verdict(rest) != "pass",
            window_s=window_s,
        )
    return Finding(
        "nrms",
        value,
        "%",
        "note",
        f"{definition}; no verdict, because positions differ.",
        window_s=window_s,
    )
