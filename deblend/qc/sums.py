"""Sums that are put together from parts of a line: field by field, and in the rows of the line."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, Self, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

Row = TypeVar("Row", bound=Any)


@dataclass(frozen=True, eq=False)
class Sums:
    """Base of dataclasses of which every field is a sum over channels or shots."""

    def __add__(self, other: Self) -> Self:
        """Field by field."""
        names = [field.name for field in fields(self)]
        return type(self)(*(getattr(self, name) + getattr(other, name) for name in names))


def in_line_rows(value: Row, rows: NDArray[np.int64], total: int) -> Row:
    """Values of some shots in the rows of the whole line, so that those of spans add up.

    Arrays of shape (row, ...) get `total` rows, zero where none belongs; other fields stay.
    """
    if len(rows) == total and np.array_equal(rows, np.arange(total)):
        return value
    if isinstance(value, np.ndarray):
        whole = np.zeros((total, *value.shape[1:]), value.dtype)
        whole[rows] = value
        return cast(Row, whole)
    arrays = {part.name: getattr(value, part.name) for part in fields(value)}
    return replace(
        value,
        **{
            name: in_line_rows(array, rows, total)
            for name, array in arrays.items()
            if isinstance(array, np.ndarray)
        },
    )
