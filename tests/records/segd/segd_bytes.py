"""SEG-D records put together by hand, without anything of the package that reads them.

Byte positions are those of SEG-D Rev 2.1 (SEG, 2006), sections 8.1-8.7, and SEG-D Rev 3.0 (SEG,
2014), sections 8.1-8.22, counted from 1 as there.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field, replace

START_US = 1_401_278_418_000_000
"""2024-06-01T12:00:00 UTC in GPS microseconds: 12 years and the leap seconds counted by hand."""
START_NS = (START_US + 315_964_800_000_000) * 1000
"""The same instant as calendar nanoseconds of the GPS scale."""


def put(block: bytearray, first: int, data: bytes | str) -> None:
    """Put bytes, or hexadecimal text, at a position counted from 1."""
    raw = bytes.fromhex(data) if isinstance(data, str) else data
    block[first - 1 : first - 1 + len(raw)] = raw


@dataclass(frozen=True)
class Set:
    """A channel set and its traces: `payload` is the samples of each trace as they are stored."""

    payload: tuple[bytes, ...]
    samples: int
    number: int = 1
    kind: int = 0x10
    interval_us: int = 2000
    start_us: int = 0
    end_us: int | None = None
    descale: bytes = struct.pack(">f", 1.0)
    unit: int = 0x13
    edit: tuple[int, ...] = ()
    skew: int = 0
    stack: int = 1
    streamer: int = 1
    own_start_us: tuple[int | None, ...] = ()
    own_samples: tuple[int, ...] = ()
    sensitivity: tuple[float, ...] = ()
    extra_blocks: int = 0


@dataclass(frozen=True)
class Record:
    """A record of revision 3."""

    sets: tuple[Set, ...]
    code: str = "8058"
    minor: int = 0
    start_us: int = START_US
    utc: str = "24x153120000"
    file_number: int = 77
    blocks: tuple[bytes, ...] = ()
    extended: int = 0
    relative: int = 0
    label: bool = False
    skew_blocks: int = 0
    header_blocks: tuple[int, int] = (0, 0)
    trailer: int = 0
    sizes: bool = True
    changes: dict[int, str] = field(default_factory=dict)

    def bytes(self) -> bytes:
        """The record, with its label."""
        sets = b"".join(_descriptor_3(of) for of in self.sets)
        body = sets + bytes(32 * (self.skew_blocks + sum(self.header_blocks)))
        traces = b"".join(_traces_3(of, self.file_number) for of in self.sets)
        count = 2 + len(self.blocks)
        header_size = 32 * (count + 1) + len(body)
        size = header_size + len(traces) + 32 * self.trailer
        head = bytearray(self._general(count, size, header_size) + body)
        for first, data in self.changes.items():
            put(head, first, data)
        label = b"   1SD3.0RECORD".ljust(128) if self.label else b""
        return label + bytes(head) + traces + bytes(32 * self.trailer)

    def _general(self, count: int, size: int, header_size: int) -> bytes:
        one, two, three = bytearray(32), bytearray(32), bytearray(32)
        put(one, 1, f"{self.file_number:04d}")
        put(one, 3, self.code)
        nibble = f"{count:x}" if count < 15 else "f"
        put(one, 11, self.utc.replace("x", nibble))
        put(one, 23, "20")
        put(one, 26, "8fff01")
        put(one, 29, f"{len(self.sets):02d}{self.skew_blocks:02d}")
        put(one, 31, f"{self.header_blocks[0]:02d}{self.header_blocks[1]:02d}")
        put(two, 11, struct.pack("BBI", 3, self.minor, 0)[:2])
        put(two, 13, struct.pack(">I", self.trailer))
        put(two, 23, struct.pack(">H", count))
        put(two, 32, "02")
        put(three, 1, struct.pack(">q", self.start_us))
        if self.sizes:
            put(three, 9, struct.pack(">QQI", size, size, header_size))
        put(three, 29, bytes([self.extended, self.relative]))
        put(three, 32, "03")
        return bytes(one + two + three) + b"".join(self.blocks)

    def but(self, **changes: object) -> bytes:
        """The bytes with some fields changed."""
        return replace(self, **changes).bytes()  # type: ignore[arg-type]


def _descriptor_3(of: Set) -> bytes:
    end_us = of.start_us + of.samples * of.interval_us if of.end_us is None else of.end_us
    block = bytearray(96)
    put(block, 1, "01")
    put(block, 2, struct.pack(">HB", of.number, of.kind))
    put(block, 5, struct.pack(">iiI", of.start_us, end_us, of.samples))
    put(block, 17, of.descale)
    put(block, 21, len(of.payload).to_bytes(3, "big") + of.interval_us.to_bytes(3, "big"))
    put(block, 27, bytes([1, _extensions(of), 3, of.stack, of.streamer, 0x30]))
    put(block, 62, bytes([of.unit]))
    put(block, 64, "31")
    put(block, 69, b"HYDROPHONES".ljust(27))
    put(block, 96, "32")
    return bytes(block)


def _extensions(of: Set) -> int:
    return 1 + bool(of.own_start_us) + bool(of.sensitivity) + of.extra_blocks


def _traces_3(of: Set, file_number: int) -> bytes:
    parts = []
    for row, payload in enumerate(of.payload):
        edit = of.edit[row] if of.edit else 0
        samples = of.own_samples[row] if of.own_samples else of.samples
        extension = bytearray(32)
        put(extension, 21, "01")
        put(extension, 25, struct.pack(">I", samples))
        put(extension, 32, "40")
        blocks = [extension]
        if of.sensitivity:
            blocks.append(bytearray(32))
            put(blocks[-1], 9, struct.pack(">f", of.sensitivity[row]))
            put(blocks[-1], 32, "41")
        if of.own_start_us:
            blocks.append(bytearray(32))
            own = of.own_start_us[row]
            if own is not None:
                put(blocks[-1], 1, struct.pack(">q", own))
                put(blocks[-1], 32, "42")
        blocks += [bytearray(31) + b"\xb0"] * of.extra_blocks
        header = _demux(file_number, of.number, row + 1, len(blocks), of.skew, edit)
        parts.append(header + b"".join(map(bytes, blocks)) + payload)
    return b"".join(parts)


def _demux(
    file_number: int, number: int, trace: int, extensions: int, skew: int = 0, edit: int = 0
) -> bytes:
    block = bytearray(20)
    put(block, 1, f"{file_number:04d}01{number:02d}{trace:04d}")
    put(block, 10, bytes([extensions, skew, edit]))
    return bytes(block)


def revision_2_record(
    payload: tuple[bytes, ...],
    *,
    end_2ms: int,
    samples: int | None,
    descale: str = "0000",
    code: str = "8058",
    utc: str = "241153120000",
    subscan: int = 0,
    minor: int = 1,
) -> bytes:
    """One record of revision 2; without `samples` the traces have no extension."""
    one, two, descriptor = bytearray(32), bytearray(32), bytearray(32)
    put(one, 1, "1234" + code)
    put(one, 11, utc)
    put(one, 23, "20")
    put(one, 26, "8fff0101")
    put(two, 11, bytes([2, minor]))
    put(two, 19, "02")
    put(descriptor, 1, "01010000")
    put(descriptor, 5, struct.pack(">H", end_2ms))
    put(descriptor, 7, descale)
    put(descriptor, 9, f"{len(payload):04d}")
    put(descriptor, 11, bytes([0x10, subscan << 4 | 3]))
    put(descriptor, 29, "00010401" if samples is None else "01010401")
    traces = b""
    for row, data in enumerate(payload):
        extension = bytearray(0 if samples is None else 32)
        if samples is not None:
            put(extension, 8, samples.to_bytes(3, "big"))
        traces += _demux(1234, 1, row + 1, len(extension) // 32) + bytes(extension) + data
    return bytes(one + two + descriptor) + traces


def floats(*values: float) -> bytes:
    """Big-endian IEEE floats."""
    return struct.pack(f">{len(values)}f", *values)


def air_gun(source_id: int, line: str, point: str, depth_cm: int = 600) -> bytes:
    """Block 17; `line` and `point` in hexadecimal: 3 bytes of the number, 2 of its fraction."""
    block = bytearray(32)
    put(block, 4, line + point)
    put(block, 15, struct.pack(">H", depth_cm))
    put(block, 19, bytes([source_id, 1]))
    put(block, 32, "17")
    return bytes(block)


def event(source_id: int, time_us: int, status: int = 1) -> bytes:
    """Block 20."""
    block = bytearray(32)
    put(block, 1, struct.pack(">qBBB", time_us, status, source_id, 1))
    put(block, 12, b" " * 20)
    put(block, 32, "20")
    return bytes(block)


def place(x: float, y: float, valid: int = 1) -> bytes:
    """Block 51."""
    block = bytearray(32)
    put(block, 1, struct.pack(">ddd", x, y, float("inf")))
    put(block, 27, bytes([valid, 1]))
    put(block, 32, "51")
    return bytes(block)
