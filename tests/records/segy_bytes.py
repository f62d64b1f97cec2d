"""SEG-Y files put together byte by byte, without the tables of the package.

Positions are those of SEG-Y revision 2.0 (2017), tables 2 and 3 and trace header extension 1,
counted from 1 as printed there.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass

START_NS = 1_717_243_203_512_345_000
"""2024-06-01T12:00:03.512345: year 2024, day 153; 512345000 ns are 1E89C3A8 (hexadecimal)."""

BIG, LITTLE, PAIRWISE = "big-endian", "little-endian", "pairwise swapped"
CONSTANT = {BIG: "01020304", LITTLE: "04030201", PAIRWISE: "02010403"}


def number(kind: str, value: float, order: str) -> bytes:
    """One word in the byte order of the file; `kind` is a letter of `struct`."""
    if order == LITTLE:
        return struct.pack("<" + kind, value)
    data = struct.pack(">" + kind, value)
    return swapped(data) if order == PAIRWISE else data


def swapped(data: bytes) -> bytes:
    """The two bytes of every pair exchanged; a byte alone stays."""
    pairs = [data[at : at + 2][::-1] for at in range(0, len(data) - 1, 2)]
    return b"".join(pairs) + data[len(data) // 2 * 2 :]


@dataclass(frozen=True)
class SegyFile:
    """A continuous file: traces of stored samples with their headers."""

    traces: Sequence[bytes]
    count: int
    code: int = 5
    order: str = BIG
    revision: tuple[int, int] = (2, 0)
    extended: bool = True
    texts: Sequence[bytes] = ()
    text_count: int | None = None
    other_headers: Sequence[bytes] = ()
    trailers: Sequence[bytes] = ()
    trailer_count: int | None = None
    trace_count: int = 0
    delay: int = 0
    delay_scalar: int = 0
    weight: int = 0

    def bytes(self) -> bytes:
        """The whole file."""
        text = b"C 1 made byte by byte".ljust(3200)
        traces = [self._headers(row) + samples for row, samples in enumerate(self.traces, 1)]
        return b"".join([text, self._binary(), *self.texts, *traces, *self.trailers])

    def _put(self, header: bytearray, first: int, rows: Sequence[tuple[int, str, float]]) -> None:
        for byte, kind, value in rows:
            data = number(kind, value, self.order)
            header[byte - first : byte - first + len(data)] = data

    def _binary(self) -> bytes:
        header = bytearray(400)
        major, minor = self.revision
        rows: list[tuple[int, str, float]] = [
            (3213, "h", len(self.traces)),
            (3217, "h", 2000),
            (3221, "H", self.count),
            (3225, "h", self.code),
            (3501, "B", major),
            (3502, "B", minor),
            (3503, "h", 1),
            (3505, "h", len(self.texts) if self.text_count is None else self.text_count),
        ]
        if major == 2:
            more = self.extended + len(self.other_headers)
            trailers = len(self.trailers) if self.trailer_count is None else self.trailer_count
            rows += [
                (3269, "I", self.count),
                (3273, "d", 2000.0),
                (3507, "I", more) if minor == 0 else (3507, "h", more),
                (3511, "h", 5),
                (3513, "Q", self.trace_count),
                (3529, "i", trailers),
            ]
            header[3297 - 3201 : 3301 - 3201] = bytes.fromhex(CONSTANT[self.order])
        self._put(header, 3201, rows)
        return bytes(header)

    def _headers(self, row: int) -> bytes:
        standard = bytearray(240)
        self._put(
            standard,
            1,
            [
                (13, "i", row),
                (29, "h", 1),
                (109, "h", self.delay),
                (115, "H", self.count),
                (117, "H", 2000),
                (157, "h", 2024),
                (159, "h", 153),
                (161, "h", 12),
                (163, "h", 0),
                (165, "h", 3),
                (167, "h", 5),
                (169, "h", self.weight * row),
                (215, "h", self.delay_scalar),
            ],
        )
        if self.revision[0] < 2:
            return bytes(standard)
        standard[232:] = b"SEG00000"
        others = b"".join(bytes(232) + name for name in self.other_headers)
        return bytes(standard) + others + (self._extension() if self.extended else b"")

    def _extension(self) -> bytes:
        header = bytearray(240)
        rows = [(137, "I", self.count), (141, "i", 512_345_000), (145, "d", 2000.0)]
        self._put(header, 1, [*rows, (157, "H", 1 + len(self.other_headers))])
        header[232:] = b"SEG00001"
        return bytes(header)
