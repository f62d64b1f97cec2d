"""General headers of one SEG-D record: what follows, in how many blocks, and since when."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import RecordError, TimeError
from deblend.model.timebase import NS_PER_S, instant_from_day_of_year
from deblend.records.file_bytes import OpenFile
from deblend.records.segd.layout import (
    BLOCK,
    GENERAL_HEADER_1,
    GENERAL_HEADER_2_REV_2,
    GENERAL_HEADER_2_REV_3,
    GENERAL_HEADER_3,
    Table,
    decimal,
    hex_digits,
    unpack,
    unsigned,
)

DECODED_FORMATS: Final = (8015, 8036, 8038, 8048, 8058, 8080, 9036, 9038, 9058, 9080)
_DATE_PARTS: Final = {
    "year": (0, 99),
    "day of year": (1, 366),
    "hour": (0, 23),
    "minute": (0, 59),
    "second": (0, 60),
}


@dataclass(frozen=True)
class GeneralHeader:
    """What the general headers of a record say."""

    position: int
    """Byte of the file at which general header 1 starts."""
    revision: tuple[int, int]
    """Major and minor revision, from general header 2."""
    file_number: int
    format_code: int
    """File number and sample format code."""
    utc_s: int | None
    """Date and time of general header 1, seconds since 1970 of UTC; None where it is no date."""
    date_fault: str
    """Which part of it is none, and what it holds, as "hour 27"; empty where it is a date."""
    time_zero_us: int | None
    """GPS timestamp of the record, revision 3 only."""
    base_interval_ns: int
    """Base scan interval."""
    scan_types: int
    channel_sets: int
    skew_blocks: int
    extended_blocks: int
    external_blocks: int
    trailer_blocks: int
    """Counts of the parts of the record; channel sets and skew blocks count per scan type."""
    extended_recording: bool
    relative_time: bool
    """Modes of revision 3. With relative time, timestamps count from the start of the record."""
    declared_record_size: int | None
    declared_header_size: int | None
    """Sizes in bytes that general header 3 states."""
    blocks: NDArray[np.uint8]
    """(block, 32): All general header blocks as they stand."""

    @property
    def is_revision_3(self) -> bool:
        """Whether the byte tables of revision 3 hold."""
        return self.revision[0] >= 3

    @property
    def descriptor_position(self) -> int:
        """Byte at which the channel set descriptors start."""
        return self.position + BLOCK * len(self.blocks)

    @property
    def descriptor_size(self) -> int:
        """Bytes of one channel set descriptor."""
        return 3 * BLOCK if self.is_revision_3 else BLOCK

    @property
    def size(self) -> int:
        """Bytes from general header 1 to the first trace."""
        sets = self.channel_sets * self.descriptor_size + BLOCK * self.skew_blocks
        user = BLOCK * (self.extended_blocks + self.external_blocks)
        return BLOCK * len(self.blocks) + self.scan_types * sets + user


def read_general_header(file: OpenFile, position: int) -> GeneralHeader:
    """General headers of the record that begins at byte `position`."""
    first_two = file.read(position, 2 * BLOCK, "general headers 1 and 2")
    one = unpack(first_two, GENERAL_HEADER_1)
    revision = (first_two[BLOCK + 10], first_two[BLOCK + 11])
    if int(one["blocks_and_day"][0]) >> 4 == 0 or revision[0] not in (2, 3):
        raise RecordError(
            f"general header 2 gives the revision {revision[0]}.{revision[1]}",
            where=f"{file.path}, byte {position}",
            remedy="SEG-D of revisions 2.x and 3.x is read; convert older records first.",
        )
    try:
        return _interpret(file, position, one, first_two, revision)
    except RecordError as error:
        if error.where:
            raise
        raise RecordError(
            error.what, where=f"{file.path}, record at byte {position}", remedy=error.remedy
        ) from error


def _interpret(
    file: OpenFile, position: int, one: Any, first_two: bytes, revision: tuple[int, int]
) -> GeneralHeader:
    newer = revision[0] == 3
    table: Table = GENERAL_HEADER_2_REV_3 if newer else GENERAL_HEADER_2_REV_2
    two = unpack(first_two, table, BLOCK)
    format_code = _sample_format(one)
    additional = int(one["blocks_and_day"][0]) >> 4
    if newer and additional == 15:
        additional = int(two["general_header_blocks"])
    count = 1 + max(additional, 1)
    raw = file.read(position, BLOCK * count, f"{count} general headers")
    blocks = np.frombuffer(raw, np.uint8).reshape(count, BLOCK)
    three = _general_header_3(blocks) if newer else None
    relative = three is not None and bool(three["relative_time"])
    utc_s, date_fault = _date(one)
    header = GeneralHeader(
        position=position,
        revision=revision,
        file_number=_flagged(one["file_number"], unsigned(two["file_number"]), "file number"),
        format_code=format_code,
        utc_s=utc_s,
        date_fault=date_fault,
        time_zero_us=None if three is None or relative else int(three["time_zero_us"]),
        base_interval_ns=_base_interval_ns(one, two, newer),
        scan_types=_positive(decimal(hex_digits(one["scan_types"]), "scan types"), "scan types"),
        channel_sets=_positive(
            _flagged(one["channel_sets"], int(two["channel_sets"]), "channel sets"),
            "channel sets",
        ),
        skew_blocks=_flagged(
            one["skew_blocks"], int(two["skew_blocks"]) if newer else None, "sample skew blocks"
        ),
        extended_blocks=_flagged(
            one["extended_header_blocks"],
            _count(two["extended_header_blocks"]),
            "extended header blocks",
        ),
        external_blocks=_flagged(
            one["external_header_blocks"],
            _count(two["external_header_blocks"]),
            "external header blocks",
        ),
        trailer_blocks=int(two["trailer_blocks"]),
        extended_recording=three is not None and bool(three["extended_recording"]),
        relative_time=relative,
        declared_record_size=None if three is None else int(three["record_size"]),
        declared_header_size=None if three is None else int(three["header_size"]),
        blocks=blocks,
    )
    file.require(position, header.size, "the header")
    return header


def _sample_format(one: Any) -> int:
    code = decimal(hex_digits(one["format_code"]), "the format code")
    if code in DECODED_FORMATS:
        return code
    if 0 < code < 1000:
        what, remedy = "is multiplexed", "Demultiplex the records first."
    else:
        what = "is not decoded"
        remedy = f"Formats {', '.join(map(str, DECODED_FORMATS))} are."
    raise RecordError(f"sample format {code:04d} {what}", remedy=remedy)


def _general_header_3(blocks: NDArray[np.uint8]) -> Any:
    if len(blocks) < 3 or blocks[2, 31] != 0x03:
        raise RecordError(
            "the third general header is not the one with the time of the record",
            remedy="Revision 3 requires it; the header is damaged.",
        )
    return unpack(blocks[2].tobytes(), GENERAL_HEADER_3)


def _flagged(normal: NDArray[np.uint8] | int, extended: int | None, name: str) -> int:
    """The normal packed decimal field, or the extended one where the normal holds its flag."""
    digits = hex_digits(normal)
    if digits.strip("f") == "" and extended is not None:
        return extended
    return decimal(digits, name)


def _count(field: NDArray[np.uint8] | int) -> int:
    return int(field) if np.ndim(field) == 0 else unsigned(np.asarray(field))


def _positive(value: int, name: str) -> int:
    if value == 0:
        raise RecordError(f"the header counts 0 {name}", remedy="The header is damaged.")
    return value


def _base_interval_ns(one: Any, two: Any, newer: bool) -> int:
    sixteenths = int(one["base_scan_interval"])
    if newer and sixteenths == 0xFF:
        return unsigned(two["sampling_interval_us"]) * 1000
    return sixteenths * 62_500


def _date(one: Any) -> tuple[int | None, str]:
    """Date of general header 1, or what is no date of it.

    A leap second counts as the midnight that follows.
    """
    read: dict[str, int] = {}
    for name, (low, high) in _DATE_PARTS.items():
        field = "blocks_and_day" if name == "day of year" else name
        digits = hex_digits(one[field])[1 if field == "blocks_and_day" else 0 :]
        if not digits.isdecimal() or not low <= int(digits) <= high:
            return None, f"{name} {digits.upper()}"
        read[name] = int(digits)
    short_year, day, hour, minute, second = read.values()
    year = short_year + (1900 if short_year >= 70 else 2000)
    try:
        instant_ns = instant_from_day_of_year(year, day, hour, minute, min(second, 59))
    except TimeError:
        return None, f"day of year {day} of {year}"
    return instant_ns // NS_PER_S + (second == 60), ""
