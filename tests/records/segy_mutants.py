"""Damaged SEG-Y files: seeds that take every branch of the reader, and ways to damage them."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
from segy_bytes import LITTLE, PAIRWISE, SegyFile

from deblend.errors import DeblendError, RecordError
from deblend.records.open import open_recording
from deblend.records.segy.gathers import open_trace_file

TELLING = (0x00, 0x01, 0x02, 0x05, 0x7F, 0x80, 0xFE, 0xFF)
"""Bytes at the edges of the number forms of the headers."""
WORDS = (3213, 3217, 3221, 3225, 3261, 3269, 3273, 3297, 3301, 3501, 3505, 3507, 3513, 3521, 3529)
"""Where the binary header says how a file is built, counted from 1."""


def seeds() -> list[bytes]:
    """Small valid files of every revision, byte order, sample width and surrounding."""
    end = b"((SEG: EndText))".ljust(3200)
    files = [
        SegyFile([bytes(24)] * 3, 6),
        SegyFile([bytes(24)] * 2, 6, 1, revision=(1, 0)),
        SegyFile([bytes(12)] * 2, 6, 3, LITTLE, (2, 1)),
        SegyFile([bytes(48)] * 2, 6, 6, PAIRWISE),
        SegyFile([bytes(18)] * 2, 6, 7, other_headers=[b"OTHER001"]),
        SegyFile([bytes(6)] * 2, 6, 8, texts=[bytes(3200), end], text_count=-1),
        SegyFile([bytes(24)] * 2, 6, trailers=[end, end], trailer_count=-1),
        SegyFile([bytes(24)] * 2, 6, trailers=[end], trailer_count=-1, trace_count=2),
        SegyFile([bytes(24)] * 2, 6, extended=False, delay=5, delay_scalar=-10),
        SegyFile([bytes(12)] * 2, 6, 11, weight=1),
    ]
    return [file.bytes() for file in files]


def mutant(seed: bytes, generator: np.random.Generator) -> bytes:
    """`seed` with one to four things done to it, mostly behind the text that nobody reads."""
    data = bytearray(seed)
    for _ in range(int(generator.integers(1, 5))):
        if not data:
            break
        kind = generator.integers(9)
        begin = 0 if len(data) <= 3200 or generator.random() < 0.05 else 3200
        at = begin + int(generator.integers(len(data) - begin))
        if kind <= 1:
            data[at] = int(generator.integers(256))
        elif kind <= 3:
            data[at] = int(generator.choice(TELLING))
        elif kind <= 5:
            at = int(generator.choice(WORDS)) - 1
            size = int(generator.choice((1, 2, 4, 8)))
            value = int(generator.choice((0, 1, 2, 3, 5, 16, -1, 32767, 2**31 - 1, 10**13)))
            data[at : at + size] = struct.pack(">q", value)[-size:]
        elif kind == 6:
            at = int(generator.integers(3200, 3600))
            data[at : at + 1] = bytes([int(generator.integers(256))])
        elif kind == 7:
            length = int(generator.choice((1, 4, 240, 264, 3200)))
            data[at:at] = data[at : at + length]
        else:
            del data[at : at + int(generator.choice((1, 4, 240, 264, 3200, 10_000)))]
    return bytes(data)


def use(path: Path) -> str:
    """Open a file in every way there is and read some of it; what came of it, in a word.

    Only errors of the package are caught: anything else is a finding of the fuzzer.
    """
    outcome = ""
    for scale, exact in (("gps", False), ("utc", True), ("gps", True)):
        try:
            recording = open_recording(path, time_scale=scale, start_is_exact=exact)
            channels, samples = recording.shape
            few = range(min(channels, 1000))
            recording.read(few, 0, min(samples, 64))
            recording.read(few[::-1], max(0, samples - 64), samples)
            outcome = "read"
        except DeblendError as error:
            outcome = outcome or type(error).__name__
            str(error)
            if isinstance(error, RecordError):
                break  # damaged headers: the other ways end at the same place
    try:
        traces = open_trace_file(path, ("field_record", "channel"))
        traces.read(np.arange(traces.trace_count))
    except DeblendError as error:
        str(error)
    return outcome
