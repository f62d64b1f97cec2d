"""Faults planted in P1/11 files of made lines, and whether each is found by navigation alone.

    python -m benchmarks.input_check.navigation_faults --seeds 50

The files are written here, field by field as IOGP report 483-1 has them. A fault counts as found
where the file is refused or a finding of its kind asks for a look; without one, anything that asks
for a look is false.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchmarks.result import Number, keep
from deblend.errors import NavigationError
from deblend.model.time_scales import convert_instants
from deblend.model.timebase import parse_instant
from deblend.records.navigation.join import join_positions
from deblend.records.navigation.open import read_positions
from deblend.synth.acquisition import Acquisition, Streamer, TowedSource, TrueShots, true_shots
from deblend.synth.firing import Dither, Firing

NAME = "input_check.navigation_faults"
CHANNELS = np.arange(1, 25)
_GPS_ZERO_NS = 315_964_800 * 10**9
_HEADER = """OGP,OGP P1,1,1.1,1,2024:06:02,08:15:00,MADE.P111,MADE
HC,1,2,0,Time reference,1,2,18.0,GPS,1,1980:01:06,5
HC,1,3,0,Projected CRS,1,32631,WGS 84 / UTM zone 31N
H1,1,0,0,Source position,1,1,2,2,1,0,0
"""

Table = dict[str, NDArray[np.float64]]
"""Columns x_m, y_m, depth_m of the sources; receiver_x_m, receiver_y_m; first_channel."""
Change = Callable[[Table, np.random.Generator], None]


def _exchange(table: Table, random: np.random.Generator) -> None:
    for x_m, y_m in (("receiver_x_m", "receiver_y_m"),):
        table[x_m], table[y_m] = table[y_m], table[x_m]


def _at_zero(table: Table, random: np.random.Generator) -> None:
    row = random.integers(len(table["x_m"]))
    table["receiver_x_m"][row] = table["receiver_y_m"][row] = 0.0


def _jump(table: Table, random: np.random.Generator) -> None:
    table["x_m"][random.integers(4, len(table["x_m"]) - 4)] += random.choice([-500.0, 500.0])


def _small_jump(table: Table, random: np.random.Generator) -> None:
    table["y_m"][random.integers(4, len(table["y_m"]) - 4)] += random.choice([-25.0, 25.0])


def _heights(table: Table, random: np.random.Generator) -> None:
    table["depth_m"] *= -1.0


def _receiver_jump(table: Table, random: np.random.Generator) -> None:
    row, column = random.integers(len(table["x_m"])), random.integers(3, 20)
    table["receiver_x_m"][row, column] += 60.0


def _turned(table: Table, random: np.random.Generator) -> None:
    row = random.integers(3, len(table["x_m"]) - 3)
    east = table["receiver_x_m"][row] - table["receiver_x_m"][row, 0]
    north = table["receiver_y_m"][row] - table["receiver_y_m"][row, 0]
    table["receiver_x_m"][row] = table["receiver_x_m"][row, 0] + east + 0.25 * north
    table["receiver_y_m"][row] = table["receiver_y_m"][row, 0] + north - 0.25 * east


def _first_channel(table: Table, random: np.random.Generator) -> None:
    table["first_channel"] = np.array([float(random.integers(2, 6))])


FAULTS: dict[str, Change] = {
    "none": lambda table, random: None,
    "receivers east for north": _exchange,
    "receivers at 0, 0": _at_zero,
    "source jumps by 500 m": _jump,
    "source jumps by 25 m": _small_jump,
    "heights for depths": _heights,
    "receiver jumps by 60 m": _receiver_jump,
    "streamer turns by 14 degrees": _turned,
    "first channel wrong": _first_channel,
}


def made_line(seed: int) -> TrueShots:
    """A line of three sources in turn, heading anywhere."""
    random = np.random.default_rng((seed, 0xA4))
    return true_shots(
        Acquisition(
            sources=(TowedSource(-30.0), TowedSource(0.0), TowedSource(30.0)),
            streamer=Streamer(24, 12.5, 150.0, 8.0, feather_deg=float(random.uniform(-8, 8))),
            firing=Firing("sequential", 5.4, 20, Dither(0.2)),
            speed_m_s=2.3,
            start_ns=parse_instant("2024-06-01T12:00:03.5", "utc"),
            time_scale="utc",
            heading_deg=float(random.uniform(0.0, 360.0)),
            origin_x_m=456_000.0,
            origin_y_m=6_480_000.0,
            line_name="1001",
            first_shot_point=5060,
        ),
        seed=seed,
    )


def p111_text(plan: TrueShots, table: Table) -> str:
    """The line with the positions of a table, as P1/11."""
    shots = plan.shots
    gps = convert_instants(shots.fire_time_ns, "utc", "gps") - _GPS_ZERO_NS
    lines = [_HEADER]
    for row in range(len(shots)):
        time = f"{gps[row] // 10**9}.{gps[row] % 10**9:09d}"
        begin = f"0,1001,1,{shots.shot_point[row]},1,1,{time}"
        place = f"{table['x_m'][row]:.2f},{table['y_m'][row]:.2f},{table['depth_m'][row]:.2f}"
        lines.append(f"S1,{begin},1,{shots.source[row]},1,,{place},,,,,,,,,,,\n")
        for column in range(len(CHANNELS)):
            east, north = table["receiver_x_m"][row, column], table["receiver_y_m"][row, column]
            place = f"{east:.2f},{north:.2f},8.00"
            lines.append(f"R1,{begin},9,S1,1,{column + 1},{place},,,,,,,,,,,\n")
    return "".join(lines)


def found(fault: str, seed: int, folder: Path) -> list[str]:
    """What asks for a look, or that the file is refused."""
    plan = made_line(seed)
    table = {
        "x_m": plan.shots.x_m.copy(),
        "y_m": plan.shots.y_m.copy(),
        "depth_m": plan.shots.depth_m.copy(),
        "receiver_x_m": plan.geometry.receiver_x_m.copy(),
        "receiver_y_m": plan.geometry.receiver_y_m.copy(),
    }
    FAULTS[fault](table, np.random.default_rng((seed, 0xFA)))
    path = folder / "line.p111"
    path.write_text(p111_text(plan, table))
    unknown = np.full(len(plan.shots), np.nan)
    bare = replace(plan.shots, x_m=unknown, y_m=unknown, depth_m=unknown)
    first = {"S1": int(table["first_channel"][0])} if "first_channel" in table else None
    try:
        joined = join_positions(
            bare, read_positions(path), channel_numbers=CHANNELS, first_channel=first
        )
    except NavigationError:
        return ["refused"]
    return sorted({f.metric for f in joined.findings if f.verdict in ("look", "fail")})


def main() -> None:
    """Plant, look, count."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=50)
    seeds = range(parser.parse_args().seeds)
    numbers: dict[str, Number] = {"lines": len(seeds)}
    with tempfile.TemporaryDirectory() as folder:
        for fault in FAULTS:
            each = [found(fault, seed, Path(folder)) for seed in seeds]
            kinds = sorted({kind for kinds in each for kind in kinds})
            numbers[f"{fault}: lines with something found"] = sum(bool(kinds) for kinds in each)
            for kind in kinds:
                numbers[f"{fault}: {kind}"] = sum(kind in kinds for kinds in each)
    keep(NAME, numbers)


if __name__ == "__main__":
    main()
