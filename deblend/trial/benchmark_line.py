"""A trial line beside one shot the old way nearby: pairs by position, matched strength, likeness.

Works on sections: traces (trace, time) with a position each. Common-offset gathers, midpoint
gathers and stacks are all sections; for the first two the offset is one more coordinate.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from deblend.errors import InputError
from deblend.model.findings import Finding
from deblend.qc.bands import octave_bands
from deblend.qc.limits import Limit, judged
from deblend.trial.likeness import nrms_percent, predictability_percent

Traces = NDArray[np.float32]
Floats = NDArray[np.float64]

MatchKind = Literal["none", "scalar", "spectral"]

SAME_PLACE_M: Final = 2.0
"""Positions that differ by no more, root mean square, count as the same (common practice, no
source; repeatability between surveys suffers from a few metres on)."""
MAX_LAG_S: Final = 0.02
"""Longest lag of the predictability."""
OTHER_INTERVAL: Final = "Give lines of one interval, or --resample (resample=True from Python)."
LONGEST_SHIFT_S: Final = 0.1
"""Shifts of one line against the other are looked for so far either way."""
CLEARLY_ALIKE: Final = 0.5
"""Correlation from which on shift and polarity are read (common practice, no source)."""
SMOOTHED_HZ: Final = 3.0
"""Standard length of the smoothing of a spectral match."""


@dataclass(frozen=True, eq=False)
class StackSection:
    """Traces of a line with their places."""

    traces: Traces
    """(trace, time): Amplitudes; sample 0 is the time break, or zero two-way time."""
    place_m: Floats
    """(trace, coordinate): x and y of the midpoint, and the offset where that matters, in metres.
    """
    interval_s: float
    """Sample interval in seconds."""
    fold: float
    """Traces that went into each, 1 before stack."""
    name: str
    """For messages."""


@dataclass(frozen=True, eq=False)
class Paired:
    """Traces of two lines that belong together."""

    trial: StackSection
    benchmark: StackSection
    """Of the same traces, one beside the other."""
    apart_m: Floats
    """(trace,): Distance between the two places."""

    @property
    def same_place(self) -> bool:
        """Whether positions agree closely enough for a difference of samples to mean something."""
        return bool(np.sqrt(np.mean(self.apart_m**2)) <= SAME_PLACE_M)


def pair_sections(
    trial: StackSection, benchmark: StackSection, *, farthest_m: float, resample: bool = False
) -> Paired:
    """Nearest trace of the benchmark for every trace of the trial.

    Parameters
    ----------
    trial, benchmark : StackSection
        Two lines. Traces without a known place are left out.
    farthest_m : float
        Traces farther apart are left out.
    resample : bool, optional
        Bring the benchmark to the interval of the trial, where they differ.

    Raises
    ------
    InputError
        If intervals differ and nothing was said, or nothing lies close enough.
    """
    if abs(trial.interval_s - benchmark.interval_s) > 1e-9:
        if not resample:
            raise InputError(
                f"{trial.name} has a sample interval of {1e3 * trial.interval_s:g} ms and "
                f"{benchmark.name} one of {1e3 * benchmark.interval_s:g} ms",
                remedy=OTHER_INTERVAL,
            )
        benchmark = resampled(benchmark, trial.interval_s)
    known = np.flatnonzero(np.isfinite(trial.place_m).all(axis=1))
    others = np.flatnonzero(np.isfinite(benchmark.place_m).all(axis=1))
    for section, placed in ((trial, known), (benchmark, others)):
        if not len(placed):
            raise InputError(
                f"positions of {section.name} are unknown",
                remedy="Give x and y of sources and receivers (bytes 73-88 of SEG-Y).",
            )
    tree = cKDTree(benchmark.place_m[others])
    found = tree.query(trial.place_m[known])
    apart, nearest = np.asarray(found[0], np.float64), np.asarray(found[1], np.int64)
    close = apart <= farthest_m
    if not close.any():
        raise InputError(
            f"{trial.name} and {benchmark.name} do not overlap: the closest traces are "
            f"{apart.min():.1f} m apart",
            remedy="Give lines over the same place, in the same coordinates, or allow traces "
            f"farther apart than {farthest_m:g} m.",
        )
    length = min(trial.traces.shape[1], benchmark.traces.shape[1])
    return Paired(
        _taken(trial, known[close], length),
        _taken(benchmark, others[nearest[close]], length),
        apart[close],
    )


def _taken(section: StackSection, rows: NDArray[np.int64], length: int) -> StackSection:
    return replace(section, traces=section.traces[rows, :length], place_m=section.place_m[rows])


def resampled(section: StackSection, interval_s: float) -> StackSection:
    """The section at another sample interval, by its spectrum; cut above the lower Nyquist."""
    length = section.traces.shape[1]
    padded = next_fast_len(length + 64, real=True)
    wanted = round(padded * section.interval_s / interval_s)
    exact = padded * section.interval_s / wanted
    if abs(exact / interval_s - 1.0) > 1e-9:  # lengthen until both intervals fit
        for extra in range(padded, padded + 20_000):
            wanted = round(extra * section.interval_s / interval_s)
            if abs(extra * section.interval_s / wanted / interval_s - 1.0) < 1e-9:
                padded = extra
                break
        else:
            raise InputError(
                f"{section.interval_s} s cannot be resampled to {interval_s} s",
                remedy="Give intervals in a ratio of small whole numbers.",
            )
    spectrum = rfft(section.traces, padded, axis=1)
    traces = irfft(spectrum, wanted, axis=1) * (wanted / padded)
    count = int(np.floor((length - 1) * section.interval_s / interval_s + 1e-9)) + 1
    return replace(section, traces=traces[:, :count].astype(np.float32), interval_s=interval_s)


@dataclass(frozen=True, eq=False)
class Match:
    """What brings the trial to the strength of the benchmark."""

    kind: MatchKind
    """How."""
    scalar: float
    """Ratio of rms, benchmark over trial."""
    frequency_hz: Floats
    ratio: Floats
    """(frequency,): Ratio of amplitude spectra, smoothed over 3 Hz; zero phase."""

    def apply(self, section: StackSection) -> StackSection:
        """The section at the strength of the benchmark."""
        if self.kind == "none":
            return section
        if self.kind == "scalar":
            return replace(section, traces=section.traces * np.float32(self.scalar))
        length = section.traces.shape[1]
        padded = next_fast_len(2 * length, real=True)
        weight = np.interp(rfftfreq(padded, section.interval_s), self.frequency_hz, self.ratio)
        filtered = irfft(rfft(section.traces, padded, axis=1) * weight, padded, axis=1)
        return replace(section, traces=filtered[:, :length].astype(np.float32))


def match_strength(
    paired: Paired, kind: MatchKind = "scalar", window: tuple[int, int] | None = None
) -> Match:
    """Source strength of the benchmark over that of the trial, from traces that belong together.

    Parameters
    ----------
    paired : Paired
        The lines.
    kind : {"none", "scalar", "spectral"}, optional
        How `Match.apply` uses it.
    window : tuple of int, optional
        Samples to look at; a strong, clean window is best. All by default.

    Notes
    -----
    A ratio of rms counts noise as signal; choose a window where there is little.
    """
    part = slice(None) if window is None else slice(*window)
    trial, benchmark = (
        section.traces[:, part].astype(np.float64) for section in (paired.trial, paired.benchmark)
    )
    interval_s = paired.trial.interval_s
    padded = next_fast_len(trial.shape[1], real=True)
    spectra = [
        np.sqrt(np.mean(np.abs(rfft(traces, padded, axis=1)) ** 2, axis=0))
        for traces in (trial, benchmark)
    ]
    width = max(SMOOTHED_HZ * padded * interval_s, 0.5)
    spectra = [np.sqrt(gaussian_filter1d(spectrum**2, width)) for spectrum in spectra]
    least = 1e-3 * spectra[0].max(initial=0.0)
    scalar = _rms(benchmark) / _rms(trial) if _rms(trial) > 0 else float("nan")
    ratio = np.full(len(spectra[0]), scalar)
    np.divide(spectra[1], spectra[0], out=ratio, where=spectra[0] > least)
    return Match(kind, scalar, np.asarray(rfftfreq(padded, interval_s)), ratio)


def compare_sections(
    paired: Paired,
    match: Match,
    windows_s: Sequence[tuple[float, float]],
    limits: Mapping[str, Limit],
    what: str,
) -> list[Finding]:
    """Likeness of two lines, window by window, and signal-to-noise of each.

    Parameters
    ----------
    paired : Paired
        The lines.
    match : Match
        Applied to the trial first.
    windows_s : sequence of (float, float)
        Windows in seconds.
    limits : mapping of str to Limit
        Limits of the findings.
    what : str
        What is compared ("stack", "common offset ..."), for the messages.
    """
    trial, benchmark = match.apply(paired.trial), paired.benchmark
    return [
        *_about(paired, match, what),
        *_time_and_polarity(paired, limits, what),
        *_by_window(replace(paired, trial=trial, benchmark=benchmark), windows_s, limits, what),
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
        20 * float(np.log10(match.scalar)),
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
                20 * float(np.log10(np.sqrt(np.mean(match.ratio[inside] ** 2)))),
                "dB",
                "note",
                f"The same in an octave, smoothed over {SMOOTHED_HZ:g} Hz, {what}.",
                band_hz=(low, high),
            )


def shift_and_correlation(
    first: Traces, second: Traces, interval_s: float, longest_s: float = LONGEST_SHIFT_S
) -> tuple[float, float]:
    """How much later the second traces are than the first, and how alike they are there.

    Parameters
    ----------
    first, second : ndarray of float32, shape (trace, time)
        Traces that belong together; one shift for all of them.
    interval_s : float
        Sample interval in seconds.
    longest_s : float, optional
        Longest shift looked for, either way.

    Returns
    -------
    shift_s : float
        To a part of a sample, by a parabola through the largest correlation; NaN where one is zero.
    correlation : float
        Normalised, at that shift; negative where polarities are opposite.
    """
    length = first.shape[1]
    padded = next_fast_len(2 * length, real=True)
    product = (np.conj(rfft(first, padded, axis=1)) * rfft(second, padded, axis=1)).sum(axis=0)
    energy = np.sqrt(np.prod([np.square(one, dtype=np.float64).sum() for one in (first, second)]))
    if not energy > 0.0:
        return float("nan"), float("nan")
    most = max(1, min(round(longest_s / interval_s), length - 1))
    values = irfft(product, padded).astype(np.float64) / energy
    values = np.concatenate([values[-most:], values[: most + 1]])
    best = int(np.abs(values).argmax())
    inner = min(max(best, 1), len(values) - 2)
    left, middle, right = values[inner - 1 : inner + 2]
    bend = left - 2.0 * middle + right
    part = 0.5 * (left - right) / bend if inner == best and bend else 0.0
    return (best + part - most) * interval_s, float(values[best])


def _time_and_polarity(paired: Paired, limits: Mapping[str, Limit], what: str) -> Iterator[Finding]:
    """Whether time zero and polarity of the two lines agree; judged where the lines are alike."""
    trial, benchmark = paired.trial, paired.benchmark
    shift_s, alike = shift_and_correlation(trial.traces, benchmark.traces, trial.interval_s)
    clear = paired.same_place and abs(alike) >= CLEARLY_ALIKE
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
    yield judged(
        limits,
        "time_shift",
        1e3 * abs(shift_s),
        f"{benchmark.name} comes that much {side} than {trial.name} where they are most alike "
        f"(correlation {alike:.2f}), {what}.",
        beyond_chance=clear,
    )


def _by_window(
    paired: Paired,
    windows_s: Sequence[tuple[float, float]],
    limits: Mapping[str, Limit],
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
        yield _nrms_row(paired, first, second, limits, window_s, what)
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
            yield judged(
                limits,
                "snr_gain_shortfall",
                float(expected - gain),
                f"Expected gain in signal over noise by fold {expected:.1f} dB, for noise that is "
                f"unrelated from shot to shot; measured {gain:.1f} dB, {what}.",
                window_s=window_s,
            )


def _nrms_row(
    paired: Paired,
    first: Traces,
    second: Traces,
    limits: Mapping[str, Limit],
    window_s: tuple[float, float],
    what: str,
) -> Finding:
    value = nrms_percent(first, second)
    definition = f"200 rms(a - b) / (rms a + rms b), {what}"
    if paired.same_place:
        return judged(limits, "nrms", value, f"{definition}.", window_s=window_s)
    return Finding(
        "nrms",
        value,
        "%",
        "note",
        f"{definition}; no verdict, because positions differ.",
        window_s=window_s,
    )


def neighbour_snr_db(traces: Traces) -> float:
    """Signal over noise from the correlation r of neighbouring traces: 10 log10(r / (1 - r)).

    Neighbours hold the same signal and each its own noise. Dip, faults and moveout count as noise.

    Parameters
    ----------
    traces : ndarray of float32, shape (trace, time)
        In order along the line.

    Returns
    -------
    float
        NaN where fewer than two traces or no common signal is there.
    """
    window = traces[np.any(traces, axis=1)].astype(np.float64)
    if len(window) < 2:
        return float("nan")
    signal = float(np.sum(window[:-1] * window[1:]))
    noise = 0.5 * float(np.sum(window[:-1] ** 2) + np.sum(window[1:] ** 2)) - signal
    if not (signal > 0 and noise > 0):
        return float("nan")
    return float(10.0 * np.log10(signal / noise))


def _rms(samples: Floats) -> float:
    return float(np.sqrt(np.mean(np.square(samples)))) if samples.size else 0.0


def thinned_shots(shot_count: int, fold: float, wanted: float) -> NDArray[np.int64]:
    """Rows of shots that bring a line down to another fold, spread evenly.

    Parameters
    ----------
    shot_count : int
        Shots of the line.
    fold, wanted : float
        Fold as it is and as it shall be; no more than it is.
    """
    keep = max(1, round(shot_count * min(1.0, wanted / fold)))
    return np.unique(np.linspace(0, shot_count - 1, keep).round().astype(np.int64))
