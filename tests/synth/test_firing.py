import numpy as np
import pytest

from deblend.errors import InputError
from deblend.synth.firing import Dither, Firing, Trouble


def test_near_simultaneous_sources_fire_together_within_the_dither() -> None:
    times = Firing("near-simultaneous", 6.0, 40, Dither(0.3)).times_s(3, seed=1)
    assert times.shape == (3, 40)
    delay = times - 6.0 * np.arange(40)
    assert np.abs(delay).max() <= 0.3
    assert np.std(delay) == pytest.approx(0.3 / np.sqrt(3), rel=0.2)
    assert np.abs(np.diff(times, axis=0)).max() <= 0.6


def test_sequential_sources_fire_in_turn() -> None:
    times = Firing("sequential", 2.0, 10).times_s(5, seed=1)
    np.testing.assert_allclose(times.T.ravel(), 2.0 * np.arange(50))


def test_random_firing_keeps_apart_and_fills_the_line() -> None:
    times = Firing("random", 5.0, 200).times_s(2, seed=3)
    assert np.diff(times, axis=1).min() >= 2.5
    assert times.min() >= 0.0
    assert times.max() <= 1000.0
    assert times.max() > 950.0
    assert not np.allclose(times[0], times[1])


def test_dither_laws() -> None:
    random = np.random.default_rng(0)
    uniform, normal, two = (
        Dither(0.2, law).draw(20_000, random) for law in ("uniform", "normal", "two-valued")
    )
    # Moments by hand: a / sqrt(3) for uniform; 0.2 for normal, a little less when cut at three.
    assert uniform.std() == pytest.approx(0.2 / np.sqrt(3), rel=0.02)
    assert normal.std() == pytest.approx(0.2, rel=0.02)
    assert np.abs(normal).max() <= 0.6 + 1e-12
    assert set(two) == {-0.2, 0.2}


def test_misfires_and_timing_errors() -> None:
    trouble = Trouble(misfires=7, timing_error_rms_s=0.0005)
    assert np.count_nonzero(~trouble.live(500, 0)) == 7
    fired = np.arange(4000, dtype=np.int64) * 10**9
    error = trouble.reported_ns(fired, 0) - fired
    assert error.dtype == np.int64
    assert error.std() == pytest.approx(500_000, rel=0.05)
    assert np.array_equal(Trouble().reported_ns(fired, 0), fired)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Firing("together", 5.0, 10), "firing order 'together' is not known"),
        (lambda: Firing("random", 0.0, 10), r"every 0\.0 s cannot be fired"),
        (lambda: Firing("random", 5.0, 0), "0 shots every"),
        (lambda: Dither(-0.1), r"a dither of -0\.1 s"),
        (lambda: Dither(0.1, "cubic"), "the law 'cubic'"),
        (lambda: Trouble(misfires=11).live(10, 0), "11 misfires among 10 shots"),
    ],
)
def test_impossible_firing_is_refused(make, message: str) -> None:
    with pytest.raises(InputError, match=message):
        make()
