"""The example of a new method runs, keeps the contract, and fits into one short file."""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from deblend.separation.contract import PatchBatch

PATH = Path(__file__).parents[2] / "examples" / "new_method.py"


@pytest.fixture
def example(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    spec = importlib.util.spec_from_file_location("new_method", PATH)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, "new_method", module)
    spec.loader.exec_module(module)
    return module


def test_it_separates(example: ModuleType, capsys: pytest.CaptureFixture[str]) -> None:
    # The scene starts at about 0 dB: two equal sources, fully overlapped.
    example.main(iterations=6)
    said = dict(
        re.findall(r"^(\w+): ([\d.]+) dB after 6 iterations$", capsys.readouterr().out, re.M)
    )
    assert set(said) == {"fk", "LowRank"}
    assert float(said["LowRank"]) > 8
    assert len(PATH.read_text(encoding="utf-8").splitlines()) < 80


def test_noise_stays_below_its_floor(example: ModuleType) -> None:
    # The largest singular value of a random matrix with unit entries tends to sqrt(m) + sqrt(n):
    # S. Geman, 1980, A limit theorem for the norm of random matrices, Annals of Probability 8.
    method = example.LowRank(patch=(24, 12, 32), noise_factor=1.15)
    noise = np.random.default_rng(0).standard_normal((4, 1, *method.patch)).astype(np.float32)
    level = np.full((4, 17), np.sqrt(24 * 12 * 32), np.float32)
    batch = PatchBatch(noise, np.ones(noise.shape[:4], bool), level, 0.004, np)
    assert np.sum(method.keep(batch, 0.0, 1.0) ** 2) < 0.05 * np.sum(noise**2)
