r"""The blending operator of one line: delay, add, and the exact adjoint.

For one channel, with shots k fired at t_k,

.. math:: d(t) = \sum_k m_k(t - t_k), \qquad d = \Gamma m .

Each trace is padded, delayed by the fractional part of t_k / dt with a phase ramp, and added at
the integer part. Fire times are never rounded to samples: on a 4 ms line that alone limits the
separation to some 13 dB.

References
----------
.. [1] A. J. Berkhout, 2008, Changing the mindset in seismic data acquisition, The Leading Edge 27,
   924-938, doi:10.1190/1.2954035.
.. [2] P. Doulgeris, K. Bube, G. Hampson and G. Blacquiere, 2012, Convergence analysis of a
   coherency-constrained inversion for the separation of blended data, Geophysical Prospecting 60,
   769-781.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from deblend.arrays import Array, fast_length, in_parts, irfft, is_host, rfft, to_host
from deblend.blending.card_delays import CardDelays
from deblend.blending.delays import DelaySteps, delay_steps
from deblend.card import on_card
from deblend.errors import InputError, SettingsError, TimeError
from deblend.model.recording import Recording
from deblend.model.shots import Shots

LEAD = 16
"""Samples that a delayed trace may write before its first one."""
PAD = 32
"""Least number of samples by which a trace is lengthened for the delay filter."""
_CHUNK_VALUES = {True: 1 << 18, False: 1 << 25}
"""Values transformed at a time: on the host what stays in cache, on a device what fills it."""


@dataclass(frozen=True, eq=False)
class BlendingOperator:
    """Linear map from gathers (shot, channel, time) to a record (channel, time).

    Build it with `make_operator`.
    """

    first_sample: NDArray[np.int64]
    """(shot,): Record sample at which the padded window of each shot begins; may lie outside the
    record."""
    fraction: NDArray[np.float64]
    """(shot,): Delay of each shot in samples beyond that, at least 0 and below 1."""
    live: NDArray[np.bool_]
    """(shot,): Shots that left energy; the others blend to nothing and read back as zeros."""
    length: int
    """Samples of a gather trace."""
    padded_length: int
    """Samples of the window that a delayed trace can write."""
    sample_count: int
    """Samples of the record."""
    dtype: np.dtype[Any]
    """float32 or float64, of gathers and record."""
    xp: ModuleType
    """Array namespace."""

    @cached_property
    def ramp(self) -> Array:
        """Phase ramp of the fractional delays, shape (shot, frequency).

        Not made before it is used: of a line in spans only the spans blend.
        """
        kind = np.result_type(self.dtype, np.complex64)
        return self.xp.asarray(fractional_delay(self.fraction, self.padded_length), dtype=kind)

    @cached_property
    def fold(self) -> NDArray[np.int32]:
        """Blending fold: shots whose padded window covers each record sample, shape (time,).

        The pad counts, because the delay filter writes there; only then is the largest eigenvalue
        of pseudo-inverse times operator at most one.
        """
        edges = np.zeros(self.sample_count + 1, dtype=np.int32)
        first = np.clip(self.first_sample[self.live], 0, self.sample_count)
        last = np.clip(self.first_sample[self.live] + self.padded_length, 0, self.sample_count)
        np.add.at(edges, first, 1)
        np.add.at(edges, last, -1)
        return np.cumsum(edges[:-1], dtype=np.int32)

    @cached_property
    def _inverse_fold(self) -> Array:
        return self.xp.asarray(1.0 / np.maximum(self.fold, 1), dtype=self.dtype)

    def blend(self, gathers: Array) -> Array:
        """Record (channel, time) that gathers (shot, channel, time) add up to.

        Raises
        ------
        InputError
            If the shape does not fit.
        """
        if gathers.ndim != 3 or (gathers.shape[0], gathers.shape[2]) != (
            len(self.first_sample),
            self.length,
        ):
            raise InputError(
                f"gathers have shape {tuple(gathers.shape)}",
                remedy=f"Give ({len(self.first_sample)}, channel, {self.length}).",
            )
        record = self.xp.zeros((gathers.shape[1], self.sample_count), dtype=self.dtype)
        self._fill(record, None, gathers, cut=False)
        return record

    def pseudo_deblend(self, record: Array) -> Array:
        """Gathers cut from the record at the fire times: the exact adjoint of `blend`.

        Zeros for shots that are not live and for times outside the record, which is finite.

        Raises
        ------
        InputError
            If the shape does not fit.
        """
        return self._cut(record, None)

    def pseudo_inverse(self, record: Array) -> Array:
        """Gathers cut from the record divided by the blending fold.

        For delays of whole samples this is the minimum-norm solution; in general it makes an
        iteration with a step below 2 stable. Shapes as in `pseudo_deblend`.
        """
        return self._cut(record, self._inverse_fold)

    def _cut(self, record: Array, weight: Array | None) -> Array:
        """Gathers cut from the record, whose samples are multiplied by `weight` if there is one."""
        if record.ndim != 2 or record.shape[1] != self.sample_count:
            raise InputError(
                f"the record has shape {tuple(record.shape)}",
                remedy=f"Give (channel, {self.sample_count}).",
            )
        shape = (len(self.first_sample), record.shape[0], self.length)
        gathers = self.xp.empty(shape, dtype=self.dtype)
        gathers[_index_of(self.xp, np.flatnonzero(~self.live))] = 0
        self._fill(record, weight, gathers, cut=True)
        return gathers

    def _fill(self, record: Array, weight: Array | None, gathers: Array, *, cut: bool) -> None:
        """Cut gathers from the record, or add them to it, where channels never meet."""
        if is_host(self.xp) and self.dtype == np.float32:
            self._fill_compiled(record, weight, gathers, cut=cut)
            return
        if on_card(self.xp) and self.dtype == np.float32:
            if cut:
                self._card.cut(record, weight, gathers)
            else:
                self._card.blend(gathers, record)
            return
        ramp = self.ramp  # made here, and not by all threads at once

        def fill(part: slice) -> None:
            if cut:
                self._cut_part(record[part], weight, gathers[:, part], ramp)
            else:
                self._blend_part(gathers[:, part], record[part], ramp)

        in_parts(fill, len(record), self.xp)

    def _fill_compiled(
        self, record: Array, weight: Array | None, gathers: Array, *, cut: bool
    ) -> None:
        from deblend.blending.delay_kernels import blend_or_cut

        # Copies of what is read at most: what is written is contiguous.
        record, gathers = (np.ascontiguousarray(x, self.dtype) for x in (record, gathers))
        factor = np.ones(self.sample_count, self.dtype) if weight is None else weight
        shots, steps = np.flatnonzero(self.live), self._earlier if cut else self._later

        def fill(channels: slice) -> None:
            part = channels.start, channels.stop
            blend_or_cut(gathers, record, factor, cut, part, shots, self._overlaps, LEAD, steps)

        in_parts(fill, len(record), self.xp)

    @cached_property
    def _card(self) -> CardDelays:
        rows = np.flatnonzero(self.live)
        return CardDelays.of(
            self.first_sample[rows],
            rows,
            self.ramp,
            (self.padded_length, LEAD, self.length),
            self.sample_count,
            self.xp,
        )

    @cached_property
    def _overlaps(self) -> NDArray[np.int64]:
        """Samples of the record in the padded window of each shot, shape (shot, 3).

        The first, the one after the last, and the sample of the window where they begin.
        """
        begin = np.clip(self.first_sample, 0, self.sample_count)
        end = np.clip(self.first_sample + self.padded_length, 0, self.sample_count)
        return np.stack([begin, end, np.where(end > begin, begin - self.first_sample, 0)], axis=1)

    def _overlap(self, row: int) -> tuple[slice, slice]:
        """Samples of the record, and of the padded window, where the two coincide."""
        begin, end, first = self._overlaps[row].tolist()
        return slice(begin, end), slice(first, first + end - begin)

    @cached_property
    def _later(self) -> DelaySteps:
        return delay_steps(self.fraction, self.padded_length)

    @cached_property
    def _earlier(self) -> DelaySteps:
        return delay_steps(-self.fraction, self.padded_length)

    def _chunks(self, channel_count: int) -> Iterator[NDArray[np.int64]]:
        """Live shots, as many at a time as should be transformed together."""
        rows = np.flatnonzero(self.live)
        values = max(1, channel_count * self.padded_length)
        step = max(1, _CHUNK_VALUES[is_host(self.xp)] // values)
        for begin in range(0, len(rows), step):
            yield rows[begin : begin + step]

    def _blend_part(self, gathers: Array, record: Array, ramp: Array) -> None:
        xp = self.xp
        chunks = list(self._chunks(gathers.shape[1]))
        windows = self._windows(chunks, gathers.shape[1])
        for rows in chunks:
            window = windows[: len(rows)]
            window[:, :, LEAD : LEAD + self.length] = gathers[_index_of(xp, rows)]
            spectrum = rfft(xp, window, self.padded_length)
            spectrum *= ramp[_index_of(xp, rows)][:, None, :]
            delayed = irfft(xp, spectrum, self.padded_length)
            for index, row in enumerate(rows):
                in_record, in_window = self._overlap(row)
                record[:, in_record] += delayed[index, :, in_window]

    def _cut_part(self, record: Array, weight: Array | None, gathers: Array, ramp: Array) -> None:
        xp = self.xp
        chunks = list(self._chunks(record.shape[0]))
        windows = self._windows(chunks, record.shape[0])
        for rows in chunks:
            window = windows[: len(rows)]
            for index, row in enumerate(rows):
                in_record, in_window = self._overlap(row)
                if in_window != slice(0, self.padded_length):  # an earlier shot was there
                    window[index] = 0
                if weight is None:
                    window[index, :, in_window] = record[:, in_record]
                else:
                    xp.multiply(
                        record[:, in_record], weight[in_record], out=window[index, :, in_window]
                    )
            spectrum = rfft(xp, window, self.padded_length)
            spectrum *= ramp[_index_of(xp, rows)][:, None, :].conj()
            advanced = irfft(xp, spectrum, self.padded_length)
            gathers[_index_of(xp, rows)] = advanced[:, :, LEAD : LEAD + self.length]

    def _windows(self, chunks: list[NDArray[np.int64]], channel_count: int) -> Array:
        """Room for the padded windows of a chunk, zero at first."""
        shape = (max(map(len, chunks), default=0), channel_count, self.padded_length)
        return self.xp.zeros(shape, dtype=self.dtype)


def _index_of(xp: ModuleType, rows: NDArray[np.int64]) -> Any:
    """Index for `rows`: a slice where they are consecutive, which copies less."""
    if len(rows) and rows[-1] - rows[0] == len(rows) - 1:
        return slice(int(rows[0]), int(rows[-1]) + 1)
    return xp.asarray(rows)


def make_operator(
    shots: Shots,
    *,
    start_ns: int,
    interval_ns: int,
    sample_count: int,
    length: int,
    dtype: DTypeLike = np.float32,
    xp: ModuleType = np,
) -> BlendingOperator:
    """Blending operator of a record and all shots that put energy into it; see `operator_at`."""
    return operator_at(
        shots.fire_time_ns,
        shots.live,
        start_ns=start_ns,
        interval_ns=interval_ns,
        sample_count=sample_count,
        length=length,
        dtype=dtype,
        xp=xp,
    )


def record_operator(
    recording: Recording, shots: Shots, length: int, *, dtype: DTypeLike = np.float32
) -> BlendingOperator:
    """Blending operator of a table of shots and a recording; see `make_operator`."""
    return make_operator(
        shots,
        start_ns=recording.start_ns,
        interval_ns=recording.interval_ns,
        sample_count=recording.shape[1],
        length=length,
        dtype=dtype,
    )


def check_same_scale(recording: Recording, shots: Shots) -> None:
    """Refuse shots and a record of two time scales."""
    if shots.time_scale != recording.scale:
        raise TimeError(
            f"the shots are in {shots.time_scale.upper()} and the record in "
            f"{recording.scale.upper()}",
            remedy="Read both in the same time scale; at present they differ by 18 s.",
        )


def length_in_samples(length_s: float, recording: Recording) -> int:
    """Samples of a gather trace of a length in seconds; what does not fit is refused."""
    length = round(length_s / recording.interval_s) if np.isfinite(length_s) else 0
    if length < 1:
        raise SettingsError(
            f"length_s is {length_s}", remedy="Give the length of a gather trace in seconds."
        )
    if length > recording.shape[1]:
        raise InputError(
            f"gathers of {length_s} s were asked of a record of {recording.duration_s:.3f} s",
            remedy="Shorten length_s, or give more of the record.",
        )
    return length


def operator_at(
    fire_time_ns: NDArray[np.int64],
    live: NDArray[np.bool_],
    *,
    start_ns: int,
    interval_ns: int,
    sample_count: int,
    length: int,
    dtype: DTypeLike = np.float32,
    xp: ModuleType = np,
) -> BlendingOperator:
    """Blending operator of fire times and a record.

    Parameters
    ----------
    fire_time_ns : ndarray of int64, shape (shot,)
        Time breaks, in nanoseconds of the record's time scale.
    live : ndarray of bool, shape (shot,)
        Shots that left energy.
    start_ns : int
        Instant of the record's sample 0.
    sample_count, length : int
        Samples of the record, and of a gather trace.
    dtype : {float32, float64}, optional
        Type of gathers and record.
    """
    for name, value in (
        ("interval_ns", interval_ns),
        ("sample_count", sample_count),
        ("length", length),
    ):
        if value < 1:
            raise InputError(f"{name} is {value}", remedy="Give a positive number.")
    sample, remainder_ns = np.divmod(fire_time_ns - start_ns, interval_ns)
    padded_length = fast_length(length + PAD)
    return BlendingOperator(
        first_sample=sample - LEAD,
        fraction=remainder_ns / interval_ns,
        live=live.copy(),
        length=length,
        padded_length=padded_length,
        sample_count=sample_count,
        dtype=np.dtype(dtype),
        xp=xp,
    )


def fractional_delay(fraction: NDArray[np.float64], padded_length: int) -> NDArray[np.complex128]:
    """Transfer function of delays by a fraction of a sample, at least 0 and below 1.

    Of shape (shot, padded_length // 2 + 1); real at the Nyquist frequency, where a real signal can
    carry no other phase.
    """
    frequency = np.arange(padded_length // 2 + 1) / padded_length
    ramp = np.exp(-2j * np.pi * fraction[:, None] * frequency[None, :])
    if padded_length % 2 == 0:
        ramp[:, -1] = np.cos(np.pi * fraction)
    return np.asarray(ramp, dtype=np.complex128)


def largest_eigenvalue(
    operator: BlendingOperator, *, channel_count: int = 1, iterations: int = 200, seed: int = 0
) -> float:
    """Largest eigenvalue of pseudo-inverse times operator, by power iteration.

    At most 1 (to rounding) for a sound operator; a step below 2 over it cannot diverge.
    """
    xp = operator.xp
    shape = (len(operator.first_sample), channel_count, operator.length)
    vector = xp.asarray(np.random.default_rng(seed).standard_normal(shape), dtype=operator.dtype)
    value = 0.0
    for _ in range(iterations):
        vector = vector / xp.sqrt(xp.sum(vector * vector))
        image = operator.pseudo_inverse(operator.blend(vector))
        value = float(to_host(xp.sum(vector * image)))
        vector = image
    return value
