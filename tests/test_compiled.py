"""Compiled code is kept where that can be, and does without where it cannot."""

from __future__ import annotations

import numba.core.caching
import pytest

from deblend import compiled


def add(first: float, second: float) -> float:
    return first + second


@pytest.fixture
def no_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    """No folder can be written: numba knows none of those where it looks."""
    monkeypatch.setattr(numba.core.caching.CacheImpl, "_locator_classes", [])
    compiled._warn_once.cache_clear()


@pytest.mark.usefixtures("no_folder")
def test_without_a_writable_folder_code_is_compiled_and_that_is_said_once() -> None:
    with pytest.warns(compiled.NotKept, match="cannot be kept.*Set NUMBA_CACHE_DIR") as said:
        first, _ = (compiled.compiler(nogil=True)(add) for _ in range(2))
    assert len(said) == 1
    assert first(1.0, 2.0) == 3.0


def test_other_errors_of_the_compiler_are_not_taken_for_that(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def broken(*options: object, **more: object) -> object:
        raise RuntimeError("something else")

    monkeypatch.setattr("numba.njit", broken)
    with pytest.raises(RuntimeError, match="something else"):
        compiled.compiler()(add)
