"""Far-field signatures: peak to peak, bubble, spectrum, notches, and tolerances to a reference.

Amplitudes are in bar-m: pressure times distance, the level at 1 m of an equivalent point source
(SEG encyclopedic dictionary, "primary-to-bubble ratio"; SEG/AAPG wiki on source strength). Gate and
filter change all of these numbers and are stated with them. Directivity is left out: a signature
holds for its own direction.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from deblend.decibels import amplitude_decibels
from deblend.errors import InputError
from deblend.model.findings import Finding
from deblend.model.water import ghost_delay_s

Floats = NDArray[np.float64]
BAR_IN_MICROPASCAL: Final = 1e11
PASCAL_PER_BAR: Final = 1e5
PRIMARY_S: Final = 0.030
"""The trough of the ghost lies within this after the first peak: guns down to 20 m."""

FILTER_ORDER: Final = 4
SPECTRUM_SAMPLES: Final = 8192
NOTCH_DB: Final = 10.0
NOTCH_BAND_DB: Final = 30.0
"""Notches are looked for up to the last frequency within this of the largest level."""

USABLE_DB: Final = 10.0
SMALLEST_PEAK: Final = 0.5
"""The first peak is the first maximum of at least this part of the highest one."""

OUTPUT_TOLERANCE: Final = 0.10
PERIOD_TOLERANCE: Final = 0.10
SPECTRUM_TOLERANCE_DB: Final = 3.0
LIKENESS: Final = 0.98
"""Tolerances to a reference signature: common practice, no source; contracts state their own."""


@dataclass(frozen=True, eq=False)
class FarField:
    """A far-field signature."""

    name: str
    """Of the source."""
    samples: Floats
    """(time,): In bar-m; positive is compression."""
    interval_s: float
    """Between samples."""
    ghost: str
    """"with source ghost", "without ghost" or "not stated"."""
    filter: str
    """What it has been through, in words, this program's filter included."""
    gate_s: float
    """Length used."""
    depth_m: float | None = None
    """Of the source, where known."""


@dataclass(frozen=True, eq=False)
class SignatureMeasures:
    """What a signature measures."""

    far_field: FarField
    """The signature."""
    zero_to_peak: float
    peak_to_peak: float
    """Height of the first positive peak; that peak minus the deepest trough within 30 ms after it;
    in bar-m."""
    peak_s: float
    """Time of the first peak."""
    bubble_peak_to_peak: float
    """Highest minus deepest after the primary, in bar-m."""
    primary_to_bubble: float
    """Peak to peak of the primary over that of the bubble."""
    bubble_period_s: float
    """From the first peak to the highest peak after the primary; NaN without any."""
    frequency_hz: Floats
    spectrum_db: Floats
    """(frequency,): Amplitude spectrum in dB re 1 uPa.m/Hz."""
    notches_hz: tuple[float, ...]
    """Minima at least 10 dB below both neighbouring maxima."""
    expected_notches_hz: tuple[float, ...]
    """``n 1500 / (2 depth)`` where the depth is known and the ghost is in the signature."""
    usable_hz: tuple[float, float]
    """Between the outermost frequencies within 10 dB of the largest level."""


def source_level_db(bar_m: float) -> float:
    """``220 + 20 log10(s)``: bar-m as dB re 1 uPa.m."""
    return amplitude_decibels(bar_m * BAR_IN_MICROPASCAL)


def at_one_metre(pressure_bar: Floats, range_m: float) -> Floats:
    """``p r``: pressure measured at a range as bar-m."""
    return np.asarray(pressure_bar * range_m, dtype=np.float64)


