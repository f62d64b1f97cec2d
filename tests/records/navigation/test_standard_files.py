"""Files of a line with two streamers, written field by field from the tables of the standards.

Each fault is refused, or found, in P1/11, P1/90 and SPS alike, with degrees beside the grid where
the format has them.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from benchmarks.input_check.navigation_files import Towed, degrees, p111_text, p190_text, sps_text
from deblend.errors import NavigationError
from deblend.model.geometry import Geometry
from deblend.model.timebase import parse_instant
from deblend.records.navigation.grid import utm_coordinates
from deblend.records.navigation.join import Joined, join_positions
from deblend.records.navigation.open import read_positions
from deblend.records.navigation.plausibility import plausible_positions
from deblend.synth.acquisition import Acquisition, Streamer, TowedSource, true_shots
from deblend.synth.firing import Dither, Firing

FORMATS = ("p111", "p190", "sps")
CHANNELS = np.arange(1, 13)


@cache
def towed() -> Towed:
    """Two sources, two streamers of six channels at 2 and 6 degrees."""
    plans = [
        true_shots(
            Acquisition(
                sources=(TowedSource(-25.0), TowedSource(25.0)),
                streamer=Streamer(6, 12.5, 150.0, 8.0, crossline_m=side, feather_deg=feather),
                firing=Firing("sequential", 5.0, 6, Dither(0.2)),
                speed_m_s=2.3,
                start_ns=parse_instant("2024-06-01T12:00:03.5", "utc"),
                time_scale="utc",
                heading_deg=63.0,
                origin_x_m=456_000.0,
                origin_y_m=6_480_000.0,
                line_name="1001",
                first_shot_point=5060,
            ),
            seed=3,
        )
        for side, feather in ((-50.0, 2.0), (50.0, 6.0))
    ]
    names = ("offset_m", "receiver_x_m", "receiver_y_m", "receiver_depth_m")
    arrays = (
        np.concatenate([getattr(plan.geometry, name) for plan in plans], axis=-1) for name in names
    )
    return Towed(plans[0].shots, Geometry(*arrays), np.repeat([1, 2], 6))


def first_channels(form: str, one: int, two: int) -> dict[str, int] | None:
    names = {"p111": ("S1", "S2"), "p190": ("1", "2")}
    return None if form == "sps" else dict(zip(names[form], (one, two), strict=True))


def text_of(form: str, line: Towed) -> str:
    return {"p111": p111_text, "p190": p190_text, "sps": sps_text}[form](line)


def joined(folder: Path, form: str, line: Towed, **options) -> Joined:
    path = folder / f"line.{form}"
    path.write_text(text_of(form, line))
    unknown = np.full(len(line.shots), np.nan)
    bare = replace(line.shots, x_m=unknown, y_m=unknown, depth_m=unknown)
    options = {"first_channel": first_channels(form, 1, 7)} | options
    return join_positions(bare, read_positions(path), channel_numbers=CHANNELS, **options)


def receivers(change: Callable[[np.ndarray, np.ndarray], None]) -> Towed:
    line = towed()
    x_m, y_m = line.geometry.receiver_x_m.copy(), line.geometry.receiver_y_m.copy()
    change(x_m, y_m)
    return replace(line, geometry=replace(line.geometry, receiver_x_m=x_m, receiver_y_m=y_m))


@pytest.mark.parametrize("form", FORMATS)
def test_positions_and_feathering_come_back(tmp_path: Path, form: str) -> None:
    line = replace(towed(), to_degrees=degrees)
    result = joined(tmp_path, form, line)
    assert [f.metric for f in result.findings if f.verdict in ("look", "fail")] == []
    accuracy = 0.006 if form == "p111" else 0.06
    assert np.allclose(result.shots.x_m, line.shots.x_m, atol=accuracy)
    assert np.allclose(result.geometry.receiver_y_m, line.geometry.receiver_y_m, atol=accuracy)
    (told,) = [f.message for f in result.findings if f.metric == "feathering"]
    angles = [float(text) for text in re.findall(r"\d\.\d", told)]
    assert angles == pytest.approx([2.0, 2.0, 6.0, 6.0], abs=0.11)


@pytest.mark.parametrize("form", FORMATS[:2])
@pytest.mark.parametrize(
    ("one", "two", "message"),
    [
        (4, 10, "channels of the file are 3 higher than those of the record"),
        (4, 7, "receiver 4 of streamer S?1 and receiver 1 of streamer S?2 are both on channel 7"),
        (1, 1, "6 channels in all have two receivers"),
    ],
)
def test_wrong_first_channels(tmp_path: Path, form: str, one: int, two: int, message: str) -> None:
    with pytest.raises(NavigationError, match=message):
        joined(tmp_path, form, towed(), first_channel=first_channels(form, one, two))


def test_first_channel_of_a_streamer_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(NavigationError, match="for streamer 'S3', and the file has S1, S2"):
        joined(tmp_path, "p111", towed(), first_channel={"S1": 1, "S2": 7, "S3": 13})


def test_channels_of_sps(tmp_path: Path) -> None:
    path = tmp_path / "line.sps"
    path.write_text(sps_text(towed(), first_channel=4))
    with pytest.raises(NavigationError, match="channels of the file are 3 higher than those of"):
        join_positions(towed().shots, read_positions(path), channel_numbers=CHANNELS)
    with pytest.raises(NavigationError, match="states channel 7 as the first of streamer '2', and"):
        joined(tmp_path, "sps", towed(), first_channel={"1": 1, "2": 10})


def test_channels_without_receivers_are_named(tmp_path: Path) -> None:
    path = tmp_path / "line.sps"
    path.write_text(sps_text(towed(), first_channel=4))
    result = join_positions(towed().shots, read_positions(path), channel_numbers=np.arange(1, 19))
    (missing,) = [f for f in result.findings if f.metric == "receivers_missing"]
    assert "(channels 1-3, 16-18 at no shot)" in missing.message


def _jump(x_m: np.ndarray, y_m: np.ndarray) -> None:
    x_m[5] += 500.0


def _step(x_m: np.ndarray, y_m: np.ndarray) -> None:
    y_m[6:] -= 500.0


def _one_receiver(x_m: np.ndarray, y_m: np.ndarray) -> None:
    x_m[5, 3] += 500.0


def _zero(x_m: np.ndarray, y_m: np.ndarray) -> None:
    x_m[5, 3] = y_m[5, 3] = 0.0


def _exchanged(x_m: np.ndarray, y_m: np.ndarray) -> None:
    x_m[:], y_m[:] = y_m.copy(), x_m.copy()


@pytest.mark.parametrize("form", FORMATS)
@pytest.mark.parametrize(
    ("change", "message"),
    [
        (_jump, r"receivers at shot point 5065 lies (499|500)\.\d m off its course"),
        (_step, r"receivers stepped aside by (499|500)\.\d m before shot point 5066"),
        (_one_receiver, r"not the usual 12\.5\d? m but up to 5\d\d\.\d m, the first in row 6"),
        (_zero, "1 receiver position at 0, 0"),
        (_exchanged, r"Offsets reach 8,51\d,\d\d\d m"),
    ],
)
def test_impossible_receivers(tmp_path: Path, form: str, change, message: str) -> None:
    with pytest.raises(NavigationError, match=message):
        joined(tmp_path, form, receivers(change))


@pytest.mark.parametrize("form", FORMATS)
@pytest.mark.parametrize("with_degrees", [False, True])
def test_east_and_north_exchanged(tmp_path: Path, form: str, with_degrees: bool) -> None:
    line = receivers(_exchanged)
    line = replace(
        line,
        shots=replace(line.shots, x_m=line.shots.y_m, y_m=line.shots.x_m),
        to_degrees=(lambda east, north: degrees(north, east)) if with_degrees else None,
    )
    told = with_degrees and form != "sps"
    message = "By latitude and longitude .* km from" if told else "would fit if they are exchanged"
    with pytest.raises(NavigationError, match=message):
        joined(tmp_path, form, line)


@pytest.mark.parametrize(
    ("code", "system", "off"),
    [(32632, "WGS 84 / UTM zone 32N", "3.. km"), (32731, "WGS 84 / UTM zone 31S", "10,000 km")],
)
def test_another_system_than_declared(tmp_path: Path, code: int, system: str, off: str) -> None:
    line = replace(towed(), to_degrees=degrees, code=code, system=system)
    with pytest.raises(NavigationError, match=f"sources lie {off} from their grid coordinates"):
        joined(tmp_path, "p111", line)


@pytest.mark.parametrize("form", ["p111", "p190"])
def test_degrees_a_minute_off(tmp_path: Path, form: str) -> None:
    """A minute of latitude is 1.85 km: the international nautical mile, 1852 m, within 10 m."""

    def off(east: float, north: float) -> tuple[float, float]:
        longitude, latitude = degrees(east, north)
        return longitude, latitude + 1 / 60

    line = replace(towed(), to_degrees=off)
    with pytest.raises(NavigationError, match=r"sources lie 1\.8[567] km from their grid"):
        joined(tmp_path, form, line)


@pytest.mark.parametrize("form", FORMATS)
def test_sources_that_step_aside(tmp_path: Path, form: str) -> None:
    line = towed()
    x_m = line.shots.x_m.copy()
    x_m[6:] += 500.0
    line = replace(line, shots=replace(line.shots, x_m=x_m))
    message = r"Source 1 stepped aside by (499|500)\.\d m before shot point 5066"
    with pytest.raises(NavigationError, match=message):
        joined(tmp_path, form, line)
    # The same positions in the table of shots.
    with pytest.raises(NavigationError, match=message):
        plausible_positions(line.shots, line.geometry, "shots.csv")


@pytest.mark.parametrize(
    ("east_m", "words"), [(2000.0, "m and more abeam of"), (400.0, "m and more ahead of")]
)
def test_receivers_with_another_zero(tmp_path: Path, east_m: float, words: str) -> None:
    def moved(x_m: np.ndarray, y_m: np.ndarray) -> None:
        x_m += east_m
        y_m -= east_m if east_m > 1000.0 else 0.0

    found = joined(tmp_path, "p111", receivers(moved)).findings
    (apart,) = [f for f in found if f.verdict == "look"]
    assert apart.metric == "receivers_apart"
    assert words in apart.message


def test_table_and_file_in_different_systems(tmp_path: Path) -> None:
    path = tmp_path / "line.p190"
    path.write_text(p190_text(towed()))
    far = replace(towed().shots, y_m=towed().shots.y_m + 10_000_000.0)
    with pytest.raises(NavigationError, match="12 shots up to 10,000,000 m from where the shot"):
        join_positions(far, read_positions(path))


@pytest.mark.parametrize(
    ("code", "latitude", "longitude"),
    [(32631, 58.5, 6.5), (32723, -22.0, -42.0), (32601, 10.0, -179.5)],
)
def test_grid_coordinates_against_pyproj(code: int, latitude: float, longitude: float) -> None:
    pyproj = pytest.importorskip("pyproj", reason="pyproj is not installed")
    to_grid = pyproj.Transformer.from_crs("EPSG:4326", f"EPSG:{code}", always_xy=True)
    ours = utm_coordinates(latitude, longitude, code % 100, south=code >= 32700)
    assert ours == pytest.approx(to_grid.transform(longitude, latitude), abs=2.0)


@pytest.mark.parametrize("form", FORMATS)
def test_sources_exchanged_all_along_the_line(tmp_path: Path, form: str) -> None:
    line = towed()
    path = tmp_path / f"line.{form}"
    path.write_text(
        text_of(form, replace(line, shots=replace(line.shots, source=3 - line.shots.source)))
    )
    read = read_positions(path)
    if form == "p111":
        (told,) = [f for f in join_positions(line.shots, read).findings if f.verdict == "look"]
        assert told.metric == "source_names_matched"
        assert (
            "G1 is source 2, G2 is source 1. The numbers in the names say otherwise" in told.message
        )
        return
    with pytest.raises(
        NavigationError, match=r"exchanged .* says 2 where the table says 1 \(6 shots\)"
    ):
        join_positions(line.shots, read)


def test_sources_exchanged_from_some_shot_on(tmp_path: Path) -> None:
    line = towed()
    source = np.where(np.arange(12) < 2, line.shots.source, 3 - line.shots.source)
    path = tmp_path / "line.p190"
    path.write_text(p190_text(replace(line, shots=replace(line.shots, source=source))))
    found = join_positions(line.shots, read_positions(path)).findings
    (differs,) = [f for f in found if f.metric == "source_differs"]
    assert differs.verdict == "fail"
    assert "at 10 of 12 shots: line.p190 says 2 where the table says 1 (5 shots)" in differs.message
