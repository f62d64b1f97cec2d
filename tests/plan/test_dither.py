"""Delays and their diagnostics against closed forms and scipy.stats."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from plan_files import TARGET, alternative, uniform
from scipy import stats

from deblend.errors import SettingsError
from deblend.plan.alternative import speeds_m_s
from deblend.plan.dither_diagnostics import (
    coherent_power,
    diagnose,
    expected_power,
    frequencies_hz,
    mutual_coherence,
    octave_power_db,
    pairings,
)
from deblend.plan.firing import best_firing, firing_plan, worst_coherence
from deblend.plan.keys import DitherTable, FiringTable
from deblend.plan.numbers import alternative_numbers


def test_delays_are_uniform_and_their_differences_triangular() -> None:
    made = alternative(count=2, dither=uniform(0.22))
    plan = firing_plan(made, 2000, seed=3)
    delays = plan.delay_s
    assert stats.kstest(delays, stats.uniform(-0.22, 0.44).cdf).pvalue > 0.01
    (pairing, *_) = pairings(plan.shot_point, plan.source, plan.times_s(2.3), 7.0)
    differences = pairing.differences_s - 10.0 / 2.3
    # every other difference shares no shot with the one before it
    assert stats.kstest(differences, stats.triang(0.5, -0.44, 0.88).cdf).pvalue > 0.01
    row = diagnose(pairing)
    assert row.deviation_s == pytest.approx(0.44 / np.sqrt(6.0), rel=0.05)
    assert row.shots == 2000


def test_the_same_seed_gives_the_same_delays() -> None:
    made = alternative(dither=uniform())
    one, again, other = (firing_plan(made, 50, seed).delay_s for seed in (5, 5, 6))
    np.testing.assert_array_equal(one, again)
    assert not np.array_equal(one, other)


@pytest.mark.parametrize("both", [True, False])
def test_coherent_power_follows_the_sinc_law_with_a_floor(both: bool) -> None:
    random = np.random.default_rng(1)
    shots, width = 64, 0.5
    differences = random.uniform(0.0, width, (4000, shots))
    if both:
        differences -= random.uniform(0.0, width, (4000, shots))
    frequency = np.array([0.5, 1.0, 2.0, 3.6, 5.7, 20.0])
    mean = coherent_power(differences, frequency).mean(axis=0)
    expected = expected_power(frequency, width, shots, both=both)
    np.testing.assert_allclose(mean, expected, rtol=0.1)


@pytest.mark.parametrize(
    ("frequency_hz", "both", "level_db"),
    [(2.4, False, -6.0), (1.8, True, -6.0), (3.6, False, -20.0)],
)  # textbook: squared modulus of the characteristic function, range 0.25 s
def test_low_frequency_limits_of_a_quarter_second(
    frequency_hz: float, both: bool, level_db: float
) -> None:
    power = expected_power(np.array([frequency_hz]), 0.25, 10**9, both=both)
    assert 10 * np.log10(power[0]) == pytest.approx(level_db, abs=0.8)


def test_first_side_lobe_is_13_db_down_near_5_7_hz() -> None:
    frequency = np.linspace(4.2, 7.8, 2000)
    level = 10 * np.log10(expected_power(frequency, 0.25, 10**9, both=False))
    assert level.max() == pytest.approx(-13.26, abs=0.01)
    assert frequency[np.argmax(level)] == pytest.approx(5.72, abs=0.01)


def test_octave_floor_is_one_over_the_shots_of_a_window() -> None:
    plan = firing_plan(alternative(count=2, dither=uniform(0.25)), 3000, seed=2)
    row = diagnose(pairings(plan.shot_point, plan.source, plan.times_s(2.3), 7.0)[0])
    frequency = frequencies_hz()
    expected = octave_power_db(expected_power(frequency, 0.5, 24), frequency)
    np.testing.assert_allclose(row.octave_db, expected, atol=0.5)


def test_regular_firing_is_fully_coherent_and_random_firing_is_not() -> None:
    for dither, low, high in ((None, 0.999, 1.001), (uniform(0.25), 0.4, 0.65)):
        plan = firing_plan(alternative(dither=dither), 200, seed=0)
        row = diagnose(pairings(plan.shot_point, plan.source, plan.times_s(2.3), 7.0)[0])
        assert low < row.coherence < high
        assert (row.repeats == 1.0) == (dither is None)
        assert np.isinf(row.coherent_below_hz) == (dither is None)


def test_a_steady_drift_of_the_differences_is_as_coherent_as_none() -> None:
    """Interference with a slope is a straight event too."""
    drift = 0.01 * np.arange(24)[None, :]
    assert mutual_coherence(drift, np.array([10.0, 25.0])).min() > 0.98


def test_repeats_are_as_frequent_as_chance_allows() -> None:
    # the difference of two independent triangular variables has the density 2/(3D) at zero, so
    # that neighbours agree within e with probability 4 e / (3 D)
    plan = firing_plan(alternative(count=2, dither=uniform(0.25, resolution_s=1e-5)), 20000, 1)
    row = diagnose(pairings(plan.shot_point, plan.source, plan.times_s(2.3), 7.0)[0])
    assert row.repeats == pytest.approx(4 * 0.002 / (3 * 0.5), rel=0.15)


def test_limits_are_kept() -> None:
    made = alternative(
        scheme="near-simultaneous",
        dither=uniform(0.25, smallest_gap_s=0.02, largest_change_s=0.22),
    )
    plan = firing_plan(made, 150, seed=4)
    times = np.sort(plan.times_s(speeds_m_s(made)[2]))
    assert np.diff(times).min() >= 0.02 - 1e-9
    for source in (1, 2, 3, 4):
        change = np.diff(plan.delay_s[plan.source == source])
        assert np.abs(change).max() <= 0.22 + 1e-9
    assert np.abs(plan.delay_s).max() <= 0.25
    steps = plan.delay_s / 0.001
    np.testing.assert_allclose(steps, np.rint(steps), atol=1e-6)


def test_limits_that_leave_nothing_are_refused() -> None:
    made = alternative(scheme="near-simultaneous", dither=uniform(0.01, smallest_gap_s=0.5))
    with pytest.raises(SettingsError, match=r"no delay within plus and minus 0\.01 s"):
        firing_plan(made, 10, seed=0)


def test_the_best_of_many_seeds_is_the_best() -> None:
    made = alternative(dither=uniform(0.25, seeds_tried=6))
    best, _ = best_firing(made, 60, 7.0)
    speed = speeds_m_s(made)[1]
    scores = {seed: worst_coherence(firing_plan(made, 60, seed), speed, 7.0) for seed in range(6)}
    assert best.seed == min(scores, key=lambda seed: scores[seed])


def test_natural_timing_varies_from_shot_to_shot_by_what_was_said() -> None:
    made = msgspec.structs.replace(
        alternative(),
        firing=FiringTable(scheme="natural timing", shot_interval_m=10.0, natural_variation_s=0.07),
        dither=DitherTable(),
    )
    plan = firing_plan(made, 2000, seed=1)
    between = np.diff(plan.times_s(2.3)) - 10.0 / 2.3
    assert between.std() == pytest.approx(0.07, rel=0.05)
    # three standard deviations are taken off the clean record length, as 2 d
    rows = {row.name: row.value for row in alternative_numbers(made, TARGET).quantities}
    assert rows["delays within plus and minus, d"] == pytest.approx(0.105)
    assert rows["clean record length, usual speed"] == pytest.approx(4.3197 - 0.21, abs=1e-3)


def test_missing_and_swapped_shots_do_not_mix_up_pairs() -> None:
    plan = firing_plan(alternative(count=2, dither=uniform(0.25)), 100, seed=7)
    times = plan.times_s(2.3)
    whole = pairings(plan.shot_point, plan.source, times, 7.0)
    keep = np.ones(len(times), dtype=bool)
    keep[[20, 21, 77]] = False
    order = np.random.default_rng(0).permutation(np.flatnonzero(keep))
    part = pairings(plan.shot_point[order], plan.source[order], times[order], 7.0)
    assert len(part) == len(whole)
    for one, other in zip(part, whole, strict=True):
        assert (one.source, one.other, one.step) == (other.source, other.other, other.step)
        assert set(np.round(one.differences_s, 9)) <= set(np.round(other.differences_s, 9))
