"""Sample formats of SEG-D: stored bytes to float32 amplitudes.

The table of formats and the worked values are those of SEG-D revision 3.0, section 4 and
revision 3.1 for the little-endian 90xx codes. Where numpy would make temporaries the size of the
data, a compiled kernel (`sample_kernels`) does the work; the array form is kept here beside it and
tested equal.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Samples = NDArray[np.float32]


@dataclass(frozen=True)
class SampleFormat:
    """How samples lie in a trace."""

    code: int
    """Format code of general header 1."""
    group_bytes: int
    group_samples: int = 1
    """Bytes that hold a group of samples, and how many samples that is: 1, or 4 in format 8015."""
    numpy_type: str = ""
    """The numpy type of a sample; empty where there is none."""

    def size(self, samples: int) -> int:
        """Bytes of a trace of so many samples."""
        return -(-samples // self.group_samples) * self.group_bytes


FORMATS: Final = {
    form.code: form
    for form in (
        SampleFormat(8015, 10, 4),
        SampleFormat(8036, 3),
        SampleFormat(8038, 4, numpy_type=">i4"),
        SampleFormat(8048, 4),
        SampleFormat(8058, 4, numpy_type=">f4"),
        SampleFormat(8080, 8, numpy_type=">f8"),
        SampleFormat(9036, 3),
        SampleFormat(9038, 4, numpy_type="<i4"),
        SampleFormat(9058, 4, numpy_type="<f4"),
        SampleFormat(9080, 8, numpy_type="<f8"),
    )
}


def decode_into(raw: Bytes, form: SampleFormat, factor: Samples, out: Samples) -> None:
    """Decode traces.

    Parameters
    ----------
    raw : ndarray of uint8, shape (trace, byte)
        Stored bytes, starting with a whole group; the byte axis contiguous.
    form : SampleFormat
        How the bytes are to be read.
    factor : ndarray of float32, shape (trace,)
        Multiplies each trace.
    out : ndarray of float32, shape (trace, sample)
        Receives the amplitudes. Values beyond float32 become infinite.
    """
    if form.numpy_type:
        _decode_by_type(raw, form, factor, out)
        return
    from deblend.records.segd import sample_kernels

    if form.code == 8048:
        sample_kernels.decode_hexadecimal(raw, factor, out)
    elif form.code == 8015:
        sample_kernels.decode_shared_exponents(raw, factor, out)
    else:
        sample_kernels.decode_24_bit(raw, form.code == 9036, factor, out)


def decode_arrays(raw: Bytes, form: SampleFormat, factor: Samples, out: Samples) -> None:
    """Do what `decode_into` does, with array operations only: what the kernels are tested by."""
    if form.numpy_type:
        _decode_by_type(raw, form, factor, out)
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


def _decode_by_type(raw: Bytes, form: SampleFormat, factor: Samples, out: Samples) -> None:
    stored = raw[:, : form.size(out.shape[1])].view(form.numpy_type)
    with np.errstate(over="ignore", invalid="ignore"):
        out[...] = stored
        if np.any(factor != 1.0):
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
