"""Worked examples of multi-source geometry, each with its source.

[D] D. Dondurur, Acquisition and Processing of Marine Seismic Data, Elsevier 2018, section 2.5.1.7
with figure 2.76 (bins of one and two sources) and equation 8.1 (fold). [L] a published three-source
layout of 12 streamers 112.5 m apart. [P] common practice, no source. [d] derived from the others.
"""

from __future__ import annotations

import numpy as np
import pytest
from plan_files import TARGET, alternative

from deblend.plan.midpoint_lines import crossline_bin_m, midpoint_lines, sail_line_spacing_m
from deblend.plan.numbers import alternative_numbers
from deblend.plan.plan_file import KNOT_M_S, source_positions_m, streamer_positions_m
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
        (14, 75.0, 3, 12.5, 42, 525.0),  # [d]
        (12, 112.5, 5, 11.25, 60, 675.0),  # [d]
        (16, 56.25, 5, 5.625, 80, 450.0),  # [d]
        (12, 100.0, 3, 100.0 / 6.0, 36, 600.0),  # [P] 100 m: 25 m with two, 16.67 m with three
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
    made = alternative(streamers=10, count=2)
    found = midpoint_lines(source_positions_m(made), streamer_positions_m(made))
    np.testing.assert_allclose(found.across_m, np.arange(-237.5, 238.0, 25.0))


