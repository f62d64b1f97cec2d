"""Far-field signature of a source as a spectrum: pass band, ghosts, bubble."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError
from deblend.model.water import ghost_delay_s


def ghost_spectrum(
    frequency_hz: NDArray[np.float64], delay_s: float, coefficient: float = -1.0
) -> NDArray[np.complex128]:
    """Direct wave plus its surface reflection: ``1 + R exp(-2 pi i f tau)``."""
    return np.asarray(
        1.0 + coefficient * np.exp(-2j * np.pi * frequency_hz * delay_s), np.complex128
    )


@dataclass(frozen=True)
class Signature:
    """One source's far-field signature, vertically downwards, time zero at the fire instant."""

    low_cut_hz: float = 4.0
    """Corner of the causal low cut (second order, 12 dB an octave)."""
    high_cut_hz: float = 45.0
    """Where the zero-phase high cut begins."""
    stop_hz: float = 105.0
    """Where it has reached zero; must lie below the Nyquist frequency of the record."""
    depth_m: float = 6.0
    """Source depth, which sets its ghost."""
    surface_coefficient: float = -1.0
    """Reflection coefficient of the sea surface; 0 leaves the ghost out."""
    bubble_period_s: float = 0.13
    """From the primary to the first bubble."""
    primary_to_bubble: float = 18.0
    """Initial peak over first bubble peak; infinite leaves the bubble out."""
    gain: float = 1.0
    """Peak of the signature without ghost and bubble."""

    def __post_init__(self) -> None:
        if not 0.0 < self.low_cut_hz < self.high_cut_hz < self.stop_hz:
            raise InputError(
                f"a pass band from {self.low_cut_hz} to {self.high_cut_hz} Hz that ends at "
                f"{self.stop_hz} Hz is none",
                remedy="Give three rising positive frequencies.",
            )

    def spectrum(
        self, frequency_hz: NDArray[np.float64], interval_s: float, receiver_depth_m: float = 0.0
    ) -> NDArray[np.complex128]:
        """Response of the signature and of the receiver ghost, shape (frequency,).

        Frequencies are not negative. A unit impulse is one sample of height 1; a streamer at
        depth 0 has no ghost.
        """
        nyquist_hz = 0.5 / interval_s
        if self.stop_hz >= nyquist_hz:
            raise InputError(
                f"the signature has energy up to {self.stop_hz} Hz and the Nyquist frequency is "
                f"{nyquist_hz} Hz",
                remedy="Lower stop_hz or the sample interval.",
            )
        response = self.gain / self._peak(interval_s) * self._band(frequency_hz)
        response *= 1.0 + self._bubble(frequency_hz)
        for depth_m in (self.depth_m, receiver_depth_m):
            if depth_m > 0.0:
                response *= ghost_spectrum(
                    frequency_hz, ghost_delay_s(depth_m), self.surface_coefficient
                )
        return response

    def _band(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        low = 1j * frequency_hz / self.low_cut_hz
        butterworth = low**2 / (low**2 + np.sqrt(2.0) * low + 1.0)
        into = (frequency_hz - self.high_cut_hz) / (self.stop_hz - self.high_cut_hz)
        smooth = np.sin(0.5 * np.pi * np.clip(into, 0.0, 1.0)) ** 2
        high = np.cos(0.5 * np.pi * smooth) ** 2  # twice smoothed: precursors die within 0.1 s
        return np.asarray(butterworth * high, dtype=np.complex128)

    def _peak(self, interval_s: float) -> float:
        """Height that an impulse of one sample reaches within the pass band, between samples."""
        frequency = np.linspace(0.0, 0.5 / interval_s, 2048)
        fine = np.fft.irfft(self._band(frequency), 8 * 4096)
        return float(np.abs(fine).max() * 8.0)

    def _bubble(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Three bubbles, each period 0.9 and each height 0.5 of the one before, ever smoother."""
        total = np.zeros(frequency_hz.shape, dtype=np.complex128)
        height, delay, period = 1.0 / self.primary_to_bubble, 0.0, self.bubble_period_s
        for order in range(1, 4):
            delay += period
            smoothing = 1.0 / (1.0 + (frequency_hz / 60.0) ** 2) ** order
            total += height * smoothing * np.exp(-2j * np.pi * frequency_hz * delay)
            height, period = 0.5 * height, 0.9 * period
        return total
