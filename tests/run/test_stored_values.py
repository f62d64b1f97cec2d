"""What a block measured, to disk and back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from deblend.array_file import json_array, write_arrays
from deblend.errors import InputError
from deblend.qc.removed import RemovedEnergy
from deblend.qc.scores import TruthMeasures
from deblend.qc.sums import in_line_rows
from deblend.run.stored_values import read_value, write_value
from deblend.separation.loop import IterationRecord


def test_all_kinds_come_back(tmp_path: Path) -> None:
    random = np.random.default_rng(2)
    energy = RemovedEnergy(random.standard_normal((3, 2)), random.standard_normal((3, 2)))
    record = IterationRecord(3, 0.1, float("inf"), 1e-300)
    value = TruthMeasures(
        sources=energy, pairs=({("a", 1): range(2, 5), "none": None}, True, record)
    )  # type: ignore[arg-type]
    write_value(tmp_path / "value.npz", value)
    back = read_value(tmp_path / "value.npz")
    assert back.pairs == value.pairs
    np.testing.assert_array_equal(back.sources.removed, energy.removed)


@pytest.mark.parametrize(
    ("tree", "message"),
    [
        ({"class": "subprocess:Popen", "fields": {}}, "subprocess is not part of deblend"),
        ({"class": "deblend.files:sync", "fields": {}}, "is no dataclass"),
        ({"class": "deblend.errors:InputError", "fields": {}}, "is no dataclass"),
        ({"code": "1"}, "unknown entry 'code'"),
    ],
)
def test_nothing_but_dataclasses_of_deblend_is_made(
    tmp_path: Path, tree: dict[str, object], message: str
) -> None:
    path = tmp_path / "value.npz"
    write_arrays({"tree": json_array(tree)}, path)
    with pytest.raises(InputError, match=message):
        read_value(path)


def test_a_torn_file_is_said(tmp_path: Path) -> None:
    path = tmp_path / "value.npz"
    write_value(path, IterationRecord(1, 1.0, 1.0, 1.0))
    path.write_bytes(path.read_bytes()[:100])
    with pytest.raises(InputError, match="Remove the file"):
        read_value(path)


def test_energies_of_a_span_take_their_rows() -> None:
    part = RemovedEnergy(np.ones((2, 3)), np.full((2, 3), 2.0))
    whole = in_line_rows(part, np.array([1, 4]), 5)
    np.testing.assert_array_equal(whole.removed[:, 0], [0, 2, 0, 0, 2])
    assert in_line_rows(whole, np.arange(5), 5) is whole