def prepared(
    far_field: FarField,
    *,
    gate_s: float | None = None,
    low_cut_hz: float | None = None,
    high_cut_hz: float | None = None,
) -> FarField:
    """The signature cut to a gate and filtered at zero phase, and both stated.

    The filter has the amplitude of a Butterworth filter of order 4, -3 dB at its corners.
    """
    samples, interval = far_field.samples, far_field.interval_s
    count = len(samples) if gate_s is None else round(gate_s / interval)
    nyquist_hz = 0.5 / interval
    if count < 16 or count > len(samples):
        raise InputError(
            f"a gate of {gate_s} s does not fit a signature of {len(samples) * interval:g} s",
            where=far_field.name,
            remedy="Give a gate of at least 16 samples, not longer than the signature.",
        )
    corners = [corner for corner in (low_cut_hz, high_cut_hz) if corner is not None]
    if any(corner >= nyquist_hz for corner in corners) or corners != sorted(set(corners)):
        raise InputError(
            f"a filter of {corners} Hz does not fit a Nyquist frequency of {nyquist_hz:g} Hz",
            where=far_field.name,
            remedy="Give a low cut below the high cut, both below the Nyquist frequency.",
        )
    words = far_field.filter
    cut = samples[:count]
    if corners:
        cut = _filtered(cut, interval, low_cut_hz, high_cut_hz)
        low = "no" if low_cut_hz is None else f"{low_cut_hz:g} Hz"
        high = "no" if high_cut_hz is None else f"{high_cut_hz:g} Hz"
        words += f"; here {low} low cut, {high} high cut, zero phase"
    return FarField(
        far_field.name,
        cut,
        interval,
        far_field.ghost,
        words,
        count * interval,
        far_field.depth_m,
    )


def _filtered(
    samples: Floats, interval_s: float, low_hz: float | None, high_hz: float | None
) -> Floats:
    length = next_fast_len(2 * len(samples), real=True)
    frequency = rfftfreq(length, interval_s)
    gain = np.ones(len(frequency))
    power = 2 * FILTER_ORDER
    if low_hz is not None:
        with np.errstate(divide="ignore"):
            gain /= np.sqrt(1.0 + (low_hz / frequency) ** power)
    if high_hz is not None:
        gain /= np.sqrt(1.0 + (frequency / high_hz) ** power)
    return np.asarray(irfft(rfft(samples, length) * gain, length)[: len(samples)], np.float64)


def measure(far_field: FarField) -> SignatureMeasures:
    """Measure a signature."""
    samples, interval = far_field.samples, far_field.interval_s
    first = _first_peak(far_field)
    end = min(len(samples), first + max(2, round(PRIMARY_S / interval)))
    trough = first + int(np.argmin(samples[first:end]))
    peak_to_peak = float(samples[first] - samples[trough])
    rest = samples[end:]
    bubble = float(np.ptp(rest)) if rest.size else 0.0
    period = float("nan")
    if rest.size and rest.max() > 0.0:
        period = (end + int(np.argmax(rest)) - first) * interval
    frequency, spectrum = spectrum_db(far_field)
    return SignatureMeasures(
        far_field,
        float(samples[first]),
        peak_to_peak,
        first * interval,
        bubble,
        peak_to_peak / bubble if bubble > 0.0 else float("inf"),
        period,
        frequency,
        spectrum,
        _notches(frequency, spectrum),
        _expected_notches(far_field),
        _usable(frequency, spectrum),
    )


def _first_peak(far_field: FarField) -> int:
    from scipy.signal import find_peaks  # slow to load, and of use to few plans

    samples = far_field.samples
    highest = float(samples.max())
    if highest <= 0.0:
        raise InputError(
            "the signature has no positive peak",
            where=far_field.name,
            remedy="State what a positive sample means (positive_is).",
        )
    peaks, _ = find_peaks(np.concatenate([[0.0], samples, [0.0]]), height=SMALLEST_PEAK * highest)
    return int(peaks[0]) - 1 if len(peaks) else int(np.argmax(samples))


def spectrum_db(far_field: FarField) -> tuple[Floats, Floats]:
    """Frequencies, and amplitude spectrum in dB re 1 uPa.m/Hz.

    The Fourier integral, ``|sum s exp(-2 pi i f t)| dt`` in uPa.m.s, which is uPa.m/Hz.
    """
    length = next_fast_len(max(SPECTRUM_SAMPLES, 4 * len(far_field.samples)), real=True)
    amplitude = np.abs(rfft(far_field.samples, length)) * far_field.interval_s * BAR_IN_MICROPASCAL
    frequency = rfftfreq(length, far_field.interval_s)
    level = 20.0 * np.log10(np.maximum(amplitude, 1.0))
    return np.asarray(frequency, np.float64), np.asarray(level, np.float64)


def _notches(frequency: Floats, level: Floats) -> tuple[float, ...]:
    from scipy.signal import find_peaks

    found, _ = find_peaks(-level, prominence=NOTCH_DB)
    band_hz = frequency[np.flatnonzero(level > level.max() - NOTCH_BAND_DB)[-1]]
    return tuple(float(f) for f in frequency[found] if f < band_hz)


