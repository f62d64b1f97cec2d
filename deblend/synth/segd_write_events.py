"""Source events as general header blocks of revision 3."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np

from deblend.errors import InputError
from deblend.model.shots import Shots
from deblend.records.segd import layout
from deblend.records.segd.gps_time import gps_us_to_ns, ns_to_gps_us
from deblend.records.segd.layout import byte_array, point_bytes

_FIRED: Final = 0x01
_UNKNOWN_ERROR: Final = 0xFF
_MEASURED: Final = 0x02
_GOOD: Final = 0x01
_NOT_GIVEN: Final = 0xFFFF
_MOST_BLOCKS: Final = 0xFFFF - 2


def event_blocks(shots: Shots | None, start_us: int, stop_us: int, file_number: int) -> bytes:
    """Blocks of the shots that fire within ``[start_us, stop_us)``, in table order.

    A shot that is not live is written with the status of an unknown error.
    """
    if shots is None:
        return b""
    start_ns, stop_ns = gps_us_to_ns(start_us), gps_us_to_ns(stop_us)
    inside = (shots.fire_time_ns >= start_ns) & (shots.fire_time_ns < stop_ns)
    rows = np.flatnonzero(inside).tolist()
    parts = [part for row in rows for part in _blocks_of(shots, row, file_number)]
    if len(parts) > _MOST_BLOCKS:
        raise InputError(
            f"{len(parts)} header blocks of source events do not fit into one record",
            remedy="Write shorter records.",
        )
    return b"".join(parts)


def _blocks_of(shots: Shots, row: int, file_number: int) -> list[bytes]:
    time_us = ns_to_gps_us(int(shots.fire_time_ns[row]))
    blocks = [
        _gun(shots, row, file_number).tobytes(),
        _event(shots, row, time_us).tobytes(),
    ]
    x_m, y_m = float(shots.x_m[row]), float(shots.y_m[row])
    if math.isfinite(x_m) and math.isfinite(y_m):
        blocks += _position(x_m, y_m, time_us)
    return blocks


def _gun(shots: Shots, row: int, file_number: int) -> Any:
    block = np.zeros((), layout.AIRGUN)
    block["file_number"] = byte_array(file_number, 3)
    line, fraction = point_bytes(_line_number(str(shots.line[row])))
    block["source_line"], block["source_line_fraction"] = line, fraction
    point, fraction = point_bytes(float(shots.shot_point[row]))
    block["source_point"], block["source_point_fraction"] = point, fraction
    block["source_point_index"] = 1
    depth_m = float(shots.depth_m[row])
    if math.isfinite(depth_m):
        depth_cm = round(depth_m * 100)
        if not 0 <= depth_cm <= 0xFFFF:
            raise InputError(
                f"a source depth of {depth_m:g} m cannot be written",
                where=f"shot point {shots.shot_point[row]}",
                remedy="Depths are 0 to 655.35 m below the surface.",
            )
        block["depth_cm"] = depth_cm
    block["source_id"] = block["source_set"] = _source_id(shots, row)
    block["block_type"] = 0x17
    return block


def _event(shots: Shots, row: int, time_us: int) -> Any:
    block = np.zeros((), layout.SOURCE_EVENT)
    block["time_us"] = time_us
    block["status"] = _FIRED if shots.live[row] else _UNKNOWN_ERROR
    block["source_id"] = _source_id(shots, row)
    block["moving"] = 1
    block["error_text"] = ord(" ")
    block["block_type"] = 0x20
    return block


def _position(x_m: float, y_m: float, time_us: int) -> list[bytes]:
    time = np.zeros((), layout.POSITION_1)
    time["position_time_us"] = time["measurement_time_us"] = time_us
    for name in ("vertical_error", "horizontal_error_major", "horizontal_error_minor"):
        time[name] = math.inf
    time["bearing_major"] = _NOT_GIVEN
    time["position_type"] = _MEASURED
    time["block_type"] = 0x50
    place = np.zeros((), layout.POSITION_2)
    place["coordinate"] = (x_m, y_m, math.inf)
    place["valid"] = 1
    place["quality"] = _GOOD
    place["block_type"] = 0x51
    return [time.tobytes(), place.tobytes()]


def _source_id(shots: Shots, row: int) -> int:
    source = shots.source[row]
    if isinstance(source, np.integer) and 0 <= source <= 0xFF:
        return int(source)
    raise InputError(
        f"source {source!s} cannot be written as a source id",
        where=f"shot point {shots.shot_point[row]}",
        remedy="Number the sources from 1; SEG-D has one byte for them.",
    )


def _line_number(line: str) -> float:
    try:
        number = float(line)
    except ValueError:
        return 0.0
    return number if math.isfinite(number) else 0.0
