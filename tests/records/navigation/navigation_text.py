"""Made navigation files: the example lines of a fact sheet, and files of a made line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from deblend.model.geometry import Geometry
from deblend.model.shots import Shots
from deblend.model.time_scales import convert_instants

GPS_ZERO_NS = 315_964_800 * 10**9

HERE = Path(__file__).parent
P111 = (HERE / "example.p111").read_text()
P190 = (HERE / "example.p190").read_text()
SPS = (HERE / "example.sps").read_text()
P111_HEADER = P111[: P111.index("S1,")]


def gps_seconds(instant_ns: int, scale: str) -> str:
    gps = int(convert_instants(np.array([instant_ns]), scale, "gps")[0]) - GPS_ZERO_NS
    return f"{gps // 10**9}.{gps % 10**9:09d}"


def p111_of(
    shots: Shots, geometry: Geometry | None = None, name: Callable[[int], str] = "G{}".format
) -> str:
    """P1/11 of a table: source short names by `name`, one streamer."""
    lines = [P111_HEADER]
    for row in range(len(shots)):
        begin = (
            f"0,{shots.line[row]},1,{shots.shot_point[row]},1,1,"
            f"{gps_seconds(shots.fire_time_ns[row], shots.time_scale)}"
        )
        place = f"{shots.x_m[row]:.4f},{shots.y_m[row]:.4f},{shots.depth_m[row]:.2f}"
        lines.append(f"S1,{begin},1,{name(shots.source[row])},1,,{place},,,,,,,,,,,,0.0\n")
        if geometry is None:
            continue
        for channel, depth in enumerate(geometry.receiver_depth_m):
            x_m, y_m = geometry.receiver_x_m[row, channel], geometry.receiver_y_m[row, channel]
            lines.append(
                f"R1,{begin},9,S1,2,{channel + 1},{x_m:.4f},{y_m:.4f},{depth:.2f},,,,,,,,,,,\n"
            )
    return "".join(lines)