def _expected_notches(far_field: FarField) -> tuple[float, ...]:
    if far_field.depth_m is None or far_field.ghost != "with source ghost":
        return ()
    step = 1.0 / ghost_delay_s(far_field.depth_m)
    return tuple(float(n * step) for n in range(1, int(0.5 / far_field.interval_s / step) + 1))


def _usable(frequency: Floats, level: Floats) -> tuple[float, float]:
    strong = np.flatnonzero(level >= level.max() - USABLE_DB)
    return float(frequency[strong[0]]), float(frequency[strong[-1]])


def against_reference(reference: SignatureMeasures, other: SignatureMeasures) -> Iterator[Finding]:
    """Findings of one signature against a reference, with the tolerances of this module."""
    rows = (
        ("signature_output", _ratio(other.peak_to_peak, reference.peak_to_peak), OUTPUT_TOLERANCE),
        (
            "signature_primary_to_bubble",
            _ratio(other.primary_to_bubble, reference.primary_to_bubble),
            OUTPUT_TOLERANCE,
        ),
        (
            "signature_bubble_period",
            _ratio(other.bubble_period_s, reference.bubble_period_s),
            PERIOD_TOLERANCE,
        ),
    )
    for metric, change, limit in rows:
        words = f"change of {metric.removeprefix('signature_').replace('_', ' ')}"
        yield _held(
            metric, 100.0 * change, "%", 100.0 * limit, abs(change) > limit, words, other, reference
        )
    low, high = reference.usable_hz
    frequency = np.linspace(low, high, 400)
    change_db = np.interp(frequency, other.frequency_hz, other.spectrum_db) - np.interp(
        frequency, reference.frequency_hz, reference.spectrum_db
    )
    largest = float(change_db[np.argmax(np.abs(change_db))])
    yield _held(
        "signature_spectrum",
        largest,
        "dB",
        SPECTRUM_TOLERANCE_DB,
        abs(largest) > SPECTRUM_TOLERANCE_DB,
        f"largest change of the spectrum between {low:.0f} and {high:.0f} Hz",
        other,
        reference,
    )
    like = likeness(reference.far_field, other.far_field)
    words = "largest normalised correlation"
    yield _held("signature_likeness", like, "", LIKENESS, like < LIKENESS, words, other, reference)
    if (reference.far_field.ghost, reference.far_field.filter) != (
        other.far_field.ghost,
        other.far_field.filter,
    ):
        yield Finding(
            "signatures_not_alike_in_kind",
            float("nan"),
            "",
            "look",
            f"{other.far_field.name} is {other.far_field.ghost}, filter {other.far_field.filter}; "
            f"{reference.far_field.name} is {reference.far_field.ghost}, filter "
            f"{reference.far_field.filter}: their numbers cannot be compared as they are.",
        )


def likeness(one: FarField, other: FarField) -> float:
    """Largest normalised correlation over all shifts, the second resampled to the first."""
    time = np.arange(len(one.samples)) * one.interval_s
    known = np.arange(len(other.samples)) * other.interval_s
    again = np.interp(time, known, other.samples, right=0.0)
    length = next_fast_len(2 * len(time), real=True)
    both = irfft(np.conj(rfft(one.samples, length)) * rfft(again, length), length)
    norm = np.linalg.norm(one.samples) * np.linalg.norm(again)
    return float(both.max() / norm) if norm > 0 else float("nan")


def _ratio(value: float, reference: float) -> float:
    return value / reference - 1.0 if np.isfinite(value) and np.isfinite(reference) else 0.0


def _held(
    metric: str,
    value: float,
    unit: str,
    limit: float,
    beyond: bool,
    words: str,
    other: SignatureMeasures,
    reference: SignatureMeasures,
) -> Finding:
    measured, tolerance = (f"{number:.3g} {unit}".rstrip() for number in (value, limit))
    return Finding(
        metric,
        value,
        unit,
        "look" if beyond else "pass",
        f"{other.far_field.name} against {reference.far_field.name}: {words} {measured}, "
        f"tolerance {tolerance} (common practice, contracts state their own).",
        source=other.far_field.name,
        limit=limit,
    )
