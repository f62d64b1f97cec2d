"""Energies of some shots, put into the rows of the whole line, so that those of spans add up."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

_Energy = TypeVar("_Energy", bound=Any)


def in_line_rows(energy: _Energy, rows: NDArray[np.int64], total: int) -> _Energy:
    """The same dataclass with its arrays, whose first axis is the shot, in `total` rows.

    Parameters
    ----------
    energy : dataclass
        Arrays of shape (row, ...); numbers stay as they are.
    rows : ndarray of int64, shape (row,)
        Where they belong.
    total : int
        Rows of the line; the others are zero.
    """
    if len(rows) == total and np.array_equal(rows, np.arange(total)):
        return energy
    changed = {}
    for part in fields(energy):
        value = getattr(energy, part.name)
        if isinstance(value, np.ndarray):
            whole = np.zeros((total, *value.shape[1:]), value.dtype)
            whole[rows] = value
            changed[part.name] = whole
    return replace(energy, **changed)
