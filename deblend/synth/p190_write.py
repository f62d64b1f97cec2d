"""Positions as a P1/90 file [1]_: the records that a towed line needs, with the clock of UTC.

References
----------
.. [1] UKOOA, 1990, P1/90 post plot data exchange tape, version 1990.
"""

from __future__ import annotations

from collections.abc import Iterator

from deblend.model.geometry import Geometry
from deblend.model.shots import Shots
from deblend.model.time_scales import convert_instants
from deblend.model.timebase import NS_PER_S

_RECEIVERS_A_RECORD = 3


def p190_text(shots: Shots, geometry: Geometry | None = None) -> str:
    """Text of a P1/90 file: each source position, and its receivers where a geometry is given.

    Coordinates are rounded to 0.1 m and the clock is cut to the second, as the format has it.
    """
    return "".join(_records(shots, geometry))


def _records(shots: Shots, geometry: Geometry | None) -> Iterator[str]:
    yield "H1000 CLOCK TIME                GMT +0.0\n"
    utc_s = convert_instants(shots.fire_time_ns, shots.time_scale, "utc") // NS_PER_S
    for row in range(len(shots)):
        second = int(utc_s[row] % 86_400)
        clock = f"{second // 3600:02d}{second // 60 % 60:02d}{second % 60:02d}"
        yield (
            f"S{shots.line[row]:<12}   1{shots.source[row]} {shots.shot_point[row]:6d}"
            f"{'':21}{shots.x_m[row]:9.1f}{shots.y_m[row]:9.1f}{'':6}153{clock} \n"
        )
        if geometry is not None:
            yield from _receiver_records(geometry, row)


def _receiver_records(geometry: Geometry, row: int) -> Iterator[str]:
    count = geometry.offset_m.shape[1]
    for first in range(0, count, _RECEIVERS_A_RECORD):
        groups = ""
        for channel in range(first, min(first + _RECEIVERS_A_RECORD, count)):
            x_m, y_m = geometry.receiver_x_m[row, channel], geometry.receiver_y_m[row, channel]
            depth_m = geometry.receiver_depth_m[channel]
            groups += f"{channel + 1:4d}{x_m:9.1f}{y_m:9.1f}{depth_m:4.1f}"
        yield f"R{groups:<78}1\n"
