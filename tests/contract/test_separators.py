"""Every separator method keeps the contract, and the contract suite notices those that do not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pytest

from deblend.errors import DeblendError, SeparationError, SettingsError
from deblend.separation.chain import Chain
from deblend.separation.choose import METHODS, choose_method
from deblend.separation.contract import PatchBatch
from deblend.separation.methods.fk import FkThreshold
from deblend.separation.methods.joint import JointThreshold
from deblend.separation.methods.median import StructureMedian
from deblend.testing import check_separator

CHAINS: Final = {
    "one method twice": Chain(FkThreshold(patch=(12, 4, 20)), FkThreshold(patch=(12, 4, 20))),
    "two windows": Chain(FkThreshold(patch=(8, 1, 16)), FkThreshold(patch=(12, 4, 20)), 0.1),
    "two methods": Chain(FkThreshold(), JointThreshold()),
    "median first": Chain(StructureMedian(), JointThreshold()),
    "a chain in a chain": Chain(
        StructureMedian(), Chain(FkThreshold(), JointThreshold(), 0.01), 0.3
    ),
}


@pytest.mark.parametrize("method", [*METHODS, *CHAINS.values()], ids=[*METHODS, *CHAINS])
def test_every_method_keeps_the_contract(method: Any) -> None:
    check_separator(method)


@pytest.mark.parametrize(
    "method",
    [
        FkThreshold(patch=(9, 1, 15), overlap=0.25),
        FkThreshold(patch=(12, 6, 20)),
        JointThreshold(patch=(24, 1, 32), overlap=0.5),
        JointThreshold(patch=(7, 5, 11)),
        lambda patch, threshold: np.where(np.abs(patch) >= threshold, patch, 0),
    ],
    ids=["odd", "three axes", "one channel", "small", "function"],
)
def test_other_settings(method: Any) -> None:
    check_separator(method, seed=3)


Keep = Callable[[PatchBatch, float, float], Any]
GOOD = FkThreshold(patch=(8, 2, 16))


@dataclass(frozen=True)
class Breach:
    """A good method but for one thing."""

    keep_as: Keep = field(default=GOOD.keep)
    largest_as: Callable[[PatchBatch], Any] = field(default=GOOD.largest)
    patch: tuple[int, int, int] = GOOD.patch
    overlap: float = 0.5
    window: str = "tapered"

    def largest(self, batch: PatchBatch) -> Any:
        return self.largest_as(batch)

    def keep(self, batch: PatchBatch, strictness: float, reference: float) -> Any:
        return self.keep_as(batch, strictness, reference)


def spoil(batch: PatchBatch, name: str) -> PatchBatch:
    getattr(batch, name)[:] = 0
    return batch


def counted() -> Keep:
    calls = iter(range(10_000))
    return lambda batch, s, r: GOOD.keep(batch, s, r) * np.float32(1 + next(calls))


def by_batch_mean(batch: PatchBatch, strictness: float, reference: float) -> Any:
    return GOOD.keep(batch, strictness, reference) - np.mean(batch.amplitude)


def with_constant(batch: PatchBatch, strictness: float, reference: float) -> Any:
    kept = GOOD.keep(batch, strictness, reference)
    return np.where(np.abs(kept) > 1e-3, kept, np.float32(0))


def ones_where_empty(batch: PatchBatch, strictness: float, reference: float) -> Any:
    return GOOD.keep(batch, strictness, reference) + ~batch.live[..., None].any(axis=(1, 2, 3, 4))[
        :, None, None, None, None
    ] * np.float32(1)


def ratio(batch: PatchBatch, strictness: float, reference: float) -> Any:
    with np.errstate(all="ignore"):
        trace = np.sum(batch.amplitude, axis=4, keepdims=True)
        return GOOD.keep(batch, strictness, reference) * (trace / trace)


def only_large(batch: PatchBatch, strictness: float, reference: float) -> Any:
    if batch.amplitude.shape[3] == 1:
        raise IndexError("channel 1 is out of bounds")
    return GOOD.keep(batch, strictness, reference)


def more_when_strict(batch: PatchBatch, strictness: float, reference: float) -> Any:
    return GOOD.keep(batch, strictness, reference) * np.float32(1 + strictness)


BREACHES = {
    "other shape": (Breach(lambda b, s, r: b.amplitude[:, :1]), r"of shape \(3, 1, 8, 2, 16\) for"),
    "nothing": (Breach(lambda b, s, r: None), "keep returns NoneType"),
    "other type": (Breach(lambda b, s, r: b.amplitude.astype(float)), "keep returns float64"),
    "not finite": (Breach(ratio), "values that are not finite"),
    "raises": (Breach(only_large), r"keep raises IndexError: channel 1 .* \(one channel\)"),
    "state": (Breach(counted()), "another result the second time"),
    "mean of the batch": (Breach(by_batch_mean), "patch 0 alone differs"),
    "input": (Breach(lambda b, s, r: GOOD.keep(spoil(b, "amplitude"), s, r)), "changes batch.ampl"),
    "live": (Breach(lambda b, s, r: GOOD.keep(spoil(b, "live"), s, r)), "keep changes batch.live"),
    "something from nothing": (Breach(ones_where_empty), "out of patches of zeros"),
    "keeps nothing": (Breach(lambda b, s, r: 0 * b.amplitude), "comes back 0.0 dB wrong"),
    "keeps all": (Breach(lambda b, s, r: b.amplitude), "white noise .* keeps 100 %"),
    "constant": (Breach(with_constant), "amplitudes and reference times .* change the result"),
    "not monotone": (Breach(more_when_strict), "less energy than at the stricter one"),
    "largest NaN": (Breach(largest_as=lambda b: np.nan), "largest returns nan"),
    "largest negative": (Breach(largest_as=lambda b: -1.0), "largest returns -1.0"),
    "largest zero": (Breach(largest_as=lambda b: 0.0), "largest is 0 for"),
    "largest of first": (
        Breach(largest_as=lambda b: GOOD.largest(b) * len(b.amplitude)),
        "for patches that have",
    ),
    "largest of units": (Breach(largest_as=lambda b: GOOD.largest(b) + 0.01), "out of|largest is"),
}


@pytest.mark.parametrize(("method", "message"), BREACHES.values(), ids=BREACHES)
def test_breaches_are_noticed(method: Any, message: str) -> None:
    with pytest.raises(SeparationError, match=f"contract of separators: .*(?:{message})"):
        check_separator(method)


def test_a_reference_in_units_of_the_first_of_several_is_noticed() -> None:
    class Several(Breach):
        def for_strictness(self, strictness: float, reference: float) -> tuple[Any, float]:
            return GOOD, 2 * reference

    with pytest.raises(SeparationError, match="a reference of 6 out of 3 at strictness 0"):
        check_separator(Several())


def test_settings_that_can_change_are_noticed() -> None:
    @dataclass
    class Loose:
        patch: tuple[int, int, int] = (4, 1, 8)
        overlap: float = 0.5
        window: str = "tapered"
        largest = GOOD.largest
        keep = GOOD.keep

    with pytest.raises(SeparationError, match="Loose is a dataclass that is not frozen"):
        check_separator(Loose())


def test_a_plain_object_may_be_a_method() -> None:
    class Plain:
        patch, overlap, window = GOOD.patch, GOOD.overlap, GOOD.window

        def largest(self, batch: PatchBatch) -> float:
            return GOOD.largest(batch)

        def keep(self, batch: PatchBatch, strictness: float, reference: float) -> Any:
            return GOOD.keep(batch, strictness, reference)

    check_separator(Plain())


@pytest.mark.parametrize(
    ("choice", "message"),
    [
        (FkThreshold, "FkThreshold is no separator method: it is a class"),
        (object(), "object is no separator method: it lacks patch"),
        (FkThreshold(patch=(0, 1, 8)), r"patch \(0, 1, 8\) is no window"),
        (FkThreshold(patch=8), "patch 8 is no window"),
        (FkThreshold(overlap=0.0), "overlap is 0"),
    ],
)
def test_what_is_no_method_is_refused(choice: Any, message: str) -> None:
    with pytest.raises(SettingsError, match=message):
        choose_method(choice, 2, 8)
    assert issubclass(SettingsError, DeblendError)
