"""What the allocator keeps and gives back."""

from __future__ import annotations

import ctypes
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Final

import pytest

from deblend.memory import keep_freed_memory


def test_freed_memory_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[int, int]] = []
    library = SimpleNamespace(mallopt=lambda *what: asked.append(what))
    monkeypatch.setattr(ctypes, "CDLL", lambda name: library)
    keep_freed_memory()
    assert asked == [(-3, 32 << 20), (-1, 512 << 20)]
    monkeypatch.setattr(ctypes, "CDLL", lambda name: SimpleNamespace())  # not glibc
    keep_freed_memory()


HEAPS: Final = """
import ctypes, sys
from threading import Barrier, Thread
from deblend.memory import use_one_heap
library = ctypes.CDLL(None)
library.fopen.restype = library.malloc.restype = ctypes.c_void_p
library.malloc.argtypes = [ctypes.c_size_t]
use_one_heap()
together = Barrier(6)
def take():
    library.malloc(1000)
    together.wait()
threads = [Thread(target=take) for _ in range(6)]
[thread.start() for thread in threads], [thread.join() for thread in threads]
file = ctypes.c_void_p(library.fopen(sys.argv[1].encode(), b"w"))
library.malloc_info(0, file)
library.fclose(file)
"""


@pytest.mark.skipif(not hasattr(ctypes.CDLL(None), "malloc_info"), reason="not glibc")
def test_threads_share_one_heap(tmp_path: Path) -> None:
    found = tmp_path / "heaps.xml"
    subprocess.run([sys.executable, "-c", HEAPS, str(found)], check=True)
    assert found.read_text().count("<heap nr=") == 1
