"""Gathers for the report: which are chosen, and that they are what the line holds."""

from __future__ import annotations

import numpy as np

from deblend.model.findings import Finding
from deblend.model.geometry import towed_geometry, unknown_geometry
from deblend.model.shots import Shots, make_shots
from deblend.results.report_samples import (
    MOST_SAMPLES,
    MOST_TRACES,
    Reader,
    choose_places,
    read_sections,
)


def table(count: int = 20) -> Shots:
    return make_shots(
        np.arange(count) % 2 + 1, 500 + np.arange(count), np.arange(count) * 10**9, "utc"
    )


def test_choice() -> None:
    shots = table()
    delivered = np.ones(20, bool)
    delivered[:4] = False
    geometry = towed_geometry(shots, 9, nearest_offset_m=100.0, group_interval_m=10.0)
    places = choose_places(shots, delivered, geometry, np.arange(11, 20), length=100).places
    mine = [place for place in places if place.source == 1]
    assert [(place.kind, place.number) for place in mine[:3]] == [
        ("common channel", 11), ("common channel", 15), ("common channel", 19),
    ]  # fmt: skip
    assert [place.kind for place in mine[3:]] == ["shot"] * 6
    assert all(delivered[place.shots].all() for place in places)
    assert mine[3].axis_label == "offset (m)"
    np.testing.assert_allclose(mine[3].axis, -100.0 - 10.0 * np.arange(9))


def test_long_lines_are_cut_and_unknown_offsets_are_not_drawn() -> None:
    shots = table(4000)
    places = choose_places(
        shots, np.ones(4000, bool), unknown_geometry(4000, 1000), np.arange(1, 1001), length=100
    ).places
    assert max(len(place.axis) for place in places) <= MOST_TRACES
    assert {place.axis_label for place in places} == {"shot point", "channel"}


def test_sources_without_delivered_shots_are_left_out() -> None:
    shots = table()
    places = choose_places(
        shots, shots.source == 2, unknown_geometry(20, 3), np.arange(3), length=9
    ).places
    assert {place.source for place in places} == {2}


def test_one_shot_and_one_channel() -> None:
    shots = table(1)
    places = choose_places(
        shots, np.ones(1, bool), unknown_geometry(1, 1), np.array([7]), length=9
    ).places
    assert [(place.kind, place.number) for place in places] == [
        ("common channel", 7), ("shot", 500),
    ]  # fmt: skip


def test_sections_hold_what_the_line_holds() -> None:
    shots = table()
    gathers = np.random.default_rng(4).standard_normal((3, 20, 9, 30)).astype(np.float32)
    dead = np.zeros(9, bool)
    dead[8] = True
    places = choose_places(
        shots, np.ones(20, bool), unknown_geometry(20, 9), np.arange(9), length=30
    ).places

    def reader(kind: int) -> Reader:
        return lambda rows, channels: gathers[kind][np.ix_(rows, channels)]

    sections = read_sections(places, reader(0), reader(1), reader(2), 0.004, dead)
    for place, section in zip(places, sections, strict=True):
        index = np.ix_(place.shots, place.channels)
        for kind, shown in enumerate((section.before, section.after, section.truth)):
            np.testing.assert_array_equal(shown, gathers[kind][index].reshape(-1, 30))
        if place.kind == "shot":
            np.testing.assert_array_equal(section.live, ~dead)


def test_gathers_that_findings_name_are_shown_and_all_stay_within_bounds() -> None:
    shots = table(400)
    findings = [
        Finding("a", 1.0, "", "note", "", source="1", channel=40),
        Finding("b", 1.0, "", "fail", "", source=1, channel=33, shot_point=500 + 2 * 71),
        Finding("c", 1.0, "", "pass", "", source=1, channel=7),
        Finding("d", 1.0, "", "fail", "", source=2, channel=8, shot_point=501),
    ]
    numbers = np.arange(1, 121)
    geometry = unknown_geometry(400, 120)

    def chosen(length: int) -> list[tuple[str, int]]:
        places = choose_places(
            shots, np.ones(400, bool), geometry, numbers, length=length, findings=findings
        ).places
        traces = sum(len(place.axis) for place in places)
        assert traces * length <= max(MOST_SAMPLES, 2 * 320 * length)
        return [(place.kind, place.number) for place in places if place.source == 1]

    mine = chosen(2000)
    assert {("common channel", 33), ("common channel", 40), ("shot", 642)} <= set(mine)
    assert ("common channel", 7) not in mine
    assert ("common channel", 8) not in mine
    assert mine == sorted(mine)
    assert len(chosen(1_000_000)) == 2


def test_all_that_asks_for_a_look_is_shown_where_there_is_room() -> None:
    shots = table(400)
    usual = choose_places(
        shots, np.ones(400, bool), unknown_geometry(400, 120), np.arange(1, 121), length=2000
    ).places
    points = [501 + 2 * k for k in range(0, 200, 8)]
    findings = [Finding("late", 1.0, "", "look", "", source=2, shot_point=p) for p in points]
    findings += [Finding("reversed", 1.0, "", "look", "", channel=k) for k in range(2, 60, 9)]
    findings += [
        Finding("n", 1.0, "", "note", "", source=2, shot_point=503 + 8 * k) for k in range(9)
    ]

    def chosen(length: int) -> tuple[set[tuple[int | str, str, int]], int]:
        choice = choose_places(
            shots,
            np.ones(400, bool),
            unknown_geometry(400, 120),
            np.arange(1, 121),
            length=length,
            findings=findings,
        )
        traces = sum(len(place.axis) for place in choice.places)
        assert traces * length <= MOST_SAMPLES
        shown = [(place.source, place.kind, place.number) for place in choice.places]
        assert len(set(shown)) == len(shown)
        return set(shown), choice.left_out

    standard = {(place.source, place.kind, place.number) for place in usual}
    shown, left_out = chosen(700)
    channels = {(source, "common channel", k) for source in (1, 2) for k in range(2, 60, 9)}
    assert shown >= standard | channels | {(2, "shot", point) for point in points}
    assert left_out == 0
    assert sum(kind == "shot" and point not in points for _, kind, point in shown) <= 14
    fewer, left_out = chosen(2000)
    assert fewer >= standard
    assert left_out == len(shown) - len(fewer) > 5
