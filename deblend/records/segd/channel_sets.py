"""Channel set descriptors: 32 bytes in revision 2, 96 bytes in revision 3."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from deblend.errors import RecordError
from deblend.records.file_bytes import OpenFile
from deblend.records.segd.general_headers import GeneralHeader
from deblend.records.segd.layout import (
    BLOCK,
    CHANNEL_SET_REV_2,
    CHANNEL_SET_REV_3,
    UNITS,
    decimal,
    hex_digits,
    unsigned,
)

SetKind = Literal["seismic", "auxiliary", "unused"]


@dataclass(frozen=True)
class ChannelSet:
    """One channel set of one scan type."""

    scan_type: int
    number: int
    """Numbers of the scan type and of the set."""
    channel_type: int
    """Code of the standard: 1 is seismic in revision 2, 0x10 in revision 3."""
    kind: SetKind
    """What the code comes to."""
    start_us: int
    end_us: int
    """Times after the start of the record."""
    samples: int | None
    """Samples a trace as the descriptor counts them; None in revision 2, which does not."""
    channels: int
    """Number of traces."""
    interval_ns: int
    """Sample interval."""
    descale: float
    """Factor from stored to descaled amplitudes: 2 to the power MP in revision 2 (which gives mV),
    the multiplier in revision 3."""
    unit: str
    """Physical unit; "mV" where none is given."""
    extensions: int
    """Trace header extensions of 32 bytes each."""
    vertical_stack: int
    """Number of traces stacked; 0 says that the samples have been zeroed."""
    streamer: int
    """Streamer number."""
    description: str = ""
    """Text of revision 3."""

    @property
    def usable_descale(self) -> bool:
        """Whether `descale` is a number that amplitudes can be multiplied by."""
        return math.isfinite(self.descale) and self.descale != 0.0


def read_channel_sets(file: OpenFile, header: GeneralHeader) -> tuple[ChannelSet, ...]:
    """Channel sets of a record, scan type after scan type, in the order of their traces."""
    table = CHANNEL_SET_REV_3 if header.is_revision_3 else CHANNEL_SET_REV_2
    interpret = _revision_3 if header.is_revision_3 else _revision_2
    position = header.descriptor_position
    found: list[ChannelSet] = []
    for _ in range(header.scan_types):
        size = header.channel_sets * header.descriptor_size
        rows = np.frombuffer(file.read(position, size, "the channel sets"), table)
        for row in rows:
            try:
                found.append(interpret(row, header))
            except RecordError as error:
                raise RecordError(
                    error.what,
                    where=f"{file.path}, channel set {len(found) + 1} of the record at byte "
                    f"{header.position}",
                    remedy=error.remedy,
                ) from error
        position += size + BLOCK * header.skew_blocks
    return tuple(found)


def descale_exponent(field: NDArray[np.uint8]) -> float:
    """Exponent MP of revision 2: sign and 15 bits in steps of 1/1024, low byte first."""
    low, high = int(field[0]), int(field[1])
    magnitude = (((high & 0x7F) << 8) | low) / 1024
    return -magnitude if high & 0x80 else magnitude


def _revision_2(row: Any, header: GeneralHeader) -> ChannelSet:
    number = int(row["number"])
    channel_type = int(row["channel_type"]) >> 4
    subscan = int(row["subscan_and_gain"]) >> 4
    interval_ns, rest = divmod(header.base_interval_ns, 1 << subscan)
    channels = decimal(hex_digits(row["channels"]), "channel count")
    _check_interval(interval_ns, rest, channels)
    return ChannelSet(
        scan_type=decimal(hex_digits(row["scan_type"]), "scan type"),
        number=int(row["extended_number"])
        if number == 0xFF
        else decimal(hex_digits(number), "channel set number"),
        channel_type=channel_type,
        kind=_kind(channel_type, seismic=1),
        start_us=int(row["start_2ms"]) * 2000,
        end_us=int(row["end_2ms"]) * 2000,
        samples=None,
        channels=channels,
        interval_ns=interval_ns,
        descale=2.0 ** descale_exponent(row["descale_exponent"]),
        unit="mV",
        extensions=int(row["flag_and_extensions"]) & 15,
        vertical_stack=int(row["vertical_stack"]),
        streamer=int(row["streamer"]),
    )


def _revision_3(row: Any, header: GeneralHeader) -> ChannelSet:
    channel_type = int(row["channel_type"])
    interval_ns = unsigned(row["interval_us"]) * 1000
    channels = unsigned(row["channels"])
    _check_interval(interval_ns, 0, channels)
    unit = int(row["physical_unit"])
    return ChannelSet(
        scan_type=decimal(hex_digits(row["scan_type"]), "scan type"),
        number=int(row["number"]),
        channel_type=channel_type,
        kind=_kind(channel_type, seismic=0x10),
        start_us=int(row["start_us"]),
        end_us=int(row["end_us"]),
        samples=int(row["samples"]),
        channels=channels,
        interval_ns=interval_ns,
        descale=float(row["descale_multiplier"]),
        unit=UNITS.get(unit, f"unit {unit:02X}"),
        extensions=int(row["extensions"]),
        vertical_stack=int(row["vertical_stack"]),
        streamer=int(row["streamer"]),
        description=row["description"].tobytes().decode("ascii", "replace").rstrip(" \0"),
    )


def _kind(channel_type: int, *, seismic: int) -> SetKind:
    if channel_type == seismic:
        return "seismic"
    return "unused" if channel_type == 0 else "auxiliary"


def _check_interval(interval_ns: int, rest: int, channels: int) -> None:
    if channels and (interval_ns == 0 or rest):
        raise RecordError(
            f"the sample interval comes to {interval_ns} ns",
            remedy="The base scan interval or the subscan exponent is damaged.",
        )
