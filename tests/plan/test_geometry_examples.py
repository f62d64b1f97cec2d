"""Worked examples of multi-source geometry, each with its source.

[D] D. Dondurur, Acquisition and Processing of Marine Seismic Data, Elsevier 2018, section 2.5.1.7
with figure 2.76 (bins of one and two sources) and equation 8.1 (fold). [L] a published three-source
layout of 12 streamers 112.5 m apart. [P] common practice, no source. [d] derived from the others.
"""

from __future__ import annotations

import numpy as np
import pytest
from plan_files import TARGET, alternative

from deblend.plan.alternative import KNOT_M_S, source_positions_m, streamer_positions_m
from deblend.plan.midpoint_lines import crossline_bin_m, midpoint_lines, sail_line_spacing_m
from deblend.plan.numbers import alternative_numbers
from deblend.plan.shot_timing import (
    clean_length_by_channel_s,
    clean_length_s,
    fastest_clean_speed_m_s,
    fold,
    shots_in_record,
    source_interval_m,
    time_between_shots_s,
)


@pytest.mark.parametrize(
    ("streamers", "separation_m", "count", "bin_m", "lines", "sail_m"),
    [
        (12, 100.0, 1, 50.0, 12, 600.0),  # [D]
        (10, 100.0, 2, 25.0, 20, 500.0),  # [D]
        (12, 112.5, 3, 18.75, 36, 675.0),  # [L]
        (8, 90.0, 4, 11.25, 32, 360.0),  # [d]
        (10, 80.0, 5, 8.0, 50, 400.0),  # [d]
        (14, 60.0, 3, 10.0, 42, 420.0),  # [d]
        (6, 160.0, 3, 80.0 / 3.0, 18, 480.0),  # [P] 160 m: 40 m with two, 26.67 m with three
    ],
)
def test_bins_and_lines(
    streamers: int, separation_m: float, count: int, bin_m: float, lines: int, sail_m: float
) -> None:
    made = alternative(streamers=streamers, separation_m=separation_m, count=count)
    found = midpoint_lines(source_positions_m(made), streamer_positions_m(made))
    assert crossline_bin_m(separation_m, count) == pytest.approx(bin_m)
    assert len(found.across_m) == lines
    assert found.spacing_m == pytest.approx(bin_m)
    assert found.interleave == "even"
    assert found.gaps_closed
    assert sail_line_spacing_m(streamers, separation_m) == pytest.approx(sail_m)
    # outer line to outer line plus one bin is the sail line spacing [d]
    assert np.ptp(found.across_m) + bin_m == pytest.approx(sail_m)


def test_two_sources_behind_ten_streamers_by_hand() -> None:
    # [D]: sources at -25 and 25, streamers from -450 to 450: midpoints from -237.5 to 237.5
    made = alternative(streamers=10, separation_m=100.0, count=2)
    found = midpoint_lines(source_positions_m(made), streamer_positions_m(made))
    np.testing.assert_allclose(found.across_m, np.arange(-237.5, 238.0, 25.0))


@pytest.mark.parametrize(
    ("sources_m", "separation_m", "unique", "spacing_m", "gaps_m", "verdict"),
    [
        ([-20, 20], 80.0, 12, 20.0, (), "even"),
        ([-60, 60], 80.0, 12, 20.0, (40.0,), "even inside, gaps at the edges"),
        ([-40, 40], 80.0, 7, 40.0, (), "lines coincide"),
        ([-80, 0, 80], 120.0, 18, 20.0, (40.0,), "even inside, gaps at the edges"),
        ([-160, 0, 160], 120.0, 18, 20.0, (40.0, 60.0), "even inside, gaps at the edges"),
    ],
)  # [d], six streamers
def test_interleaving(
    sources_m: list[float],
    separation_m: float,
    unique: int,
    spacing_m: float,
    gaps_m: tuple[float, ...],
    verdict: str,
) -> None:
    streamers_m = separation_m * (np.arange(6) - 2.5)
    found = midpoint_lines(np.array(sources_m, dtype=float), streamers_m)
    assert len(found.across_m) == unique
    assert found.spacing_m == pytest.approx(spacing_m)
    assert found.edge_gaps_m == pytest.approx(gaps_m)
    assert found.interleave == verdict


def test_neighbouring_passes_close_the_gaps_of_a_wide_tow_but_not_lines_that_coincide() -> None:
    streamers_m = 80.0 * (np.arange(6) - 2.5)
    assert midpoint_lines(np.array([-60.0, 60.0]), streamers_m).gaps_closed
    uneven = midpoint_lines(np.array([-15.0, 15.0]), streamers_m)
    assert uneven.interleave == "uneven"
    assert not uneven.gaps_closed


@pytest.mark.parametrize(
    ("length_m", "count", "point_m", "per_source_m", "expected"),
    [
        (640 * 12.5, 1, 50.0, 50.0, 80.0),  # [D]
        (800 * 12.5, 3, 50.0 / 3.0, 50.0, 100.0),  # [L]
        (4800.0, 2, 20.0, 40.0, 60.0),  # [P]
        (5600.0, 3, 14.0, 42.0, 66.6667),
        (4800.0, 4, 10.0, 40.0, 60.0),
        (7000.0, 5, 8.0, 40.0, 87.5),
        (5000.0, 1, 20.0, 20.0, 125.0),  # [P]: 125 at 20 m per source
    ],
)
def test_fold(
    length_m: float, count: int, point_m: float, per_source_m: float, expected: float
) -> None:
    interval_m = source_interval_m(point_m, count, together=False)
    assert interval_m == pytest.approx(per_source_m)
    assert fold(length_m, interval_m) == pytest.approx(expected, abs=1e-3)
    assert source_interval_m(point_m, count, together=True) == point_m


