"""Positions of a made line joined back to its shots: geometry, mismatches, clocks."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from navigation_text import p111_of

from deblend.errors import NavigationError
from deblend.model.midpoints import azimuth_deg, feathering_deg, midpoint_m
from deblend.model.shots import Shots
from deblend.model.timebase import parse_instant
from deblend.records.navigation.join import Joined, join_positions
from deblend.records.navigation.open import read_positions
from deblend.synth.acquisition import Acquisition, Streamer, TowedSource, true_shots
from deblend.synth.firing import Dither, Firing
from deblend.synth.p190_write import p190_text

CHANNELS = np.arange(1, 7)


def made_line(heading_deg: float = 0.0, feather_deg: float = 4.0):
    return true_shots(
        Acquisition(
            sources=(TowedSource(-30.0), TowedSource(0.0), TowedSource(30.0)),
            streamer=Streamer(6, 12.5, 150.0, 8.0, crossline_m=10.0, feather_deg=feather_deg),
            firing=Firing("sequential", 5.0, 8, Dither(0.2)),
            speed_m_s=2.3,
            start_ns=parse_instant("2024-06-01T12:00:03.5", "utc"),
            time_scale="utc",
            heading_deg=heading_deg,
            origin_x_m=456_000.0,
            origin_y_m=6_480_000.0,
            line_name="1001",
            first_shot_point=5060,
        ),
        seed=3,
    )


@pytest.fixture
def join(tmp_path: Path):
    def join(text: str, shots: Shots, **options) -> Joined:
        path = tmp_path / "line.nav"
        path.write_text(text)
        return join_positions(shots, read_positions(path), **options)

    return join


def without_positions(shots: Shots) -> Shots:
    unknown = np.full(len(shots), np.nan)
    return replace(shots, x_m=unknown, y_m=unknown, depth_m=unknown)


def metrics(joined: Joined, *verdicts: str) -> list[str]:
    return [f.metric for f in joined.findings if f.verdict in (verdicts or ("look", "fail"))]


@pytest.mark.parametrize("heading_deg", [0.0, 63.0, 200.0, 315.0])
def test_p111_gives_the_geometry_back(join, heading_deg: float) -> None:
    plan = made_line(heading_deg)
    bare = without_positions(plan.shots)
    joined = join(p111_of(plan.shots, plan.geometry), bare, channel_numbers=CHANNELS)
    assert metrics(joined) == []
    assert "source_names_matched" in metrics(joined, "note")
    assert np.array_equal(joined.shots.fire_time_ns, plan.shots.fire_time_ns)
    assert np.allclose(joined.shots.x_m, plan.shots.x_m, atol=1e-4)
    assert np.allclose(joined.geometry.offset_m, plan.geometry.offset_m, atol=1e-3)
    assert np.allclose(joined.geometry.receiver_depth_m, 8.0)
    # The streamer was bent by 4 degrees to starboard, whatever the heading.
    assert np.allclose(feathering_deg(joined.shots, joined.geometry), 4.0, atol=0.05)


def test_azimuth_and_midpoint_by_hand(join) -> None:
    plan = made_line(90.0, 0.0)  # heading east: the streamer lies to the west
    joined = join(p111_of(plan.shots, plan.geometry), plan.shots, channel_numbers=CHANNELS)
    middle_source = plan.shots.rows_of(2)
    # 150 m behind and 10 m to starboard (south) of the middle source.
    expected = 180.0 + np.degrees(np.arctan2(150.0, 10.0))
    azimuth = azimuth_deg(joined.shots, joined.geometry)
    assert np.allclose(azimuth[middle_source, 0], expected, atol=1e-3)
    x_m, y_m = midpoint_m(joined.shots, joined.geometry)
    assert np.allclose(x_m[middle_source, 0], plan.shots.x_m[middle_source] - 75.0, atol=1e-3)
    assert np.allclose(y_m[middle_source, 0], plan.shots.y_m[middle_source] - 5.0, atol=1e-3)
    assert (joined.geometry.offset_m < 0).all()


def test_p190_to_a_decimetre(join) -> None:
    plan = made_line(63.0)
    text = p190_text(plan.shots, plan.geometry)
    joined = join(text, without_positions(plan.shots), channel_numbers=CHANNELS)
    assert np.allclose(joined.geometry.offset_m, plan.geometry.offset_m, atol=0.2)
    assert np.array_equal(joined.shots.fire_time_ns, plan.shots.fire_time_ns)
    assert metrics(joined) == ["coordinate_system"]


@pytest.mark.parametrize("text_of", [p111_of, p190_text])
@pytest.mark.parametrize(("shift_s", "words"), [(18, "GPS minus UTC"), (-7200, "zone or day")])
def test_clock_of_the_file(join, text_of, shift_s: int, words: str) -> None:
    plan = made_line()
    shots = replace(plan.shots, fire_time_ns=plan.shots.fire_time_ns + shift_s * 10**9)
    joined = join(
        text_of(plan.shots),
        shots,
        source_names={"G1": "1", "G2": "2", "G3": "3"} if text_of is p111_of else None,
    )
    found = [f for f in joined.findings if f.metric == "position_clock_offset"]
    assert len(found) == 1
    assert words in found[0].message
    assert found[0].value == pytest.approx(shift_s, abs=0.51)
    assert found[0].verdict == "fail"


def test_clock_step_shows_against_p111(join) -> None:
    plan = made_line()
    time = plan.shots.fire_time_ns.copy()
    time[16:] += 500_000_000
    joined = join(p111_of(plan.shots), replace(plan.shots, fire_time_ns=time))
    (found,) = [f for f in joined.findings if f.verdict in ("look", "fail")]
    assert found.metric == "position_clock_astray"
    assert found.value == pytest.approx(0.5)


def test_swapped_sources(join) -> None:
    plan = made_line()
    source = plan.shots.source.copy()
    source[[9, 10]] = source[[10, 9]]
    joined = join(p111_of(plan.shots), replace(plan.shots, source=source))
    found = [f for f in joined.findings if f.metric == "source_differs"]
    assert [f.shot_point for f in found] == plan.shots.shot_point[[9, 10]].tolist()
    assert [f.source for f in found] == source[[9, 10]].tolist()
    assert "source_differs" in metrics(joined, "fail")


def test_shots_on_one_side_only(join) -> None:
    plan = made_line()
    text = p111_of(plan.shots.take(np.arange(2, len(plan.shots))))
    joined = join(text, plan.shots.take(np.arange(len(plan.shots) - 1)))
    assert metrics(joined) == ["shots_without_position", "positions_without_shot"]
    assert np.flatnonzero(joined.position_row < 0).tolist() == [0, 1]


def test_positions_that_contradict_the_table(join) -> None:
    plan = made_line()
    moved = replace(plan.shots, x_m=plan.shots.x_m + 25.0)
    (found,) = [f for f in join(p111_of(plan.shots), moved).findings if f.verdict == "look"]
    assert found.metric == "positions_differ"
    assert found.value == pytest.approx(25.0, abs=1e-3)


def test_several_streamers(join) -> None:
    plan = made_line()
    text = p111_of(plan.shots, plan.geometry)
    port = "".join(
        line.replace(",9,S1,", ",8,S2,") for line in text.splitlines(True) if line[:2] == "R1"
    )
    text = p111_of(plan.shots, plan.geometry) + port
    with pytest.raises(NavigationError, match=r"2 streamers \(S1, S2\)"):
        join(text, plan.shots, channel_numbers=np.arange(1, 13))
    with pytest.raises(NavigationError, match="'S2' has no first channel"):
        join(text, plan.shots, channel_numbers=np.arange(1, 13), first_channel={"S1": 1})
    joined = join(
        text, plan.shots, channel_numbers=np.arange(1, 13), first_channel={"S2": 1, "S1": 7}
    )
    assert np.allclose(joined.geometry.offset_m[:, 6:], plan.geometry.offset_m, atol=1e-3)
    with pytest.raises(NavigationError, match="receivers have channels 51 to 66"):
        join(text, plan.shots, channel_numbers=CHANNELS, first_channel={"S2": 51, "S1": 61})


def test_a_wrong_first_channel_is_refused(join) -> None:
    plan = made_line()
    text = p111_of(plan.shots, plan.geometry)
    with pytest.raises(NavigationError, match="channels of the file are 3 higher than those of"):
        join(text, plan.shots, channel_numbers=CHANNELS, first_channel={"S1": 4})
    with pytest.raises(NavigationError, match="3 channels of the record have no receiver, channel"):
        join(text, plan.shots, channel_numbers=CHANNELS + 10, first_channel={"S1": 8})


def test_feathering_of_each_streamer_by_itself(join) -> None:
    one, two = made_line(0.0, 2.0), made_line(0.0, 6.0)
    half = p111_of(two.shots, two.geometry).replace(",S1,2,", ",S2,2,")
    rows = [row for row in half.splitlines(keepends=True) if row.startswith("R1")]
    joined = join(
        p111_of(one.shots, one.geometry) + "".join(rows),
        one.shots,
        channel_numbers=np.arange(1, 13),
        first_channel={"S1": 1, "S2": 7},
    )
    (told,) = [f for f in joined.findings if f.metric == "feathering"]
    assert "Streamer S1 lies 2.0 to 2.0, Streamer S2 lies 6.0 to 6.0 degrees" in told.message


def test_mixed_lines(join) -> None:
    plan = made_line()
    two = replace(plan.shots, line=np.where(np.arange(len(plan.shots)) < 6, "1001", "1002"))
    unnamed = replace(plan.shots, line=np.full(len(plan.shots), ""))
    with pytest.raises(NavigationError, match=r"holds 2 lines \(1001, 1002\)"):
        join(p111_of(two), unnamed)
    joined = join(p111_of(two), plan.shots.take(np.arange(6)))
    assert metrics(joined) == []
    other = replace(plan.shots, line=np.full(len(plan.shots), "2001"))
    with pytest.raises(NavigationError, match=r"lines of the file \(1001\) are .* table \(2001\)"):
        join(p111_of(plan.shots), other)


def test_sources_that_cannot_be_matched(join) -> None:
    plan = made_line()
    together = replace(plan.shots, shot_point=(plan.shots.shot_point - 5060) // 3)
    with pytest.raises(NavigationError, match="cannot be matched with sources 1, 2, 3"):
        join(p111_of(together), together)
    names = {"G1": "1", "G2": "2", "G3": "3"}
    assert metrics(join(p111_of(together), together, source_names=names)) == []
    with pytest.raises(NavigationError, match="source 'G3' of the file is not among"):
        join(p111_of(together), together, source_names={"G1": "1", "G2": "2"})


def test_another_part_of_the_line(join) -> None:
    plan = made_line()
    far = replace(plan.shots, shot_point=plan.shots.shot_point + 5000)
    with pytest.raises(NavigationError, match="no shot of the table is in the file"):
        join(p111_of(plan.shots, name="{}".format), far)


def test_rows_that_occur_twice(join) -> None:
    plan = made_line()
    text = p111_of(plan.shots, name="{}".format)
    rows = [line for line in text.splitlines(True) if line.startswith("S1")]
    with pytest.raises(
        NavigationError, match=r"line '[^']+', source '[^']+', shot point 5060 occurs"
    ):
        join(text + rows[0], plan.shots)
