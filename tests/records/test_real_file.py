"""A real revision 0 file with IBM floats, read through the byte tables and by segyio."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import segyio

from deblend.errors import RecordError
from deblend.model import segy_layout as layout
from deblend.records.open import open_recording

REAL = Path(__file__).parents[1] / "data" / "north-sea-two-shots.sgy"


def test_tables_and_ibm_floats_agree_with_segyio():
    data = REAL.read_bytes()
    count = 600
    trace = np.dtype([("header", layout.TRACE_HEADER), ("samples", ">u4", count)])
    traces = np.frombuffer(data, trace, offset=3600)
    with segyio.open(REAL, ignore_geometry=True) as file:
        np.testing.assert_array_equal(layout.ieee_from_ibm(traces["samples"]), file.trace.raw[:])
        for name, word in (("offset", 37), ("channel", 13), ("field_record", 9), ("year", 157)):
            np.testing.assert_array_equal(traces["header"][name], file.attributes(word)[:])


def test_gathers_are_no_continuous_record():
    with pytest.raises(RecordError, match=r"channel \d+ occurs 2 times|hold no date|differs from"):
        open_recording(REAL, time_scale="utc", start_is_exact=True)