@pytest.mark.parametrize(
    ("point_m", "times_s"),
    [
        (20.0, (9.256, 8.451, 7.775)),
        (17.5, (8.099, 7.395, 6.803)),
        (15.0, (6.942, 6.339, 5.832)),
        (10.0, (4.628, 4.226, 3.888)),
        (8.0, (3.703, 3.381, 3.110)),
        (6.0, (2.777, 2.535, 2.333)),
    ],
)  # T = p / v, one knot is 1852/3600 m/s by definition
def test_time_between_shots(point_m: float, times_s: tuple[float, ...]) -> None:
    for knots, expected in zip((4.2, 4.6, 5.0), times_s, strict=True):
        found = time_between_shots_s(point_m, knots * KNOT_M_S)
        assert found == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize(
    ("point_m", "record_s", "dead_s", "shots", "clean_s"),
    [
        (20.0, 7.0, 0.0, 1, 8.451),
        (10.0, 7.0, 0.0, 2, 4.226),
        (8.0, 6.0, 0.0, 2, 3.381),
        (10.0, 12.0, 0.0, 3, 4.226),
        (8.0, 9.0, 0.0, 3, 3.381),
        (10.0, 3.5, 0.4, 1, 3.826),
    ],
)  # [P], 4.6 knots
def test_clean_length_and_shots_in_a_record(
    point_m: float, record_s: float, dead_s: float, shots: int, clean_s: float
) -> None:
    time_s = time_between_shots_s(point_m, 4.6 * KNOT_M_S)
    assert clean_length_s(time_s, dead_s) == pytest.approx(clean_s, abs=1e-3)
    assert shots_in_record(record_s, time_s) == shots
    assert shots_in_record(record_s, time_s, fired_together=3) == 3 * shots


def test_dither_shortens_the_clean_record() -> None:
    assert clean_length_s(4.2, 0.0, 0.2) == pytest.approx(3.8)  # [P]
    assert clean_length_s(0.4, 0.0, 0.3) == 0.0


@pytest.mark.parametrize(
    ("point_m", "record_s", "knots"), [(10.0, 3.0, 5.72), (17.5, 6.0, 5.32), (25.0, 9.0, 5.17)]
)  # [P], dead time 0.4 s
def test_fastest_clean_speed(point_m: float, record_s: float, knots: float) -> None:
    found = fastest_clean_speed_m_s(point_m, record_s, 0.4)
    assert found / KNOT_M_S == pytest.approx(knots, abs=5e-3)


def test_far_channels_stay_clean_longer() -> None:
    found = clean_length_by_channel_s(3.8, np.array([120.0, 4920.0]))
    np.testing.assert_allclose(found, [3.88, 7.08])


def test_a_two_source_line_with_six_streamers_in_full() -> None:
    """6 x 5600 m, 80 m apart, two sources every 17.5 m, as the formulas say [D], [P]."""
    made = alternative(
        streamers=6, separation_m=80.0, length_m=5600.0, count=2, shot_interval_m=17.5
    )
    rows = {row.name: row.value for row in alternative_numbers(made, TARGET).quantities}
    for name, expected in {
        "inline bin": 5.0,
        "crossline bin, nominal": 20.0,
        "crossline bin, of these positions": 20.0,
        "subsurface lines of a pass": 12,
        "sail line spacing": 240.0,
        "outer midpoint line to outer": 220.0,
        "shot interval of a source, P": 35.0,
        "fold of a source": 80.0,
        "at the lowest speed, T": 8.504,
        "at the usual speed, T": 7.559,
        "at the highest speed, T": 6.803,
        "of one source, at the usual speed": 15.119,
        "vessel moves during a record": 16.205,
        "clean record length, usual speed": 7.559,
        "shots in a record, own included": 1,
        "fastest speed without overlap": 17.5 / 7.0 / KNOT_M_S,
    }.items():
        assert rows[name] == pytest.approx(expected, abs=1e-3), name
    assert rows["midpoint lines"] == "even"
    assert rows["source repeats its bin centres"] == "yes"


def test_bin_centres_repeat_only_at_multiples_of_the_inline_bin() -> None:
    # 35 and 40 are multiples of 5, 36 is not [d]
    for point_m, expected in ((17.5, "yes"), (20.0, "yes"), (18.0, "no")):
        made = alternative(count=2, shot_interval_m=point_m)
        rows = {row.name: row.value for row in alternative_numbers(made, TARGET).quantities}
        assert rows["source repeats its bin centres"] == expected


def test_a_delay_moves_the_shot_by_speed_times_delay() -> None:
    assert pytest.approx(0.473, abs=5e-3) == 4.6 * KNOT_M_S * 0.2
    for knots, expected in ((4.3, 4.521), (4.9, 3.967)):
        assert time_between_shots_s(10.0, knots * KNOT_M_S) == pytest.approx(expected, abs=1e-3)
