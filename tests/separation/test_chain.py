"""Chains: each method in its turn, in its own units, and no better than what it is made of."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest

from deblend.errors import SettingsError
from deblend.in_memory import separate
from deblend.separation.chain import Chain
from deblend.separation.choose import method_name
from deblend.separation.contract import last_method, method_at
from deblend.separation.methods.fk import FkThreshold
from deblend.separation.methods.joint import JointThreshold
from deblend.separation.methods.median import StructureMedian
from deblend.synth.scenes import make_scene


def test_each_method_has_its_turn():
    median, fk, joint = StructureMedian(), FkThreshold(), JointThreshold()
    chain = Chain(median, Chain(fk, joint, 0.01), 0.3)
    found = [method_at(chain, s, 1.0)[0] for s in (1.0, 0.31, 0.3, 0.02, 0.01, 0.0)]
    assert found == [median, median, fk, fk, joint, joint]
    assert last_method(chain) is joint
    assert chain.patch == (32, 16, 128)
    assert method_name(chain) == "median, then fk, then joint"


def test_the_reference_is_converted_between_units():
    # A flat event has the same strength for both, in their own windows.
    small, large = FkThreshold(patch=(8, 1, 32)), FkThreshold(patch=(16, 1, 32))
    _, reference = method_at(Chain(small, large), 0.9, 10.0)
    assert reference == pytest.approx(5.0, rel=1e-5)
    assert method_at(Chain(small, large), 0.01, 10.0) == (large, 10.0)
    assert method_at(small, 0.5, 3.0) == (small, 3.0)


def test_a_chain_of_one_method_is_that_method():
    line = make_scene("three-sources", "small")
    common = {"length_s": line.length_s, "iterations": 8, "robust": False}
    fk = FkThreshold()
    alone = separate(line.recording, line.shots, method=fk, **common)
    chained = separate(line.recording, line.shots, method=Chain(fk, fk, 0.02), **common)
    np.testing.assert_array_equal(alone.estimate.values, chained.estimate.values)
    assert chained.settings["method"] == "fk, then fk"
    assert chained.settings["method.until"] == 0.02


@dataclass(frozen=True)
class Watched(FkThreshold):
    seen: list = field(default_factory=list, compare=False)

    def keep(self, batch, strictness, reference):
        self.seen.append((strictness, batch.amplitude.shape[2:]))
        return super().keep(batch, strictness, reference)


def test_each_gets_windows_of_its_own():
    line = make_scene("three-sources", "small")
    first, then = Watched(patch=(8, 1, 16)), Watched(patch=(12, 4, 24))
    chain = Chain(first, then, 0.1)
    separate(line.recording, line.shots, length_s=line.length_s, method=chain, iterations=5)
    assert {shape for _, shape in first.seen} == {(8, 1, 16)}
    assert {shape for _, shape in then.seen} == {(12, 4, 24)}
    assert min(s for s, _ in first.seen) > 0.1 >= max(s for s, _ in then.seen)


@pytest.mark.parametrize("until", [0.0, 1.0, float("nan")])
def test_a_level_that_makes_no_sense_is_refused(until):
    with pytest.raises(SettingsError, match="until is"):
        Chain(FkThreshold(), JointThreshold(), until)
