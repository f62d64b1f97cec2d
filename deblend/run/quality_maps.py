"""Maps of likeness of kept and removed part, as a file."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from deblend.files import replacing
from deblend.qc.likeness_maps import WindowProducts, likeness_maps
from deblend.qc.measure_plan import MeasurePlan
from deblend.separation.job import Job


def write_maps(path: Path, plan: MeasurePlan, products: WindowProducts, job: Job) -> None:
    """Write the maps as a NumPy archive: float32 arrays (shot, channel, window) and their labels.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    maps = likeness_maps(products, plan, job.recording.channel_numbers)
    arrays = {str(name): maps[name].values.astype(np.float32) for name in maps.data_vars}
    labels = {str(name): np.asarray(maps[name].values) for name in maps.coords}
    with replacing(path) as file:
        np.savez_compressed(file, **arrays, **labels, allow_pickle=False)
