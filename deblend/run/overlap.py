"""Reading and writing beside arithmetic, on a thread of their own."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")


def ahead(items: Iterable[T]) -> Iterator[T]:
    """The same items, each made in a thread while the one before it is used.

    Parameters
    ----------
    items : iterable
        Whatever it raises is raised in its place. One item more than without `ahead` is in memory.
    """
    source = iter(items)
    end = object()
    with ThreadPoolExecutor(1) as beside:
        coming = beside.submit(next, source, end)
        while (item := coming.result()) is not end:
            coming = beside.submit(next, source, end)
            yield item  # type: ignore[misc]  # only `end` is no item
