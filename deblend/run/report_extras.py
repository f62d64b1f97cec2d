"""Reads what other steps and commands left beside a run, for its report."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from deblend.report.archive import read_arrays
from deblend.report.extras import Extras
from deblend.report.metric_maps import MetricMaps
from deblend.run.output_folder import MAPS

_LABELS = ("source", "shot_point", "channel", "window_start", "window_stop")


def read_extras(folder: Path) -> Extras:
    """What is there of maps and other results; what is missing is left out.

    Parameters
    ----------
    folder : Path
        Folder of the results.

    Raises
    ------
    InputError
        If a file that is there is damaged.
    """
    maps = folder / MAPS
    return Extras(maps=read_maps(maps) if maps.exists() else None)


def read_maps(path: Path) -> MetricMaps | None:
    """The maps that `deblend.run.quality_maps` wrote; None where a label is missing.

    Raises
    ------
    InputError
        If the file is damaged.
    """
    arrays = read_arrays(path)
    if any(name not in arrays for name in _LABELS):
        return None
    shape = tuple(arrays[name].size for name in ("source", "channel", "window_start"))
    values = {
        name: np.asarray(array, np.float32)
        for name, array in arrays.items()
        if array.shape == shape and array.dtype.kind == "f" and name not in _LABELS
    }
    windows = zip(arrays["window_start"].tolist(), arrays["window_stop"].tolist(), strict=True)
    return MetricMaps(
        arrays["source"], arrays["shot_point"], arrays["channel"], tuple(windows), values
    )
