"""Methods for the host bring the batches of a device over."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from deblend.separation.contract import PatchBatch
from deblend.separation.methods.curvelet import CurveletThreshold
from deblend.separation.methods.median import StructureMedian
from deblend.testing.separator_batches import batch_of


class DeviceArray:
    """An array that NumPy cannot use before it is fetched."""

    def __init__(self, host):
        self.host = host
        self.shape = host.shape
        self.__array_interface__ = None

    def get(self):
        return self.host

    def __len__(self):
        return len(self.host)


@pytest.mark.parametrize("method", [StructureMedian(), CurveletThreshold()])
def test_a_batch_of_a_device(method):
    amplitude = np.random.default_rng(0).standard_normal((2, 2, 16, 1, 64)).astype(np.float32)
    host = batch_of(amplitude)
    device = PatchBatch(
        DeviceArray(host.amplitude),
        DeviceArray(host.live),
        DeviceArray(host.noise),
        host.interval_s,
        SimpleNamespace(asarray=DeviceArray),
    )
    reference = method.largest(host)
    assert method.largest(device) == reference
    kept = method.keep(device, 0.1, reference)
    assert isinstance(kept, DeviceArray)
    np.testing.assert_array_equal(kept.host, method.keep(host, 0.1, reference))
