"""Damaged SEG-D files: seeds that take every branch of the format, and ways to damage them."""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
from segd_bytes import (
    START_US,
    Record,
    Set,
    air_gun,
    event,
    floats,
    place,
    revision_2_record,
)

from deblend.errors import DeblendError, RecordError
from deblend.records.segd.open import open_segd, read_segd_shots

TELLING = (0x00, 0x01, 0x7F, 0x80, 0x99, 0xFF)
"""Bytes at the edges of the number forms of the headers."""


def seeds() -> list[bytes]:
    """Small valid files of every revision, mode and kind of block."""
    plain = Set((floats(1, 2, 3), floats(4, 5, 6)), 3)
    uneven = Set((floats(1, 2), floats(3), floats(4, 5)), 2, own_samples=(2, 1, 2))
    timed = Set(
        (floats(1, 2), floats(3, 4)),
        2,
        end_us=0,
        own_start_us=(START_US, START_US + 2000),
        sensitivity=(2.0, 2.0),
        edit=(0, 2),
    )
    shots = (air_gun(1, "0003E98000", "0000050000"), event(1, START_US + 5), place(5e5, 6e6))
    near_field = Set((floats(7, 8),), 2, number=2, kind=0x92)
    windows = tuple(
        replace(plain, number=number, own_start_us=(START_US + 6000 * number,) * 2)
        for number in (1, 2)
    )
    exponents = bytes.fromhex("12304000BFFF20000000")
    records = (
        Record((plain,), blocks=shots).bytes(),
        Record((plain,), label=True, trailer=1, header_blocks=(2, 1)).bytes(),
        Record((uneven,)).bytes(),
        Record((timed, near_field), extended=1, minor=1).bytes(),
        Record((plain,)).bytes() + Record((plain,)).but(start_us=START_US + 6000),
        Record(windows, extended=1, minor=1).bytes(),
        Record((Set((exponents,), 4),), code="8015").bytes(),
        Record((Set((bytes(6), bytes(6)), 2),), code="9036", minor=1).bytes(),
        Record((plain,), start_us=0, relative=1, skew_blocks=1).bytes(),
        Record((plain,), blocks=(bytes(31) + b"\xb0",) * 20).bytes(),
    )
    older = (
        revision_2_record((floats(1, 2), floats(3, 4)), end_2ms=2, samples=2, descale="008E"),
        revision_2_record((floats(1, 2), floats(3, 4)), end_2ms=2, samples=None),
        revision_2_record((floats(1, 2, 3),), end_2ms=2, samples=None) * 2,
    )
    return [*records, *older]


def mutant(seed: bytes, generator: np.random.Generator) -> bytes:
    """`seed` with one to four things done to it: bytes set, cut out, doubled; the end cut off."""
    data = bytearray(seed)
    for _ in range(int(generator.integers(1, 5))):
        if not data:
            break
        at = int(generator.integers(len(data)))
        kind = generator.integers(8)
        if kind <= 2:
            data[at] = int(generator.integers(256))
        elif kind <= 4:
            data[at] = int(generator.choice(TELLING))
        elif kind == 5:
            size = int(generator.choice((2, 4, 8)))
            value = int(generator.choice((0, 1, -1, 2**31 - 1, 10**13, -(2**63))))
            data[at : at + size] = struct.pack(">q", value)[-size:]
        elif kind == 6:
            length = int(generator.choice((1, 4, 20, 32, 96)))
            piece = data[at : at + length]
            data[at:at] = piece * int(generator.integers(2)) or data[at : at + length]
        else:
            del data[at : at + int(generator.choice((1, 4, 20, 32, 10_000)))]
    return bytes(data)


def use(path: Path) -> str:
    """Open a file in every way there is and read some of it; what came of it, in a word.

    Only errors of the package are caught: anything else is a finding of the fuzzer.
    """
    outcome = ""
    for scale, sets in (("gps", "seismic"), ("utc", "seismic"), ("gps", "auxiliary")):
        try:
            recording = open_segd(
                path,
                time_scale=scale,
                start_is_exact=scale == "utc",
                sets=sets,  # type: ignore[arg-type]
            )
            channels, samples = recording.shape
            few = range(min(channels, 1000))
            recording.read(few, 0, min(samples, 64))
            recording.read(few, max(0, samples - 64), samples)
            outcome = "read"
        except DeblendError as error:
            outcome = outcome or type(error).__name__
            str(error)
            if isinstance(error, RecordError) and sets == "seismic":
                break  # damaged headers: the other ways end at the same place
    try:
        read_segd_shots(path, time_scale="gps")
    except DeblendError as error:
        str(error)
    return outcome
