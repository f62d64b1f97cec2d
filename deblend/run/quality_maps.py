"""Maps of likeness of kept and removed part, as a file. DEVELOPERS.md lists its arrays."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from deblend.files import replacing
from deblend.qc.likeness_maps import WindowProducts, likeness_maps
from deblend.qc.measure_plan import MeasurePlan
from deblend.separation.job import Job


def write_maps(path: Path, plan: MeasurePlan, products: WindowProducts, job: Job) -> None:
    """Write the maps as a NumPy archive of plain arrays and their labels.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    maps = likeness_maps(products, plan, job.recording.channel_numbers)
    arrays = {str(name): np.asarray(maps[name].values) for name in (*maps.data_vars, *maps.coords)}
    with replacing(path) as file:  # uncompressed: packing noise would take longer than measuring it
        np.savez(
            file, lowest_frequency_hz=np.float64(plan.low_cut_hz), allow_pickle=False, **arrays
        )
