"""Schedule: thresholds fall exponentially, and no step is allowed that could diverge."""

from __future__ import annotations

import numpy as np
import pytest

from deblend.errors import SettingsError
from deblend.separation.schedule import Schedule


def test_strictness_falls_by_a_constant_factor_from_one_to_the_floor():
    strictness = Schedule(iterations=41, floor=1e-4).strictness()
    assert strictness[0] == 1.0
    np.testing.assert_allclose(strictness[-1], 1e-4)
    np.testing.assert_allclose(strictness[1:] / strictness[:-1], 10**-0.1)
    np.testing.assert_array_equal(Schedule(iterations=1).strictness(), [1e-4])


@pytest.mark.parametrize("momentum", [0.0, 0.3, 0.5, 0.8])
def test_the_step_limit_is_where_the_iteration_starts_to_grow(momentum):
    # Outside check: numpy.linalg.eigvals of the two-step recursion at the largest eigenvalue, 1.
    limit = (2 + 2 * momentum) / (1 + 2 * momentum)
    for step, grows in ((0.999 * limit, False), (1.001 * limit, True)):
        rest = 1 - step
        recursion = np.array([[rest * (1 + momentum), -rest * momentum], [1, 0]])
        assert (np.abs(np.linalg.eigvals(recursion)).max() > 1) == grows
    Schedule(60, step=0.999 * limit, momentum=momentum)
    with pytest.raises(SettingsError, match="can diverge"):
        Schedule(60, step=1.001 * limit, momentum=momentum)
