"""Bins against the published layout of a triple-source line, and by hand."""

from __future__ import annotations

import numpy as np
import pytest

from deblend.errors import InputError
from deblend.model.geometry import Geometry, towed_geometry, unknown_geometry
from deblend.model.midpoints import midpoint_m
from deblend.model.shots import Shots, make_shots
from deblend.stack.bins import bin_grid, fold_map


def line_of(
    starboard_m: tuple[float, ...], pop_m: float, slots: int, heading_deg: float = 0.0
) -> Shots:
    count = len(starboard_m) * slots
    source = np.arange(count) % len(starboard_m)
    along, across = np.arange(count) * pop_m, np.array(starboard_m)[source]
    heading = np.radians(heading_deg)
    forward = np.array([np.sin(heading), np.cos(heading)])
    starboard = np.array([forward[1], -forward[0]])
    position = along[:, None] * forward + across[:, None] * starboard
    return make_shots(
        source + 1,
        np.arange(count),
        np.arange(count) * 5 * 10**9,
        "utc",
        x_m=4e5 + position[:, 0],
        y_m=6e6 + position[:, 1],
    )


@pytest.mark.parametrize("heading_deg", [0.0, 63.0, 200.0])
def test_sublines_of_three_sources(heading_deg: float) -> None:
    # Twelve streamers 112.5 m apart and three sources 37.5 m apart give 18.75 m bins: a published
    # triple-source preplot. One streamer of it makes three sublines.
    shots = line_of((-37.5, 0.0, 37.5), 16.0, 40, heading_deg)
    geometry = towed_geometry(shots, 24, nearest_offset_m=100.0, group_interval_m=12.5)
    grid = bin_grid(shots, geometry, inline_m=6.25)
    # The track is fitted through sources that fire in turn, which tilts it by a little.
    assert grid.crossline_m == pytest.approx(18.75, rel=2e-3)
    assert grid.shape[1] == 3
    bins = grid.index(*midpoint_m(shots, geometry))
    assert (bins >= 0).all()
    np.testing.assert_array_equal(bins[shots.rows_of(1)] % 3, 0)
    np.testing.assert_array_equal(bins[shots.rows_of(3)] % 3, 2)
    assert fold_map(grid, bins).sum() == bins.size


@pytest.mark.parametrize(
    ("channels", "group_m", "sources", "pop_m", "fold"),
    [
        # fold = channels x group / (2 x sources x pop): Dondurur, 2018, Acquisition and Processing
        # of Marine Seismic Data, Elsevier, equation 8.1, with the interval between shots of one
        # source.
        (64, 12.5, 1, 50.0, 8),
        (80, 12.5, 2, 25.0, 10),
        (48, 12.5, 3, 12.5, 8),
    ],
)
def test_fold(channels: int, group_m: float, sources: int, pop_m: float, fold: int) -> None:
    starboard = tuple(20.0 * number for number in range(sources))
    shots = line_of(starboard, pop_m, 60)
    geometry = towed_geometry(shots, channels, nearest_offset_m=0.0, group_interval_m=group_m)
    grid = bin_grid(shots, geometry, inline_m=group_m / 2)
    folds = fold_map(grid, grid.index(*midpoint_m(shots, geometry)))
    inside = folds[len(folds) // 2 - 20 : len(folds) // 2 + 20]
    assert inside.mean() == pytest.approx(fold, rel=0.02)


def test_positions_unknown() -> None:
    shots = make_shots(np.ones(3, np.int64), np.arange(3), np.arange(3) * 10**9, "utc")
    with pytest.raises(InputError, match="no midpoint is known"):
        bin_grid(shots, unknown_geometry(3, 4), inline_m=6.25)


def test_size_of_bins() -> None:
    shots = line_of((0.0,), 25.0, 10)
    geometry = towed_geometry(shots, 4, nearest_offset_m=0.0, group_interval_m=12.5)
    with pytest.raises(InputError, match=r"inline_m is 0\.0 m"):
        bin_grid(shots, geometry, inline_m=0.0)


def test_a_trace_without_position_is_in_no_bin() -> None:
    shots = line_of((0.0,), 25.0, 10)
    whole = towed_geometry(shots, 4, nearest_offset_m=0.0, group_interval_m=12.5)
    x_m = whole.receiver_x_m.copy()
    x_m[3, 2] = np.nan
    geometry = Geometry(whole.offset_m, x_m, whole.receiver_y_m, whole.receiver_depth_m)
    grid = bin_grid(shots, geometry, inline_m=6.25)
    bins = grid.index(*midpoint_m(shots, geometry))
    assert bins[3, 2] == -1
    assert (bins < 0).sum() == 1
