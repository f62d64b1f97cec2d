"""Patches: the frame is tight, covers everything, and does not depend on threads or blocks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deblend.errors import SeparationError
from deblend.separation import patches
from deblend.separation.noise import NoiseFloor
from deblend.separation.patch_grid import axis_windows, patch_grid
from deblend.separation.patches import coherent_part


@dataclass(frozen=True)
class KeepAll:
    patch: tuple[int, int, int] = (8, 4, 16)
    overlap: float = 0.25
    window: str = "tapered"

    def largest(self, batch):
        return float(np.abs(batch.amplitude).max())

    def keep(self, batch, strictness, reference):
        return batch.amplitude


def filtered(method, data, seed=0, iteration=0, origin=(0, 0, 0)):
    live = np.ones(data.shape[:3], bool)
    grid = patch_grid(data.shape[1:], method, origin, seed=seed, iteration=iteration)
    unknown = NoiseFloor(method, data.shape, np)
    return coherent_part(method, data, live, grid, unknown, 0.004, 0.5, 1.0, np)


@settings(max_examples=60, derandomize=True, deadline=None)
@given(
    length=st.integers(1, 120),
    size=st.integers(1, 40),
    overlap=st.floats(0.05, 0.5),
    offset=st.integers(-1000, 1000),
    flat=st.booleans(),
)
def test_windows_of_an_axis_add_up_to_one(length, size, overlap, offset, flat):
    windows = axis_windows(length, size, overlap, offset, "flat" if flat else "tapered")
    total = np.zeros(length)
    for begin, analysis, synthesis in zip(
        windows.start, windows.analysis, windows.synthesis, strict=True
    ):
        total[begin : begin + windows.size] += analysis * synthesis
    np.testing.assert_allclose(total, 1.0, atol=1e-6)
    same_colour = [windows.start[k :: windows.reach] for k in range(windows.reach)]
    assert all((np.diff(starts) >= windows.size).all() for starts in same_colour)


@pytest.mark.parametrize("window", ["tapered", "flat"])
@pytest.mark.parametrize("overlap", [0.25, 0.5])
def test_keeping_everything_changes_nothing(window, overlap):
    data = np.random.default_rng(0).standard_normal((2, 21, 9, 70)).astype(np.float32)
    for iteration in range(3):
        out = filtered(KeepAll(overlap=overlap, window=window), data, iteration=iteration)
        assert np.linalg.norm(out - data) < 1e-6 * np.linalg.norm(data)


def test_result_does_not_depend_on_the_number_of_threads(monkeypatch):
    data = np.random.default_rng(0).standard_normal((2, 40, 12, 90)).astype(np.float32)
    results = []
    for threads in (1, 2, 5):
        monkeypatch.setattr(patches, "thread_count", lambda threads=threads: threads)
        results.append(filtered(KeepAll(), data))
    assert all(np.array_equal(results[0], other) for other in results[1:])


def test_blocks_share_one_grid():
    whole = patch_grid((40, 64, 200), KeepAll(), (0, 0, 0), seed=3, iteration=5)
    part = patch_grid((40, 30, 200), KeepAll(), (0, 20, 0), seed=3, iteration=5)
    inner = part.channel.start[1:-1] + 20
    assert set(inner) <= set(whole.channel.start)
    np.testing.assert_array_equal(whole.slot.start, part.slot.start)


def test_grid_moves_from_iteration_to_iteration():
    starts = [
        patch_grid((80, 64, 200), KeepAll(), (0, 0, 0), seed=0, iteration=k).time.start[1]
        for k in range(12)
    ]
    assert len(set(starts)) > 3


def test_a_method_that_returns_another_shape_is_named():
    @dataclass(frozen=True)
    class Wrong(KeepAll):
        def keep(self, batch, strictness, reference):
            return batch.amplitude[..., :-1]

    with pytest.raises(SeparationError, match="returned shape"):
        filtered(Wrong(), np.zeros((1, 20, 5, 40), np.float32))
