"""Kernels written for a card: compiled by CuPy on first use, for the sizes of the moment.

They stand where arrays alone would pass over memory several times. Each has an array form beside
it, which is what other namespaces use and what it is tested against.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any, Final

THREADS: Final = 256
"""Of one block of a kernel."""
_SOURCE: Final = Path(__file__).parent


def on_card(xp: ModuleType) -> bool:
    """Whether the namespace is that of CuPy."""
    return xp.__name__ == "cupy"


@cache
def kernel(file: str, name: str, **constants: int) -> Any:
    """A compiled function of a file with CUDA source, such as ``"separation/windows.cu"``.

    Constants are defined when it is compiled: divisions by a known number are cheap, and loops over
    it are unrolled.
    """
    import cupy

    source = (_SOURCE / file).read_text(encoding="ascii")
    defined = tuple(f"-D{key}={value}" for key, value in constants.items())
    return cupy.RawKernel(source, name, options=("--std=c++17", f"-DTHREADS={THREADS}", *defined))


def launch(function: Any, blocks: Sequence[int], arguments: Sequence[Any]) -> None:
    """Start a kernel with `THREADS` threads a block; nothing to do where a count is zero."""
    if all(blocks):
        function(tuple(blocks), (THREADS,), tuple(arguments))


def blocks_of(count: int) -> int:
    """Blocks for so many elements, a thread each."""
    return -(-count // THREADS)
