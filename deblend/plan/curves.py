"""Curves of the pictures of a plan."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.plan.alternative import (
    KNOT_M_S,
    channel_offsets_m,
    clean_by_channel_s,
    source_positions_m,
    speeds_m_s,
    streamer_positions_m,
    together,
)
from deblend.plan.contents import PlanContents
from deblend.plan.dither_diagnostics import (
    LOWEST_HZ,
    OCTAVES_HZ,
    WINDOW_SHOTS,
    coherent_power,
    expected_power,
    pairings,
)
from deblend.plan.firing import largest_delay_s
from deblend.plan.midpoint_lines import crossline_bin_m
from deblend.plan.numbers import AlternativeNumbers
from deblend.plan.shot_timing import (
    blending_fold,
    clean_length_s,
    fold,
    interference_level_db,
    level_db,
    source_interval_m,
    time_between_shots_s,
)
from deblend.report.plan_figures import AlternativeCurves, PlanCurves
from deblend.report.plan_signal_figures import DelayCurves, PredictedCurves, SignatureCurves
from deblend.words import counted

Floats = NDArray[np.float64]
SEPARATIONS_M: Final = np.linspace(40.0, 160.0, 121)
INTERVALS_M: Final = np.linspace(5.0, 40.0, 141)
FOLD_STEPS: Final = 240
SHOTS_SHOWN: Final = 240
PAIRS_SHOWN: Final = 3
"""Curves of coherent power in one panel; more hide each other."""


def plan_curves(contents: PlanContents) -> PlanCurves:
    """Bins, fold and overlap of all alternatives."""
    target = contents.target
    counts = sorted({1, 2, 3, 5} | {c.alternative.sources.count for c in contents.columns})
    length_m = contents.columns[0].alternative.streamers.length_m
    after_s = np.linspace(0.0, target.record_length_s, FOLD_STEPS, endpoint=False)
    return PlanCurves(
        [_alternative_curves(column, contents, after_s) for column in contents.columns],
        target.record_length_s,
        target.window_s,
        target.loss_db,
        after_s,
        level_db(after_s, target.record_length_s, target.loss_db),
        SEPARATIONS_M,
        {n: np.array([crossline_bin_m(float(m), n) for m in SEPARATIONS_M]) for n in counts},
        INTERVALS_M,
        {n: np.array([fold(length_m, n * float(m)) for m in INTERVALS_M]) for n in counts},
        length_m,
    )


def _alternative_curves(
    column: AlternativeNumbers, contents: PlanContents, after_s: Floats
) -> AlternativeCurves:
    alternative, lines, target = column.alternative, column.lines, contents.target
    low_kn, usual_kn, high_kn = alternative.vessel.speed_kn
    speed_kn = np.linspace(low_kn, high_kn, 41)
    point_m = alternative.firing.shot_interval_m
    interval_m = source_interval_m(
        point_m, alternative.sources.count, together=together(alternative)
    )
    times = np.sort(column.firing.times_s(speeds_m_s(alternative)[1]))
    return AlternativeCurves(
        alternative.name,
        source_positions_m(alternative),
        streamer_positions_m(alternative),
        lines.across_m,
        lines.source,
        f"{counted(len(lines.across_m), 'line')}, {lines.spacing_m:.2f} m apart, "
        f"{lines.interleave}",
        alternative.streamers.separation_m,
        lines.spacing_m,
        point_m,
        fold(alternative.streamers.length_m, interval_m),
        speed_kn,
        np.array([_clean_s(column, float(knots)) for knots in speed_kn]),
        channel_offsets_m(alternative),
        clean_by_channel_s(alternative, _clean_s(column, usual_kn)),
        blending_fold(times[:SHOTS_SHOWN], target.record_length_s, after_s),
        _overlap_db(times, after_s, target.record_length_s, target.loss_db),
    )


def _clean_s(column: AlternativeNumbers, speed_kn: float) -> float:
    """Clean record length at a speed over ground."""
    alternative = column.alternative
    if together(alternative) and alternative.sources.count > 1:
        return 0.0
    between_s = time_between_shots_s(alternative.firing.shot_interval_m, speed_kn * KNOT_M_S)
    return clean_length_s(between_s, alternative.firing.dead_time_s, largest_delay_s(alternative))


def _overlap_db(times: Floats, after_s: Floats, record_s: float, loss_db: float) -> Floats:
    """Mean energy of the other shots at times after a shot, in dB, over shots of mid-line."""
    middle = range(len(times) // 4, len(times) // 4 + min(40, len(times) // 2))
    energy = np.zeros(len(after_s))
    for k in middle:
        delays = np.delete(times - times[k], k)
        near = delays[np.abs(delays) < record_s]
        energy += 10.0 ** (interference_level_db(after_s, near, record_s, loss_db) / 10.0)
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(energy / len(middle)))


def predicted_curves(contents: PlanContents) -> list[PredictedCurves]:
    """Ratios of the alternatives that were simulated."""
    curves = []
    for number, one in enumerate(contents.predictions):
        if one.snr_db.size:
            time_s = np.array([0.5 * (low + high) for low, high in one.windows_s])
            ratios_db = np.array([row[1:] for row in one.rows()]).T
            curves.append(PredictedCurves(number, one.alternative, time_s, *ratios_db))
    return curves


def delay_curves(contents: PlanContents) -> list[DelayCurves]:
    """Differences of fire times of the alternatives in which any two shots overlap."""
    frequency = np.geomspace(0.3, OCTAVES_HZ[-1], 240)
    curves = []
    for number, column in enumerate(contents.columns):
        firing, dither = column.firing, column.alternative.dither
        times = firing.times_s(speeds_m_s(column.alternative)[1])
        record_s = contents.target.record_length_s
        pairs = pairings(firing.shot_point, firing.source, times, record_s)
        if not pairs:
            continue
        uniform_s = 2.0 * dither.range_s if dither.law == "uniform" else None
        windows = (
            ("whole line", len(pairs[0].differences_s)),
            (f"{WINDOW_SHOTS} shots", WINDOW_SHOTS),
        )
        curves.append(
            DelayCurves(
                number,
                column.alternative.name,
                np.concatenate([pair.varying_s for pair in pairs]),
                uniform_s,
                frequency,
                [_db(coherent_power(pair.varying_s, frequency)) for pair in pairs[:PAIRS_SHOWN]],
                []
                if uniform_s is None
                else [
                    (f"expected, {name}", _db(expected_power(frequency, uniform_s, shots)))
                    for name, shots in windows
                ],
                LOWEST_HZ,
            )
        )
    return curves


def _db(power: Floats) -> Floats:
    return np.asarray(10.0 * np.log10(np.maximum(power, 1e-6)))


def signature_curves(contents: PlanContents) -> list[SignatureCurves]:
    """Signatures that the plan names, and their spectra."""
    return [
        SignatureCurves(
            f"{one.far_field.name}, {one.far_field.ghost}",
            one.far_field.samples,
            one.far_field.interval_s,
            one.frequency_hz,
            one.spectrum_db,
            one.expected_notches_hz,
        )
        for one in contents.signatures
    ]
