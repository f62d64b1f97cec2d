"""Samples of gathers that the record does not know."""

from __future__ import annotations

import numpy as np

from deblend.qc.unknown_samples import recorded_samples, with_unknown_from


def test_gaps_and_both_ends_of_the_record_are_unknown() -> None:
    known = np.ones((2, 10), np.bool_)
    known[1, 4:6] = False
    recorded = recorded_samples(known, np.array([-2, 3, 8]), 4)
    assert recorded[:, 0].tolist() == [
        [False, False, True, True],
        [True, True, True, True],
        [True, True, False, False],
    ]
    assert recorded[1, 1].tolist() == [True, False, False, True]


def test_nothing_is_removed_of_unknown_samples_and_all_else_stays() -> None:
    random = np.random.default_rng(1)
    after, before = random.standard_normal((2, 5, 3, 40)).astype(np.float32)
    kept = before.copy()
    known = random.random((3, 200)) > 0.02
    first = np.array([-10, 0, 60, 120, 175])
    changed = with_unknown_from(after, before, known, first)
    recorded = recorded_samples(known, first, 40)
    assert 0 < (~recorded).sum() < recorded.size
    np.testing.assert_array_equal(changed, np.where(recorded, kept, after))
    np.testing.assert_array_equal(before, kept)


def test_gathers_are_not_copied_where_all_is_known() -> None:
    after, before = np.ones((2, 5, 3, 40), np.float32)
    inside = np.array([0, 60, 120, 130, 160])
    assert with_unknown_from(after, before, np.ones((3, 200), np.bool_), inside) is before
