"""Reading ahead of what is being used."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")


def prefetched(items: Iterable[T]) -> Iterator[T]:
    """Items, each made in a thread while the one before it is used.

    Parameters
    ----------
    items : iterable
        Whatever it raises is raised in its place. One item more than without this is in memory.
    """
    source = iter(items)
    end = object()
    with ThreadPoolExecutor(1) as thread:
        next_item = thread.submit(next, source, end)
        while (item := next_item.result()) is not end:
            next_item = thread.submit(next, source, end)
            yield item  # type: ignore[misc]  # only `end` is no item
