"""Arrays too large for memory, in a file that is thrown away."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deblend.errors import OutputError, reason_of


def scratch_array(path: Path, shape: tuple[int, ...]) -> NDArray[np.float32]:
    """An array of zeros in a new file.

    All of its room on the disk is taken at once: a disk that gets full while mapped memory is
    written ends the process without a word.

    Parameters
    ----------
    path : Path
        File to be made.
    shape : tuple of int
        Of the array.

    Raises
    ------
    OutputError
        If there is no room for it.
    """
    try:
        array: NDArray[np.float32] = np.lib.format.open_memmap(
            path, mode="w+", dtype=np.float32, shape=shape
        )
        with path.open("r+b") as file:
            os.posix_fallocate(file.fileno(), 0, path.stat().st_size)
    except OSError as error:
        size_gb = 4e-9 * float(np.prod(shape))
        raise OutputError(
            f"there is no room for {size_gb:.2g} GB beside the results ({reason_of(error)})",
            where=str(path.parent),
            remedy="Make space, or name a folder on another disk.",
        ) from error
    return array
