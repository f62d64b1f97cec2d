"""The first words of a page: the verdict, its reasons, and the gather it opens on."""

from __future__ import annotations

import dataclasses
from urllib.parse import parse_qs

import numpy as np

from deblend.model.findings import Finding
from deblend.report.answer import answer_of, first_place, place_link, place_text
from deblend.report.contents import Contents
from deblend.report.figures import report_figures
from deblend.report.tables import by_metric

LATE = Finding("shot_delay", 9.0, "ms", "fail", "Late.", source=2, shot_point=1005, limit=6.0)
LATER = dataclasses.replace(LATE, value=-30.0, shot_point=1009)
DEAD = Finding("dead_channel", np.nan, "", "look", "Dead.", channel=3)
RESIDUAL = Finding("reblend_residual", -1.0, "dB", "look", "", limit=-3.0)
NOTE = Finding("run_in", 4.0, "shots", "note", "")


def test_the_worst_of_each_metric_stands_for_the_rest() -> None:
    answer = answer_of([NOTE, DEAD, LATE, LATER, RESIDUAL])
    assert answer.verdict == "fail"
    assert [(one.finding, one.count) for one in answer.reasons] == [(LATER, 2), (DEAD, 1)]
    assert answer.sentence == "Of 4 judged figures, 2 fail and 2 want a look."
    assert answer_of([NOTE]).sentence == "Nothing was judged."
    passed = dataclasses.replace(LATE, verdict="pass")
    assert answer_of([passed]).sentence == "The judged figure is within its limit."


def test_many_metrics_are_counted_and_not_named() -> None:
    rows = [dataclasses.replace(DEAD, metric=f"metric_{k}") for k in range(8)]
    answer = answer_of(rows)
    assert (len(answer.reasons), answer.more) == (5, 3)


def test_a_place_is_said_and_linked() -> None:
    row = dataclasses.replace(LATE, channel=8, window_s=(0.5, 1.0), other_source="A & B")
    assert place_text(row) == "source 2, from source A & B, shot point 1005, channel 8, 0.5–1 s"
    assert parse_qs(place_link(row)) == {
        "source": ["2"],
        "channel": ["8"],
        "near": ["1005"],
        "window_s": ["0.5:1"],
    }
    instant = dataclasses.replace(LATE, window_s=(0.5, 0.5))
    assert place_link(instant) == "source=2&shot_point=1005"
    assert place_text(NOTE) == place_link(NOTE) == ""


def test_the_page_opens_on_the_worst_live_place(contents: Contents) -> None:
    first = contents.sections[0]
    points = contents.acquisition.shot_point[contents.acquisition.source == 2]
    own = dataclasses.replace(first, source=2, members=points)
    dead = dataclasses.replace(own, number=3, live=np.zeros(24, bool))
    sections = [first, dead, own]
    late = dataclasses.replace(LATE, shot_point=int(points[4]))
    assert parse_qs(first_place([DEAD, late], sections)) == {
        "source": ["2"],
        "channel": ["17"],
        "near": [str(points[4])],
    }
    errors = [
        Finding("expected_error", value, "dB", "pass", "", source=source)
        for source, value in ((1, -40.0), (2, -20.0), (3, np.nan))
    ]
    assert first_place(errors, sections).startswith("source=2&")
    assert first_place([DEAD], sections).startswith("source=")
    assert first_place([DEAD], []) == ""
    on_paper = [
        one.name
        for one in report_figures(
            dataclasses.replace(contents, sections=tuple(sections), findings=(DEAD, late))
        )
        if one.place == "look"
    ]
    assert on_paper == ["source-1-channel-17", "source-2-channel-17"]  # the live ones


def test_groups_come_worst_first_with_notes_folded() -> None:
    near = dataclasses.replace(LATE, verdict="look", value=4.0, limit=3.0)
    groups = by_metric([NOTE, DEAD, near, LATE, LATER, dataclasses.replace(NOTE, metric="b")], 2)
    assert [(one.metric, one.shown) for one in groups] == [
        ("shot_delay", 2),
        ("dead_channel", 1),
        ("run_in", 0),
        ("b", 0),
    ]
    assert groups[0].rows == (LATER, LATE, near)
    assert groups[0].counts == "2 fail, 1 look"
