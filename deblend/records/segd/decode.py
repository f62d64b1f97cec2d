"""Sample formats of SEG-D: stored bytes to float32 amplitudes.

The table of formats and the worked values are those of SEG-D revision 3.0, section 4 and
revision 3.1 for the little-endian 90xx codes. Where numpy would make temporaries the size of the
data, a compiled kernel (`sample_kernels`) does the work.
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
    """Decode traces; values beyond float32 become infinite.

    Parameters
    ----------
    raw : ndarray of uint8, shape (trace, byte)
        Stored bytes, starting with a whole group; the byte axis contiguous.
    factor : ndarray of float32, shape (trace,)
        Multiplies each trace.
    out : ndarray of float32, shape (trace, sample)
        Receives the amplitudes.
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


def _decode_by_type(raw: Bytes, form: SampleFormat, factor: Samples, out: Samples) -> None:
    stored = raw[:, : form.size(out.shape[1])].view(form.numpy_type)
    with np.errstate(over="ignore", invalid="ignore"):
        out[...] = stored
        if np.any(factor != 1.0):
            out *= factor[:, None]
