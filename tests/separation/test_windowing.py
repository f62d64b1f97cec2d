"""Compiled windows equal their array forms."""

from __future__ import annotations

import numpy as np

from deblend.separation.patch_grid import axis_windows
from deblend.separation.windowing import (
    add_windows,
    add_windows_array,
    cut_windows,
    cut_windows_array,
)


def test_compiled_windows_equal_their_array_forms():
    rng = np.random.default_rng(0)
    gathers = rng.standard_normal((2, 40, 12, 100)).astype(np.float32)
    windows = axis_windows(100, 24, 0.4, 17)
    across = rng.random((2, 16, 6)).astype(np.float32)
    corners = np.array([(5, 3), (5, 6)])
    cut = cut_windows(gathers, corners, windows.start, across, windows.analysis, np)
    expected = cut_windows_array(gathers, corners, windows.start, across, windows.analysis, np)
    np.testing.assert_allclose(cut, expected, rtol=1e-5, atol=1e-7)
    totals = [gathers.copy(), gathers.copy()]
    rest = (corners, windows.start, across, windows.synthesis, windows.reach, np)
    add_windows(totals[0], cut, *rest)
    add_windows_array(totals[1], cut, *rest)
    np.testing.assert_allclose(totals[0], totals[1], rtol=1e-5, atol=1e-6)
    assert np.array_equal(totals[0][:, :5], gathers[:, :5])
    assert not np.array_equal(totals[0], gathers)
