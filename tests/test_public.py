"""The public names of the package, and the calls that outside code relies on."""

from __future__ import annotations

import inspect

import pytest

import deblend

SEPARATE = {
    "length_s": inspect.Parameter.empty,
    "method": "auto",
    "iterations": 60,
    "seed": 0,
    "refine_times": False,
    "residual": "leave_out",
    "robust": True,
    "return_leakage": False,
    "device": "auto",
    "callback": None,
    "quality": False,
}


@pytest.mark.parametrize("name", deblend.__all__)
def test_every_public_name_is_there(name: str) -> None:
    value = getattr(deblend, name)
    assert name == "__version__" or value.__doc__


def test_names_are_sorted_and_few() -> None:
    assert sorted(deblend.__all__) == sorted(set(deblend.__all__)) == dir(deblend)
    assert len(deblend.__all__) <= 30


def test_other_names_are_refused() -> None:
    with pytest.raises(AttributeError, match="has no attribute 'deblended'"):
        _ = deblend.deblended


def test_separate_keeps_its_parameters() -> None:
    parameters = inspect.signature(deblend.separate).parameters
    assert list(parameters)[:2] == ["recording", "shots"]
    named = {name: parameter for name, parameter in parameters.items() if name in SEPARATE}
    assert {name: parameter.default for name, parameter in named.items()} == SEPARATE
    assert all(parameter.kind is parameter.KEYWORD_ONLY for parameter in named.values())


def test_no_public_call_takes_any_keyword() -> None:
    for name in deblend.__all__:
        value = getattr(deblend, name)
        if callable(value) and not issubclass(type(value), type(BaseException)):
            kinds = {parameter.kind for parameter in inspect.signature(value).parameters.values()}
            assert inspect.Parameter.VAR_KEYWORD not in kinds, name
