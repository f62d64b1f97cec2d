"""Impossible positions are refused, unusual ones are found, and good ones left alone.

Files are written from the byte tables of the standards; latitude and longitude by pyproj.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from navigation_text import p111_of
from test_join_positions import CHANNELS, made_line, metrics, without_positions

from deblend.errors import NavigationError
from deblend.model.geometry import Geometry
from deblend.model.shots import Shots
from deblend.records.navigation.coordinates import transform_positions
from deblend.records.navigation.join import Joined, join_positions
from deblend.records.navigation.open import read_positions
from deblend.records.navigation.plausibility import held_against_plan


def joined(folder: Path, text: str, shots: Shots) -> Joined:
    path = folder / "line.nav"
    path.write_text(text)
    return join_positions(shots, read_positions(path), channel_numbers=CHANNELS)


def receivers_at(geometry: Geometry, change: Callable[[np.ndarray, np.ndarray], None]) -> Geometry:
    x_m, y_m = geometry.receiver_x_m.copy(), geometry.receiver_y_m.copy()
    change(x_m, y_m)
    return replace(geometry, receiver_x_m=x_m, receiver_y_m=y_m)


def exchange(x_m: np.ndarray, y_m: np.ndarray) -> None:
    x_m[:], y_m[:] = y_m.copy(), x_m.copy()


def at_zero(x_m: np.ndarray, y_m: np.ndarray) -> None:
    x_m[3], y_m[3] = 0.0, 0.0


@pytest.mark.parametrize(
    ("change", "message"),
    [(exchange, r"Offsets reach 8,5\d\d,\d\d\d m"), (at_zero, r"6 receiver positions at 0, 0")],
)
def test_impossible_receivers(tmp_path: Path, change, message: str) -> None:
    plan = made_line(63.0)
    text = p111_of(plan.shots, receivers_at(plan.geometry, change))
    with pytest.raises(NavigationError, match=message):
        joined(tmp_path, text, without_positions(plan.shots))


@pytest.mark.parametrize("size_m", [500.0, -500.0])
def test_a_jump_of_one_shot(tmp_path: Path, size_m: float) -> None:
    plan = made_line(63.0)
    x_m = plan.shots.x_m.copy()
    x_m[10] += size_m
    text = p111_of(replace(plan.shots, x_m=x_m))
    point = plan.shots.shot_point[10]
    with pytest.raises(NavigationError, match=rf"shot point {point} lies \d+\.\d m off its course"):
        joined(tmp_path, text, without_positions(plan.shots))


def test_a_smaller_jump_is_looked_at(tmp_path: Path) -> None:
    plan = made_line(63.0)
    y_m = plan.shots.y_m.copy()
    y_m[10] += 25.0
    found = joined(tmp_path, p111_of(replace(plan.shots, y_m=y_m)), without_positions(plan.shots))
    (jump,) = [f for f in found.findings if f.metric == "position_jump"]
    assert jump.shot_point == plan.shots.shot_point[10]
    assert jump.value == pytest.approx(25.0, abs=2.0)


def with_degrees(text: str, system: str = "EPSG:32631") -> str:
    """Latitude and longitude in fields 16 and 17 of each S1 record."""
    pyproj = pytest.importorskip("pyproj", reason="pyproj is not installed")
    to_degrees = pyproj.Transformer.from_crs(system, "EPSG:4326", always_xy=True)
    lines = []
    for line in text.splitlines():
        fields = line.split(",")
        if fields[0] == "S1":
            longitude, latitude = to_degrees.transform(float(fields[12]), float(fields[13]))
            fields[15:17] = f"{latitude:.9f}", f"{longitude:.9f}"
        lines.append(",".join(fields))
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("heading_deg", [0.0, 63.0, 200.0])
def test_geographic_and_grid_coordinates_agree(tmp_path: Path, heading_deg: float) -> None:
    plan = made_line(heading_deg)
    text = with_degrees(p111_of(plan.shots, plan.geometry))
    assert metrics(joined(tmp_path, text, without_positions(plan.shots))) == []


def test_all_grid_coordinates_exchanged(tmp_path: Path) -> None:
    plan = made_line(63.0)
    lines = []
    for line in with_degrees(p111_of(plan.shots, plan.geometry)).splitlines():
        fields = line.split(",")
        if fields[0] in ("S1", "R1"):
            fields[12], fields[13] = fields[13], fields[12]
        lines.append(",".join(fields))
    with pytest.raises(NavigationError, match="East and north of the grid are exchanged"):
        joined(tmp_path, "\n".join(lines) + "\n", without_positions(plan.shots))


def test_one_shot_whose_degrees_contradict_the_grid(tmp_path: Path) -> None:
    plan = made_line(63.0)
    lines = with_degrees(p111_of(plan.shots)).splitlines()
    rows = [number for number, line in enumerate(lines) if line.startswith("S1")]
    fields = lines[rows[12]].split(",")
    fields[15] = f"{float(fields[15]) + 20 / 111_000:.9f}"
    lines[rows[12]] = ",".join(fields)
    found = joined(tmp_path, "\n".join(lines) + "\n", without_positions(plan.shots))
    (off,) = [f for f in found.findings if f.verdict != "note"]
    assert off.metric == "geographic_against_grid"
    assert f"shot point {plan.shots.shot_point[12]} lie" in off.message


def test_receiver_spacing_and_depth(tmp_path: Path) -> None:
    plan = made_line(0.0)

    def shift(x_m: np.ndarray, y_m: np.ndarray) -> None:
        y_m[5, 3] -= 60.0

    text = p111_of(
        replace(plan.shots, depth_m=-plan.shots.depth_m), receivers_at(plan.geometry, shift)
    )
    found = joined(tmp_path, text, without_positions(plan.shots))
    assert {"receiver_spacing", "depth_range"} <= set(metrics(found, "look"))


def test_a_streamer_that_turns_from_shot_to_shot(tmp_path: Path) -> None:
    plan = made_line(0.0)

    def turn(x_m: np.ndarray, y_m: np.ndarray) -> None:
        x_m[5] += 0.3 * (y_m[5, 0] - y_m[5])

    text = p111_of(plan.shots, receivers_at(plan.geometry, turn))
    found = joined(tmp_path, text, without_positions(plan.shots))
    assert "feathering_change" in metrics(found, "look")


def test_against_the_geometry_of_the_line_file() -> None:
    plan = made_line(0.0)
    offset = plan.geometry.offset_m
    assert held_against_plan(plan.geometry, plan.geometry, CHANNELS, "line.nav") == []
    farther = replace(plan.geometry, offset_m=offset * 1.3)
    (found,) = held_against_plan(farther, plan.geometry, CHANNELS, "line.nav")
    assert (found.metric, found.verdict) == ("offsets_planned", "look")
    for wrong in (offset[:, ::-1] * 1.3, offset - 1000.0):
        with pytest.raises(NavigationError, match=r"by line.nav and .* by table \[geometry\]"):
            held_against_plan(
                replace(plan.geometry, offset_m=wrong), plan.geometry, CHANNELS, "line.nav"
            )


def test_a_declared_system_is_not_overridden(tmp_path: Path) -> None:
    pytest.importorskip("pyproj", reason="pyproj is not installed")
    plan = made_line(0.0)
    path = tmp_path / "line.nav"
    path.write_text(p111_of(plan.shots))
    read = read_positions(path)
    with pytest.raises(
        NavigationError, match=r"declares EPSG:32631 .* from_system is 'EPSG:32731'"
    ):
        transform_positions(read, from_system="EPSG:32731", to_system="EPSG:32632")
    moved = transform_positions(read, from_system="", to_system="EPSG:32632")
    (told,) = [f for f in moved.findings if f.metric == "positions_transformed"]
    assert "from EPSG:32631 to EPSG:32632: coordinates changed by 3" in told.message


@pytest.mark.parametrize(
    ("system", "fits"), [("EPSG:32631", True), ("EPSG:32731", False), ("EPSG:32632", False)]
)
def test_a_declared_zone_is_not_overridden(tmp_path: Path, system: str, fits: bool) -> None:
    pytest.importorskip("pyproj", reason="pyproj is not installed")
    plan = made_line(0.0)
    path = tmp_path / "line.nav"
    path.write_text(p111_of(plan.shots))
    words = "PROJECTION UTM NORTHERN HEMISPHERE; ZONE 31"
    read = replace(read_positions(path), coordinate_system=words)
    if fits:
        assert transform_positions(read, from_system=system, to_system=system) is not None
        return
    with pytest.raises(NavigationError, match="the file declares PROJECTION UTM NORTHERN"):
        transform_positions(read, from_system=system, to_system="EPSG:32631")
