import numpy as np
import pytest

from deblend.errors import InputError
from deblend.trial.likeness import nrms_percent, predictability_percent, snr_db


def normal(seed: int, shape: tuple[int, ...] = (20, 5000)) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(shape)


def test_nrms_values_by_hand() -> None:
    a = normal(0)
    assert nrms_percent(a, a) == 0.0
    assert nrms_percent(a, -a) == pytest.approx(200.0)
    assert nrms_percent(a, 0 * a) == pytest.approx(200.0)
    assert nrms_percent(a, a / 2) == pytest.approx(200.0 / 3.0)
    # Independent, equal rms: the difference has sqrt(2) times the rms.
    assert nrms_percent(a, normal(1)) == pytest.approx(100.0 * np.sqrt(2.0), rel=0.01)
    assert np.isnan(nrms_percent(0 * a, 0 * a))


def test_nrms_of_a_shifted_sine() -> None:
    # 200 |sin(pi f tau)|: 30 Hz and 1 ms give 18.82 per cent.
    time = np.arange(0, 10, 0.001)
    a, b = (np.sin(2 * np.pi * 30 * (time - shift)) for shift in (0.0, 0.001))
    assert nrms_percent(a, b) == pytest.approx(18.82, abs=0.005)


def test_snr_values_by_hand() -> None:
    a = normal(2)
    assert snr_db(a, 0 * a) == 0.0
    assert snr_db(a, 0.9 * a) == pytest.approx(20.0)
    assert snr_db(a, a) == np.inf
    assert np.isnan(snr_db(0 * a, a))


def test_predictability_by_hand() -> None:
    a, b = normal(3), normal(4)
    assert predictability_percent(a, -3 * a, 20) == pytest.approx(100.0)
    # Unrelated white traces of n samples: phi_ab^2 is n s^4 at each of 2 L + 1 lags, phi_aa phi_bb
    # is n^2 s^4 at lag zero and averages to nothing elsewhere: 100 (2 L + 1) / n per cent.
    assert predictability_percent(a, b, 20) == pytest.approx(100 * 41 / 5000, rel=0.2)
    assert np.isnan(predictability_percent(a, 0 * b, 20))


def test_predictability_does_not_feel_a_shift_as_nrms_does() -> None:
    # Filtered noise shifted by one sample of 4 ms: NRMS is poor, predictability stays high
    # (Kragh and Christie 2002, from memory).
    kernel = np.hanning(15)
    a = np.apply_along_axis(np.convolve, 1, normal(5, (10, 4000)), kernel, mode="same")
    b = np.roll(a, 2, axis=1)
    assert nrms_percent(a, b) > 30
    assert predictability_percent(a, b, 40) > 95


def test_lags_must_fit() -> None:
    a = normal(6, (2, 10))
    with pytest.raises(InputError, match="a lag of 10 samples does not fit traces of 10"):
        predictability_percent(a, a, 10)


def test_shapes_must_agree() -> None:
    with pytest.raises(InputError, match="cannot be compared"):
        nrms_percent(normal(0, (2, 3)), normal(0, (3, 2)))
