import numpy as np
import pytest
from scipy.stats import bootstrap

from deblend.study.summary import mean_interval


@pytest.mark.parametrize("count", [3, 8, 30])
def test_interval_of_a_mean_is_that_of_scipy(count: int) -> None:
    random = np.random.default_rng(count)
    scores = random.normal(20.0, 2.0, count)
    mean, low, high = mean_interval([scores])
    found = bootstrap((scores,), np.mean, method="percentile", rng=np.random.default_rng(1))
    assert mean == pytest.approx(scores.mean())
    assert (low, high) == pytest.approx(tuple(found.confidence_interval), abs=0.12)


def test_paired_interval_is_that_of_scipy() -> None:
    random = np.random.default_rng(7)
    line = random.normal(0.0, 5.0, 12)  # seeds differ more than methods do
    best, other = 22.0 + line, 20.5 + line + random.normal(0.0, 0.4, 12)
    mean, low, high = mean_interval([best - other])
    found = bootstrap(
        (best, other),
        lambda a, b, axis: (a - b).mean(axis=axis),
        paired=True,
        method="percentile",
        rng=np.random.default_rng(1),
    )
    assert (low, high) == pytest.approx(tuple(found.confidence_interval), abs=0.03)
    assert 0 < low < mean < high
    # Unpaired, the spread over seeds would hide the difference.
    loose = bootstrap((best,), np.mean, method="percentile", rng=np.random.default_rng(1))
    assert np.ptp(loose.confidence_interval) > 5 * (high - low)


def test_three_seeds_by_hand() -> None:
    # All 27 draws of three seeds: the lowest and the highest mean come once each, 3.7 % of the
    # draws, so that the 95 % interval reaches from one to the other.
    mean, low, high = mean_interval([np.array([1.0, 2.0, 6.0])])
    assert (mean, low, high) == pytest.approx((3.0, 1.0, 6.0))


@pytest.mark.parametrize(("count", "share"), [(3, 0.75), (10, 0.91)])
def test_few_seeds_hold_the_mean_less_often_than_stated(count: int, share: float) -> None:
    random = np.random.default_rng(5)
    ends = [mean_interval([random.normal(0, 1, count)], draws=499)[1:] for _ in range(2000)]
    assert np.mean([low <= 0 <= high for low, high in ends]) == pytest.approx(share, abs=0.025)


def test_groups_weigh_the_same_whatever_their_size() -> None:
    mean, low, high = mean_interval([np.array([10.0, 10.0, 10.0, 10.0]), np.array([20.0])])
    assert (mean, low, high) == pytest.approx((15.0, 15.0, 15.0))


def test_nothing_gives_no_number() -> None:
    assert np.isnan(mean_interval([])).all()
    assert np.isnan(mean_interval([np.array([1.0]), np.array([])])).all()
