"""The curvelet threshold: a tight frame on every side, one strictness for all wedges."""

from __future__ import annotations

import numpy as np
import pytest

from deblend.errors import MissingPackageError, SettingsError
from deblend.separation.choose import choose_method
from deblend.separation.methods.curvelet import CurveletThreshold
from deblend.separation.transforms import curvelets
from deblend.testing import check_separator
from deblend.testing.separator_batches import batch_of

SHAPES = [(32, 128), (30, 101), (7, 33), (1, 5)]


@pytest.mark.parametrize(("scales", "wedges"), [(2, 3), (2, 6), (3, 3), (3, 6), (4, 6)])
@pytest.mark.parametrize("shape", SHAPES)
def test_backward_is_the_inverse_and_the_adjoint(shape, scales, wedges):
    # Both only hold where the sides suit the transform of the package.
    rng = np.random.default_rng(0)
    plan = curvelets.curvelet_plan(shape, scales, wedges)
    gather, other = rng.standard_normal((2, *shape)).astype(np.float32)
    coefficients = curvelets.forward(plan, gather)
    np.testing.assert_allclose(curvelets.backward(plan, coefficients), gather, atol=1e-5)
    energy = sum(np.sum(np.abs(wedge) ** 2) for wedge in curvelets.wedges_of(coefficients))
    assert energy == pytest.approx(np.sum(gather**2), rel=1e-4)
    others = curvelets.wedges_of(curvelets.forward(plan, other))
    dot = sum(
        np.sum(np.conj(a) * b).real
        for a, b in zip(curvelets.wedges_of(coefficients), others, strict=True)
    )
    assert dot == pytest.approx(np.sum(gather * other), abs=1e-3 * float(np.sum(gather**2)))


def test_sides_that_the_package_gets_wrong_are_padded():
    assert [curvelets.padded_side(n, 3, 6) for n in (1, 16, 17, 30, 128)] == [16, 16, 24, 32, 128]
    from curvelets.numpy import UDCT

    gather = np.random.default_rng(1).standard_normal((30, 102))
    plain = UDCT(shape=(30, 102), num_scales=4, wedges_per_direction=3)
    try:
        off = np.abs(plain.backward(plain.forward(gather)) - gather).max()
    except ValueError:
        off = np.inf
    assert off > 0.01  # why the padding is there


def test_norms_are_the_response_to_white_noise():
    plan = curvelets.curvelet_plan((32, 128), 3, 6)
    rng = np.random.default_rng(2)
    power = np.zeros(len(plan.norms))
    for _ in range(30):
        gather = rng.standard_normal((32, 128)).astype(np.float32)
        wedges = curvelets.wedges_of(curvelets.forward(plan, gather))
        power += [np.mean(np.abs(wedge) ** 2) / 30 for wedge in wedges]
    np.testing.assert_allclose(np.sqrt(power), plan.norms, rtol=0.12)
    white = curvelets.wedge_noise(plan, np.ones((1, 65), np.float32))[0]
    np.testing.assert_allclose(white, plan.norms, rtol=1e-6)


def test_equals_a_threshold_of_the_package():
    # Reference: the transform of the package by itself, on a side that suits it.
    from curvelets.numpy import UDCT

    gather = np.random.default_rng(3).standard_normal((32, 128)).astype(np.float32)
    transform = UDCT(shape=(32, 128), num_scales=3, wedges_per_direction=6)
    coefficients = transform.forward(gather)
    norms = curvelets.curvelet_plan((32, 128), 3, 6).norms
    for wedge, norm in zip(curvelets.wedges_of(coefficients), norms, strict=True):
        power = np.abs(wedge) ** 2 / (1.5 * norm) ** 2
        wedge *= np.interp(power, [0.5, 1.5], [0, 1])
    expected = transform.backward(coefficients)
    batch = batch_of(gather[None, None, :, None])
    kept = CurveletThreshold().keep(batch, 0.5, 3.0)[0, 0, :, 0]
    np.testing.assert_allclose(kept, expected, atol=1e-5)
    assert 0.05 < np.sum(kept**2) / np.sum(gather**2) < 0.9


def test_contract_with_other_settings():
    check_separator(CurveletThreshold(patch=(19, 2, 50), scales=2, wedges=3))


@pytest.mark.parametrize("found", [None, "2.0"])
def test_without_the_package_the_error_says_how_to_install_it(monkeypatch, found):
    def version(name):
        if found is None:
            raise curvelets.PackageNotFoundError(name)
        return found

    monkeypatch.setattr(curvelets, "version", version)
    with pytest.raises(MissingPackageError, match=r"curvelets.*pip install \"deblend\[curvelet\]"):
        choose_method("curvelet", 2, 8)


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"scales": 1}, "scales is 1"),
        ({"wedges": 4}, "wedges is 4"),
        ({"wedges": 12}, "wedges is 12"),
    ],
)
def test_settings_that_make_no_sense_are_refused(settings, message):
    with pytest.raises(SettingsError, match=message):
        CurveletThreshold(**settings)
