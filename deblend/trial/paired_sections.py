"""Traces of a trial line and of a benchmark that belong together, by position, and their strength.

Works on sections: traces (trace, time) with a position each. Common-offset gathers, midpoint
gathers and stacks are all sections; for the first two the offset is one more coordinate.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final, Literal, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from deblend.errors import InputError
from deblend.report.panels import ComparedPanel
from deblend.trial.likeness import rms

Traces = NDArray[np.float32]
Floats = NDArray[np.float64]
Rows = NDArray[np.int64]

MatchKind = Literal["none", "scalar", "spectral"]

SAME_PLACE_M: Final = 2.0
"""Positions that differ by no more, root mean square, count as the same (common practice, no
source; repeatability between surveys suffers from a few metres on)."""
SMOOTHED_HZ: Final = 3.0
"""Standard length of the smoothing of a spectral match."""
WINDOWS: Final = 4
MOST_TRACES: Final = 400
"""Traces of a panel, around its middle."""


@dataclass(frozen=True, eq=False)
class Section:
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

    trial: Section
    benchmark: Section
    """Of the same traces, one beside the other."""
    apart_m: Floats
    """(trace,): Distance between the two places."""

    @property
    def same_place(self) -> bool:
        """Whether positions agree closely enough for a difference of samples to mean something."""
        return bool(np.sqrt(np.mean(self.apart_m**2)) <= SAME_PLACE_M)


def pair_sections(
    trial: Section, benchmark: Section, *, farthest_m: float, resample: bool = False
) -> Paired:
    """Nearest trace of the benchmark for every trace of the trial, each in one pair at most.

    Traces without a known place, or farther apart, are left out. `resample` brings the benchmark
    to the interval of the trial, where they differ.
    """
    if has_other_interval(trial, benchmark, resample=resample):
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
    chosen = _once_each(nearest, apart, np.flatnonzero(close))
    return Paired(
        _rows_of(trial, known[chosen], length),
        _rows_of(benchmark, others[nearest[chosen]], length),
        apart[chosen],
    )


def _once_each(nearest: Rows, apart_m: Floats, close: Rows) -> Rows:
    """Of the traces that share a nearest one, the closest: its noise must not count twice."""
    by_distance = close[np.argsort(apart_m[close], kind="stable")]
    _, first = np.unique(nearest[by_distance], return_index=True)
    return np.sort(by_distance[first])


class _Sampled(Protocol):
    """Anything with a name and a sample interval."""

    @property
    def name(self) -> str: ...

    @property
    def interval_s(self) -> float: ...


def has_other_interval(trial: _Sampled, benchmark: _Sampled, *, resample: bool) -> bool:
    """Whether the benchmark has another sample interval and is to be resampled."""
    differ = abs(trial.interval_s - benchmark.interval_s) > 1e-9
    if differ and not resample:
        raise InputError(
            f"{trial.name} has a sample interval of {1e3 * trial.interval_s:g} ms and "
            f"{benchmark.name} one of {1e3 * benchmark.interval_s:g} ms",
            remedy="Give lines of one interval, or --resample (resample=True from Python).",
        )
    return differ


def _rows_of(section: Section, rows: NDArray[np.int64], length: int) -> Section:
    return replace(section, traces=section.traces[rows, :length], place_m=section.place_m[rows])


def resampled(section: Section, interval_s: float) -> Section:
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

    def apply(self, section: Section) -> Section:
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

    The ratio of rms counts noise as signal: choose a `window` of samples where there is little; all
    are taken without it. `kind` says how `Match.apply` uses the ratio.
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
    scalar = rms(benchmark) / rms(trial) if rms(trial) > 0 else float("nan")
    ratio = np.full(len(spectra[0]), scalar)
    np.divide(spectra[1], spectra[0], out=ratio, where=spectra[0] > least)
    return Match(kind, scalar, np.asarray(rfftfreq(padded, interval_s)), ratio)


def compared_panel(what: str, paired: Paired, match: Match) -> ComparedPanel:
    """The trial, matched in strength, and the benchmark on the same traces.

    Offset or distance labels the traces, whichever changes more.
    """
    begin = max(0, (len(paired.apart_m) - MOST_TRACES) // 2)
    middle = slice(begin, begin + MOST_TRACES)
    place = paired.trial.place_m[middle]
    axis, label = np.hypot(*(place - place[0])[:, :2].T), "distance along the line (m)"
    if place.shape[1] > 2 and np.ptp(place[:, 2]) > np.ptp(axis):
        axis, label = place[:, 2], "offset (m)"
    return ComparedPanel(
        title=what,
        trial_name=paired.trial.name,
        benchmark_name=paired.benchmark.name,
        trial=match.apply(paired.trial).traces[middle],
        benchmark=paired.benchmark.traces[middle],
        axis=axis,
        axis_label=label,
        interval_s=paired.trial.interval_s,
        match=match.kind,
        apart_m=float(np.sqrt(np.mean(paired.apart_m**2))),
        same_place=paired.same_place,
    )


def windows_of(length_s: float) -> list[tuple[float, float]]:
    """Equal windows of time in which lines are compared."""
    edges = np.linspace(0.0, length_s, WINDOWS + 1).tolist()
    return list(pairwise(edges))


def thinned_shots(shot_count: int, fold: float, wanted: float) -> NDArray[np.int64]:
    """Rows of shots, evenly spread, that bring a line down from a fold to a smaller one."""
    keep = max(1, round(shot_count * min(1.0, wanted / fold)))
    return np.unique(np.linspace(0, shot_count - 1, keep).round().astype(np.int64))
