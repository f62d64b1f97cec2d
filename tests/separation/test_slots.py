"""Pairing of shots along the line."""

from __future__ import annotations

import numpy as np

from deblend.model.shots import make_shots
from deblend.separation.slots import pair_shots


def shots_of(source, seconds):
    return make_shots(
        np.array(source),
        np.arange(len(source)),
        np.rint(np.array(seconds) * 1e9).astype(np.int64),
        "utc",
    )


def test_sequential_firing_fills_slots_in_turn():
    source = [1, 2, 3] * 4
    layout = pair_shots(shots_of(source, np.arange(12) * 5.4))
    np.testing.assert_array_equal(layout.row, np.arange(12).reshape(4, 3).T)


def test_near_simultaneous_firing_with_dither_and_any_table_order():
    rng = np.random.default_rng(2)
    source = np.repeat([3, 1, 2], 20)
    seconds = np.tile(np.arange(20) * 10.0, 3) + rng.uniform(-0.3, 0.3, 60)
    order = rng.permutation(60)
    layout = pair_shots(shots_of(source[order], seconds[order]))
    assert layout.row.shape == (3, 20)
    slot = np.rint(seconds[order] / 10.0)
    np.testing.assert_array_equal(slot[layout.row], np.tile(np.arange(20), (3, 1)))
    np.testing.assert_array_equal(source[order][layout.row][:, 0], [1, 2, 3])


def test_missing_shots_leave_empty_slots():
    source = np.array([1, 2] * 10)
    seconds = np.arange(20) * 5.0
    kept = np.ones(20, bool)
    kept[[4, 9, 11]] = False
    layout = pair_shots(shots_of(source[kept], seconds[kept]))
    assert layout.row.shape == (2, 10)
    np.testing.assert_array_equal(layout.row[0] < 0, np.arange(10) == 2)
    np.testing.assert_array_equal(layout.row[1] < 0, np.isin(np.arange(10), [4, 5]))


def test_every_shot_has_one_slot_even_in_random_firing():
    rng = np.random.default_rng(5)
    seconds = np.sort(rng.uniform(0, 500, 90))
    source = rng.integers(0, 4, 90)
    layout = pair_shots(shots_of(source, seconds))
    filled = layout.row[layout.row >= 0]
    np.testing.assert_array_equal(np.sort(filled), np.arange(90))
    for rows in layout.row:
        assert (np.diff(seconds[rows[rows >= 0]]) > 0).all()


def test_one_shot_a_source():
    layout = pair_shots(shots_of([7, 9], [0.0, 0.2]))
    np.testing.assert_array_equal(layout.row, [[0], [1]])


def test_columns_in_slot_order():
    shots = shots_of([1, 2, 1, 1, 2], [0.0, 5.0, 10.0, 20.0, 25.0])
    layout = pair_shots(shots)
    point = layout.in_slots(shots.shot_point, -9).reshape(layout.row.shape)
    np.testing.assert_array_equal(point, np.where(layout.row < 0, -9, layout.row))
