"""Compiled functions: kept on disk where there is a place for it, else compiled again each time.

What a read-only installation without a writable home folder compiles is lost with the process.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from functools import cache
from typing import Any


class NotKept(UserWarning):
    """Compiled code cannot be kept for the next run."""


def compiler(**options: Any) -> Callable[[Callable[..., Any]], Any]:
    """A decorator that compiles a function on first use and keeps the code for later runs.

    Options are those of ``numba.njit``, but for ``cache``.
    """
    import numba

    def compile_function(function: Callable[..., Any]) -> Any:
        try:
            return numba.njit(cache=True, **options)(function)
        except RuntimeError as error:  # numba found no folder that it can write
            if "cache" not in str(error):
                raise
            _warn_once()
            return numba.njit(**options)(function)

    return compile_function


@cache
def _warn_once() -> None:
    warnings.warn(
        "compiled code cannot be kept, because neither the installation nor a cache folder can be "
        "written: every run compiles for some seconds to a minute. Set NUMBA_CACHE_DIR to a folder "
        "that can be written",
        NotKept,
        stacklevel=3,
    )
