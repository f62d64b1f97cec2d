"""Sample formats of SEG-D decoded with array operations only: what the kernels are held against."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from deblend.records.segd.decode import Bytes, SampleFormat, Samples, decode_into


def decode_arrays(raw: Bytes, form: SampleFormat, factor: Samples, out: Samples) -> None:
    """Do what `decode_into` does; formats with a numpy type have no kernel."""
    if form.numpy_type:
        decode_into(raw, form, factor, out)
        return
    count = out.shape[1]
    with np.errstate(over="ignore"):
        if form.code == 8048:
            out[...] = _hexadecimal(raw, count)
        elif form.code == 8015:
            out[...] = _shared_exponents(raw, count)
        else:
            out[...] = _24_bit(raw, count, little=form.code == 9036)
        out *= factor[:, None]


def _24_bit(raw: Bytes, count: int, *, little: bool) -> NDArray[np.int64]:
    triple = raw[:, : 3 * count].reshape(len(raw), count, 3).astype(np.int64)
    if little:
        triple = triple[..., ::-1]
    value = (triple[..., 0] << 16) | (triple[..., 1] << 8) | triple[..., 2]
    return value - ((value & 0x800000) << 1)


def _hexadecimal(raw: Bytes, count: int) -> NDArray[np.float64]:
    word = raw[:, : 4 * count].reshape(len(raw), count, 4).astype(np.int64)
    fraction = (word[..., 1] << 16) | (word[..., 2] << 8) | word[..., 3]
    power = 4 * ((word[..., 0] & 0x7F) - 64) - 24
    value: NDArray[np.float64] = np.ldexp(fraction.astype(np.float64), power)
    value[(word[..., 0] & 0x80) != 0] *= -1.0
    return value


def _shared_exponents(raw: Bytes, count: int) -> NDArray[np.float64]:
    groups = -(-count // 4)
    group = raw[:, : 10 * groups].reshape(len(raw), groups, 10).astype(np.int64)
    exponent = np.stack(
        [group[..., 0] >> 4, group[..., 0] & 15, group[..., 1] >> 4, group[..., 1] & 15], axis=-1
    )
    word = (group[..., 2::2] << 8) | group[..., 3::2]
    word = np.where(word & 0x8000, word - 0xFFFF, word)
    value: NDArray[np.float64] = np.ldexp(word.astype(np.float64), exponent - 15)
    return value.reshape(len(raw), 4 * groups)[:, :count]
