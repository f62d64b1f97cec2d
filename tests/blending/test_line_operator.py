"""The operator of a line among SciPy's solvers, with vectors, arrays and labels."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from scipy.sparse.linalg import LinearOperator, cg, lsqr

import deblend
from deblend.errors import InputError, SettingsError, TimeError

FIRED_NS = np.array([200_300_000, 900_700_000, 1_604_100_000])
SHOTS = deblend.make_shots(np.array([1, 2, 1]), np.arange(3), FIRED_NS, "utc")
RECORDING = deblend.Recording(
    np.zeros((2, 500), np.float32), interval_s=0.004, start=0, time_scale="utc"
)


@pytest.fixture
def random() -> np.random.Generator:
    return np.random.default_rng(4)


def test_it_is_a_linear_operator_with_its_exact_adjoint(random: np.random.Generator) -> None:
    operator = deblend.operator_of(RECORDING, SHOTS, 1.0)
    assert isinstance(operator, LinearOperator)
    assert operator.shape == (2 * 500, 3 * 2 * 250)
    assert operator.H.H is operator
    x, y = random.standard_normal(operator.shape[1]), random.standard_normal(operator.shape[0])
    for adjoint in (operator.H @ y, operator.T @ y, operator.rmatvec(y), operator.adjoint() @ y):
        assert np.dot(operator @ x, y) == pytest.approx(np.dot(x, adjoint), rel=1e-12)
    both = np.stack([x, 2 * x], axis=1)
    assert np.allclose(operator @ both, np.stack([operator @ x, 2 * (operator @ x)], axis=1))
    assert np.allclose((operator.H @ operator) @ x, operator.H @ (operator @ x))


def test_solvers_take_it(random: np.random.Generator) -> None:
    operator = deblend.operator_of(RECORDING, SHOTS, 1.0)
    record = operator @ random.standard_normal(operator.gathers_shape)
    found = lsqr(operator, record.ravel(), iter_lim=60)[0].reshape(operator.gathers_shape)
    assert np.linalg.norm(operator @ found - record) < 1e-6 * np.linalg.norm(record)
    damped = operator.H @ operator + LinearOperator(
        (operator.shape[1],) * 2, matvec=lambda x: 0.1 * x, dtype=np.float64
    )
    _, status = cg(damped, operator.H @ record.ravel(), rtol=1e-6, maxiter=100)
    assert status == 0


def test_arrays_and_labels_in_and_out(random: np.random.Generator) -> None:
    operator = deblend.operator_of(RECORDING, SHOTS, 1.0, dtype=np.float32)
    gathers = random.standard_normal(operator.gathers_shape).astype(np.float32)
    record = operator @ gathers
    assert record.shape == operator.record_shape
    assert record.dtype == np.float32
    labelled = operator @ operator.label_gathers(gathers).transpose("time", "shot", "channel")
    assert labelled.dims == ("channel", "time")
    assert labelled.time[-1] == pytest.approx(499 * 0.004)
    assert np.array_equal(labelled.values, record)
    back = operator.H @ labelled
    assert back.dims == ("shot", "channel", "time")
    assert np.array_equal(back.values, operator.H @ record)
    xr.testing.assert_equal(back.fire_time, operator.label_gathers(gathers).fire_time)


@pytest.mark.parametrize(
    ("x", "message"),
    [
        (np.zeros((3, 2, 249)), r"shape \(3, 2, 249\).*which are \(3, 2, 250\)"),
        (np.zeros((3, 2, 250), complex), "of type complex128.*float32 or float64"),
        (np.zeros(1500, complex), "of type complex128"),
        (np.full((3, 2, 250), np.nan), "holds NaN"),
        (xr.DataArray(np.zeros((2, 500)), dims=("channel", "time")), r"dimensions are \('channel'"),
    ],
)
def test_what_does_not_fit_is_refused(x, message: str) -> None:
    with pytest.raises(InputError, match=message):
        deblend.operator_of(RECORDING, SHOTS, 1.0) @ x


def test_lines_that_do_not_fit_are_refused() -> None:
    with pytest.raises(InputError, match="dtype is complex128"):
        deblend.operator_of(RECORDING, SHOTS, 1.0, dtype=np.complex128)
    with pytest.raises(SettingsError, match=r"length_s is -1\.0"):
        deblend.operator_of(RECORDING, SHOTS, -1.0)
    gps = deblend.make_shots(np.array([1, 2, 1]), np.arange(3), FIRED_NS, "gps")
    with pytest.raises(TimeError, match="the shots are in GPS and the record in UTC"):
        deblend.operator_of(RECORDING, gps, 1.0)
