"""Blending and its adjoint by a card: windows of many shots at a time, and two transforms."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from types import ModuleType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from deblend.arrays import Array, irfft_on_card, rfft
from deblend.card import blocks_of, kernel, launch

_FILE = "blending/delays.cu"
_TOGETHER_VALUES = 1 << 25
"""Of windows that are transformed together."""


@dataclass(frozen=True, eq=False)
class CardDelays:
    """What a card holds of the shots of a line; live ones alone, in the order of their time."""

    first: NDArray[np.int64]
    """(shot,): Record sample at which the window of each begins."""
    first_sample: Array
    """int64, shape (shot,): The same on the card."""
    row: Array
    """int32, shape (shot,): Rows of the gathers."""
    ramp: Array
    """complex64, shape (shot, frequency): Phase of the fractional delays."""
    covers_from: Array
    covers_to: Array
    """int32, shape (time,): Shots whose windows hold a sample: the first, and the one behind the
    last."""
    padded_length: int
    lead: int
    length: int
    """Samples of a window, before the trace in it, and of the trace."""
    sample_count: int
    """Of the record."""
    xp: ModuleType
    """CuPy."""

    @classmethod
    def of(
        cls,
        first_sample: NDArray[np.int64],
        rows: NDArray[np.int64],
        ramp: Array,
        lengths: tuple[int, int, int],
        sample_count: int,
        xp: ModuleType,
    ) -> Self:
        """Sort the live shots by time; `ramp` has a row for every shot of the gathers."""
        order = np.argsort(first_sample, kind="stable")
        first, row = first_sample[order], rows[order]
        places = np.arange(sample_count)
        begins, ends = (np.searchsorted(first, places - back, "right") for back in (lengths[0], 0))
        padded_length, lead, length = lengths
        return cls(
            first=first,
            first_sample=xp.asarray(first),
            row=xp.asarray(row.astype(np.int32)),
            ramp=ramp[xp.asarray(row)],
            covers_from=xp.asarray(begins.astype(np.int32)),
            covers_to=xp.asarray(ends.astype(np.int32)),
            padded_length=padded_length,
            lead=lead,
            length=length,
            sample_count=sample_count,
            xp=xp,
        )

    def cut(self, record: Array, weight: Array | None, gathers: Array) -> None:
        """Gathers (shot, channel, time) from a record (channel, time) times `weight`, (time,)."""
        factor = self.xp.ones(self.sample_count, np.float32) if weight is None else weight
        record, channels = self.xp.ascontiguousarray(record), len(record)
        for shots, windows in self._parts(channels):
            where = (blocks_of(self.padded_length), channels, len(windows))
            sizes = np.int32(channels), np.int32(self.sample_count)
            launch(
                self._kernel("cut_windows"),
                where,
                (record, factor, windows, self.first_sample[shots], *sizes),
            )
            advanced = self._delayed(windows, self.ramp[shots].conj())
            launch(
                self._kernel("gathers_from_windows"),
                where,
                (gathers, advanced, self.row[shots], sizes[0], self._scale),
            )

    def blend(self, gathers: Array, record: Array) -> None:
        """Add gathers to a record."""
        gathers, channels = self.xp.ascontiguousarray(gathers), len(record)
        for shots, windows in self._parts(channels):
            launch(
                self._kernel("windows_from_gathers"),
                (blocks_of(self.padded_length), channels, len(windows)),
                (gathers, windows, self.row[shots], np.int32(channels)),
            )
            begin = max(0, int(self.first[shots][0]))
            end = min(self.sample_count, int(self.first[shots][-1]) + self.padded_length)
            numbers = channels, self.sample_count, begin, end
            launch(
                self._kernel("add_windows"),
                (blocks_of(max(0, end - begin)), channels),
                (
                    record,
                    self._delayed(windows, self.ramp[shots]),
                    self.first_sample[shots],
                    np.int32(len(windows)),
                    *(self.covers_from, self.covers_to),
                    np.int32(shots.start),
                    *(np.int32(number) for number in numbers),
                    self._scale,
                ),
            )

    @property
    def _scale(self) -> np.float32:
        """Of a transform there and back."""
        return np.float32(1 / self.padded_length)

    def _parts(self, channel_count: int) -> Iterator[tuple[slice, Array]]:
        """Shots that are transformed together, and room for their windows."""
        step = max(1, _TOGETHER_VALUES // (channel_count * self.padded_length))
        for begin in range(0, len(self.first), step):
            shots = slice(begin, min(begin + step, len(self.first)))
            shape = (shots.stop - begin, channel_count, self.padded_length)
            yield shots, self.xp.empty(shape, np.float32)

    def _delayed(self, windows: Array, ramp: Array) -> Array:
        spectrum = rfft(self.xp, windows, self.padded_length)
        spectrum *= ramp[:, None, :]
        return irfft_on_card(spectrum, self.padded_length)

    def _kernel(self, name: str) -> Any:
        return kernel(_FILE, name, PADDED=self.padded_length, LEAD=self.lead, LENGTH=self.length)
