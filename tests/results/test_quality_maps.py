"""Quality maps: written some channels at a time, they are those of the whole line."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from deblend.errors import OutputError
from deblend.model.shots import make_shots
from deblend.qc.likeness_maps import WindowProducts, likeness_maps
from deblend.qc.measure_setup import MeasureSetup
from deblend.results.quality_maps import write_maps
from deblend.run.line_measures import line_products

SHOTS, CHANNELS, WINDOWS, OCTAVES = 24, 7, 2, 7
NUMBERS = np.arange(101, 101 + CHANNELS)


@pytest.fixture(scope="module")
def plan() -> MeasureSetup:
    times = np.arange(SHOTS) * 5_000_000_000 + np.random.default_rng(2).integers(0, 10**9, SHOTS)
    shots = make_shots(np.arange(SHOTS) % 2 + 1, np.arange(SHOTS) // 2, times, "utc")
    return MeasureSetup(
        shots, np.ones(SHOTS, np.bool_), 0.004, 200, [(0, 100), (100, 200)], CHANNELS, lowest_hz=5.0
    )


@pytest.fixture(scope="module")
def products() -> WindowProducts:
    random = np.random.default_rng(1)
    shape = (SHOTS, CHANNELS, WINDOWS, OCTAVES)
    kept, removed = (random.uniform(1, 2, shape).astype(np.float32) for _ in range(2))
    return WindowProducts(kept, removed, 0.1 * (kept - 1.4).astype(np.float32))


def taken(products: WindowProducts, rows: slice, channels: slice) -> WindowProducts:
    return WindowProducts(
        *(part[rows, channels] for part in (products.kept, products.removed, products.product))
    )


def test_channels_come_from_all_spans(products: WindowProducts) -> None:
    cut = SimpleNamespace(channels=((0, 4), (4, 7)), spans=((0, 9), (9, 24)), count=4)
    pieces = []
    for begin, end in cut.spans:
        for first, last in cut.channels:
            part = taken(products, slice(begin, end), slice(first, last))
            leakage = SimpleNamespace(products=(part,))
            pieces.append(SimpleNamespace(rows=np.arange(begin, end), values={"leakage": leakage}))
    found = list(line_products(cut, pieces.__getitem__, SHOTS, most=3 * SHOTS))
    assert [part for part, _ in found] == [range(0, 3), range(3, 4), range(4, 7)]
    for name in ("kept", "removed", "product"):
        joined = np.concatenate([getattr(part, name) for _, part in found], axis=1)
        np.testing.assert_array_equal(joined, getattr(products, name))


@pytest.mark.parametrize("step", [CHANNELS, 3])
def test_maps_are_those_of_the_line(
    tmp_path: Path, plan: MeasureSetup, products: WindowProducts, step: int
) -> None:
    ranges = [range(k, min(k + step, CHANNELS)) for k in range(0, CHANNELS, step)]
    parts = ((part, taken(products, slice(None), slice(part.start, part.stop))) for part in ranges)
    likeness = write_maps(tmp_path / "maps.npz", plan, parts, NUMBERS)
    assert likeness.mean.shape[1] == CHANNELS
    assert [path.name for path in tmp_path.iterdir()] == ["maps.npz"]
    expected = likeness_maps(products, plan, NUMBERS)
    with np.load(tmp_path / "maps.npz", allow_pickle=False) as file:
        assert set(file.files) == {*expected.data_vars, *expected.coords, "lowest_frequency_hz"}
        assert float(file["lowest_frequency_hz"]) == 5.0
        for name in (*expected.data_vars, *expected.coords):
            np.testing.assert_array_equal(file[name], expected[name].values)
            assert file[name].dtype == expected[name].dtype


def test_nothing_is_left_of_maps_that_cannot_be_written(
    tmp_path: Path, plan: MeasureSetup, products: WindowProducts
) -> None:
    def parts():  # type: ignore[no-untyped-def]
        yield range(0, 3), taken(products, slice(None), slice(0, 3))
        raise OSError(28, "No space left on device")

    with pytest.raises(OutputError, match="No space left"):
        write_maps(tmp_path / "maps.npz", plan, parts(), NUMBERS)
    assert not list(tmp_path.iterdir())
