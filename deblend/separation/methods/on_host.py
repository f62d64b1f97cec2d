"""For methods that only run on the host: batches of a device brought over."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from deblend.arrays import is_host, to_host

if TYPE_CHECKING:
    from deblend.separation.contract import PatchBatch


def on_host(batch: PatchBatch) -> PatchBatch:
    """A batch in NumPy arrays; the batch itself if it is there already."""
    if is_host(batch.xp):
        return batch
    return replace(
        batch,
        amplitude=to_host(batch.amplitude),
        live=to_host(batch.live),
        noise=to_host(batch.noise),
        xp=np,
    )
