"""A recording seen through a linear low cut, and with clipped samples taken for unknown.

Both are done while reading, channel by channel. The low cut is linear and the same at all times, so
that it commutes with blending: filtering the record is the same as filtering every shot. Gain
control, moveout, mutes and trace scaling are not, and must not come before separation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation
from scipy.signal import firwin, kaiser_beta, oaconvolve

from deblend.errors import InputError
from deblend.model.findings import Finding
from deblend.model.recording import Recording, SampleSource
from deblend.records.clipping import flat_tops, repeats_its_largest

_ATTENUATION_DB: Final = 60.0
_PERIODS: Final = 1.5
"""Half length of the filter in periods of the corner frequency."""


@dataclass(frozen=True, eq=False)
class ConditionedSamples:
    """Samples of another source, clipped ones unknown and low frequencies taken out."""

    source: SampleSource
    """As recorded."""
    taps: NDArray[np.float64]
    """(odd,): Symmetric filter; a single 1 leaves the samples as they are."""
    clip_level: float | None
    """Samples of this size and more are unknown; None to find flat tops in the whole of a channel.
    """

    @property
    def shape(self) -> tuple[int, int]:
        """Number of channels and of samples."""
        return self.source.shape

    def read(self, channels: Sequence[int], start: int, stop: int) -> NDArray[np.float32]:
        """Samples ``[start, stop)``; NaN where the filter would need an unknown sample."""
        half = len(self.taps) // 2
        first, last = max(0, start - half), min(self.shape[1], stop + half)
        wide = self.source.read(channels, first, last)
        known = np.isfinite(wide)
        clipped = self._clipped(channels, first, wide)
        if clipped.any():
            known &= ~clipped
        if not half and known.all():
            return wide
        if half:
            wide = self._filtered(np.where(known, wide, 0.0)).astype(np.float32)
            known = ~binary_dilation(~known, np.ones((1, 2 * half + 1), dtype=np.bool_))
        inner = slice(start - first, stop - first)
        return np.where(known, wide, np.float32(np.nan))[:, inner]

    def _clipped(
        self, channels: Sequence[int], first: int, samples: NDArray[np.float32]
    ) -> NDArray[np.bool_]:
        if self.clip_level is not None:
            with np.errstate(invalid="ignore"):
                return np.asarray(np.abs(samples) >= self.clip_level)
        count = samples.shape[1]
        if count == self.shape[1]:
            return flat_tops(samples)
        out = np.zeros(samples.shape, dtype=np.bool_)
        for row, channel in enumerate(channels):
            # Only a stretch that may hold part of a flat top is worth the whole channel.
            if repeats_its_largest(samples[row]):
                whole = self.source.read([channel], 0, self.shape[1])
                out[row] = flat_tops(whole)[0, first : first + count]
        return out

    def _filtered(self, samples: NDArray[np.float32]) -> NDArray[np.float64]:
        if not samples.size:
            return samples.astype(np.float64)
        taps = self.taps[None, :]
        return np.asarray(oaconvolve(samples.astype(np.float64), taps, mode="full", axes=1))[
            :, len(self.taps) // 2 : len(self.taps) // 2 + samples.shape[1]
        ]


def condition(
    recording: Recording, *, low_cut_hz: float | None = None, clip_level: float | None = None
) -> Recording:
    """The recording with clipped samples unknown, and with a low cut where one is asked for.

    Parameters
    ----------
    low_cut_hz : float, optional
        Frequency at which the amplitude is halved (-6 dB). The filter is symmetric, has no phase
        shift, and is three periods of this frequency long; samples as near to a gap as half of that
        become unknown. At the ends of the record nothing is taken to have come before and after.
    clip_level : float, optional
        Samples of this size and more, in the unit of the record, have lost their value. Without
        it, those of flat tops have, see `deblend.records.clipping`.

    Raises
    ------
    InputError
        If the frequency is not below Nyquist, or a value is not positive.
    """
    for name, value in (("low_cut_hz", low_cut_hz), ("clip_level", clip_level)):
        if value is not None and not (value > 0.0 and np.isfinite(value)):
            raise InputError(f"{name} is {value}", remedy="Give a positive number.")
    findings = list(recording.findings)
    taps = np.ones(1)
    if low_cut_hz is not None:
        taps = low_cut_taps(low_cut_hz, recording.interval_s)
        findings.append(_low_cut_finding(low_cut_hz, len(taps), recording.interval_s))
    if clip_level is not None:
        message = (
            f"Samples of {clip_level:g} {recording.amplitude_unit} and more are taken as clipped: "
            "unknown, with no weight in the separation."
        )
        findings.append(
            Finding("clip_level", clip_level, recording.amplitude_unit, "note", message)
        )
    samples = ConditionedSamples(recording.source, taps, clip_level)
    return replace(recording, samples=samples, findings=tuple(findings))


def as_recorded(recording: Recording) -> Recording:
    """The recording without what `condition` does to it."""
    source = recording.source
    while isinstance(source, ConditionedSamples):
        source = source.source
    return replace(recording, samples=source)


def low_cut_taps(low_cut_hz: float, interval_s: float) -> NDArray[np.float64]:
    """Symmetric filter whose amplitude is a half at `low_cut_hz`."""
    if low_cut_hz >= 0.5 / interval_s:
        raise InputError(
            f"a low cut at {low_cut_hz} Hz leaves nothing below Nyquist, {0.5 / interval_s:g} Hz",
            remedy="Give a corner frequency of a few hertz.",
        )
    half = max(1, round(_PERIODS / low_cut_hz / interval_s))
    window = ("kaiser", kaiser_beta(_ATTENUATION_DB))
    taps = firwin(2 * half + 1, low_cut_hz, window=window, pass_zero=False, fs=1.0 / interval_s)
    return np.asarray(taps, dtype=np.float64)


def _low_cut_finding(low_cut_hz: float, taps: int, interval_s: float) -> Finding:
    message = (
        f"A low cut at {low_cut_hz:g} Hz (-6 dB, no phase shift, {taps * interval_s:.3f} s long) "
        "is applied to the record before separation; the delivered gathers carry it."
    )
    return Finding("low_cut", low_cut_hz, "Hz", "note", message)