@pytest.mark.parametrize(
    ("sources_m", "separation_m", "unique", "spacing_m", "gaps_m", "verdict"),
    [
        ([-25, 25], 100.0, 12, 25.0, (), "even"),
        ([-75, 75], 100.0, 12, 25.0, (50.0,), "even inside, gaps at the edges"),
        ([-50, 50], 100.0, 7, 50.0, (), "lines coincide"),
        ([-75, 0, 75], 112.5, 18, 18.75, (37.5,), "even inside, gaps at the edges"),
        ([-150, 0, 150], 112.5, 18, 18.75, (37.5, 56.25), "even inside, gaps at the edges"),
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
    streamers_m = 100.0 * (np.arange(6) - 2.5)
    assert midpoint_lines(np.array([-75.0, 75.0]), streamers_m).gaps_closed
    uneven = midpoint_lines(np.array([-20.0, 20.0]), streamers_m)
    assert uneven.interleave == "uneven"
    assert not uneven.gaps_closed


@pytest.mark.parametrize(
    ("length_m", "count", "point_m", "per_source_m", "expected"),
    [
        (640 * 12.5, 1, 50.0, 50.0, 80.0),  # [D]
        (800 * 12.5, 3, 50.0 / 3.0, 50.0, 100.0),  # [L]
        (6000.0, 2, 18.75, 37.5, 80.0),  # [P]
        (8000.0, 2, 18.75, 37.5, 106.6667),
        (8000.0, 3, 12.5, 37.5, 106.6667),
        (8000.0, 5, 10.0, 50.0, 80.0),
        (6000.0, 1, 12.5, 12.5, 240.0),  # [P]: 240 at 12.5 m per source
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
        (25.0, (12.149, 10.799, 9.719)),
        (18.75, (9.112, 8.099, 7.289)),
        (50.0 / 3.0, (8.099, 7.199, 6.480)),
        (12.5, (6.075, 5.400, 4.860)),
        (10.0, (4.860, 4.320, 3.888)),
        (25.0 / 3.0, (4.050, 3.600, 3.240)),
        (6.25, (3.037, 2.700, 2.430)),
    ],
)  # T = p / v, one knot is 1852/3600 m/s by definition
def test_time_between_shots(point_m: float, times_s: tuple[float, ...]) -> None:
    for knots, expected in zip((4.0, 4.5, 5.0), times_s, strict=True):
        found = time_between_shots_s(point_m, knots * KNOT_M_S)
        assert found == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize(
    ("point_m", "record_s", "dead_s", "shots", "clean_s"),
    [
        (18.75, 8.0, 0.0, 1, 8.099),
        (12.5, 8.0, 0.0, 2, 5.400),
        (25.0 / 3.0, 6.0, 0.0, 2, 3.600),
        (12.5, 12.0, 0.0, 3, 5.400),
        (25.0 / 3.0, 10.0, 0.0, 3, 3.600),
        (12.5, 4.0, 0.5, 1, 4.900),
    ],
)  # [P], 4.5 knots
def test_clean_length_and_shots_in_a_record(
    point_m: float, record_s: float, dead_s: float, shots: int, clean_s: float
) -> None:
    time_s = time_between_shots_s(point_m, 4.5 * KNOT_M_S)
    assert clean_length_s(time_s, dead_s) == pytest.approx(clean_s, abs=1e-3)
    assert shots_in_record(record_s, time_s) == shots
    assert shots_in_record(record_s, time_s, fired_together=3) == 3 * shots


def test_dither_shortens_the_clean_record() -> None:
    assert clean_length_s(5.4, 0.0, 0.1) == pytest.approx(5.2)  # [P]
    assert clean_length_s(0.4, 0.0, 0.3) == 0.0


@pytest.mark.parametrize(
    ("point_m", "record_s", "knots"), [(12.5, 4.0, 5.40), (18.75, 6.0, 5.61), (25.0, 8.0, 5.72)]
)  # [P], dead time 0.5 s
def test_fastest_clean_speed(point_m: float, record_s: float, knots: float) -> None:
    found = fastest_clean_speed_m_s(point_m, record_s, 0.5)
    assert found / KNOT_M_S == pytest.approx(knots, abs=5e-3)


def test_far_channels_stay_clean_longer() -> None:
    found = clean_length_by_channel_s(5.2, np.array([150.0, 6150.0]))
    np.testing.assert_allclose(found, [5.3, 9.3])


def test_a_two_source_line_with_eight_streamers_in_full() -> None:
    """8 x 8000 m, 100 m apart, two sources every 18.75 m, as the formulas say [D], [P]."""
    made = alternative(streamers=8, length_m=8000.0, count=2, shot_interval_m=18.75)
    rows = {row.name: row.value for row in alternative_numbers(made, TARGET).quantities}
    for name, expected in {
        "inline bin": 6.25,
        "crossline bin, nominal": 25.0,
        "crossline bin, of these positions": 25.0,
        "subsurface lines of a pass": 16,
        "sail line spacing": 400.0,
        "outer midpoint line to outer": 375.0,
        "shot interval of a source, P": 37.5,
        "fold of a source": 106.6667,
        "at the lowest speed, T": 9.112,
        "at the usual speed, T": 8.099,
        "at the highest speed, T": 7.289,
        "of one source, at the usual speed": 16.199,
        "vessel moves during a record": 18.52,
        "clean record length, usual speed": 8.099,
        "shots in a record, own included": 1,
        "fastest speed without overlap": 18.75 / 8.0 / KNOT_M_S,
    }.items():
        assert rows[name] == pytest.approx(expected, abs=1e-3), name
    assert rows["midpoint lines"] == "even"
    assert rows["source repeats its bin centres"] == "yes"


def test_bin_centres_repeat_only_at_multiples_of_the_inline_bin() -> None:
    # 37.5 and 50 are multiples of 6.25, 40 is not [d]
    for point_m, expected in ((18.75, "yes"), (25.0, "yes"), (20.0, "no")):
        made = alternative(count=2, shot_interval_m=point_m)
        rows = {row.name: row.value for row in alternative_numbers(made, TARGET).quantities}
        assert rows["source repeats its bin centres"] == expected


def test_a_delay_moves_the_shot_by_speed_times_delay() -> None:
    assert pytest.approx(0.23, abs=5e-3) == 4.5 * KNOT_M_S * 0.1
    for knots, expected in ((4.4, 5.522), (4.6, 5.282)):
        assert time_between_shots_s(12.5, knots * KNOT_M_S) == pytest.approx(expected, abs=1e-3)
