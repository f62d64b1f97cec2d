"""Gathers for the report: which are chosen, and that blocks fill them as the whole would."""

from __future__ import annotations

import numpy as np

from deblend.model.geometry import towed_geometry, unknown_geometry
from deblend.model.shots import Shots, make_shots
from deblend.run.report_samples import MOST_TRACES, SectionCollector, choose_places


def table(count: int = 20) -> Shots:
    return make_shots(
        np.arange(count) % 2 + 1, 500 + np.arange(count), np.arange(count) * 10**9, "utc"
    )


def test_choice() -> None:
    shots = table()
    delivered = np.ones(20, bool)
    delivered[:4] = False
    geometry = towed_geometry(shots, 9, nearest_offset_m=100.0, group_interval_m=10.0)
    places = choose_places(shots, delivered, geometry, np.arange(11, 20))
    mine = [place for place in places if place.source == 1]
    assert [(place.kind, place.number) for place in mine[:3]] == [
        ("common channel", 11), ("common channel", 15), ("common channel", 19),
    ]  # fmt: skip
    assert [place.kind for place in mine[3:]] == ["shot", "shot"]
    assert all(delivered[place.shots].all() for place in places)
    assert mine[3].axis_label == "offset (m)"
    np.testing.assert_allclose(mine[3].axis, -100.0 - 10.0 * np.arange(9))


def test_long_lines_are_cut_and_unknown_offsets_are_not_drawn() -> None:
    shots = table(4000)
    places = choose_places(
        shots, np.ones(4000, bool), unknown_geometry(4000, 1000), np.arange(1, 1001)
    )
    assert max(len(place.axis) for place in places) <= MOST_TRACES
    assert {place.axis_label for place in places} == {"shot point", "channel"}


def test_sources_without_delivered_shots_are_left_out() -> None:
    shots = table()
    places = choose_places(shots, shots.source == 2, unknown_geometry(20, 3), np.arange(3))
    assert {place.source for place in places} == {2}


def test_one_shot_and_one_channel() -> None:
    shots = table(1)
    places = choose_places(shots, np.ones(1, bool), unknown_geometry(1, 1), np.array([7]))
    assert [(place.kind, place.number) for place in places] == [
        ("common channel", 7), ("shot", 500),
    ]  # fmt: skip


def test_blocks_fill_what_the_whole_holds() -> None:
    shots = table()
    random = np.random.default_rng(4)
    before, after, truth = random.standard_normal((3, 20, 9, 30)).astype(np.float32)
    dead = np.zeros(9, bool)
    dead[8] = True
    places = choose_places(shots, np.ones(20, bool), unknown_geometry(20, 9), np.arange(9))
    collector = SectionCollector(places, 30, with_truth=True)
    for block in (range(0, 2), range(2, 7), range(7, 9)):
        part = slice(block.start, block.stop)
        collector.add(block, before[:, part], after[:, part], truth[:, part])
    for place, section in zip(places, collector.sections(0.004, dead), strict=True):
        index = np.ix_(place.shots, place.channels)
        np.testing.assert_array_equal(section.before, before[index].reshape(-1, 30))
        np.testing.assert_array_equal(section.after, after[index].reshape(-1, 30))
        np.testing.assert_array_equal(section.truth, truth[index].reshape(-1, 30))
        if place.kind == "shot":
            np.testing.assert_array_equal(section.live, ~dead)
