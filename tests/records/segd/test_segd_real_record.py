"""A real revision 2.1 record of a land node: expected values derived by hand from its bytes."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

import deblend
from deblend.records.open import open_recording
from deblend.records.segd.gps_time import gps_us_to_utc_s
from deblend.records.segd.read_headers import read_records

PATH = Path(deblend.__file__).parents[2] / "shared" / "data" / "land-node-rev2.1.segd"
pytestmark = pytest.mark.skipif(
    not PATH.exists(), reason="the folder ../shared with the real record is absent"
)

# General header 1, bytes 0-31:  00 00 80 58 00 00 00 00 00 05 21 21 28 20 06 00
#                                61 00 00 00 00 00 40 02 00 8f ff 01 16 00 32 32
# -> year 21, 2 further blocks, day 128, 20:06:00, 40h/16 = 4 ms, 16 sets, 32 + 32 header blocks.
HEADER_SIZE = 32 * (1 + 2 + 16 + 32 + 32)
# Channel set 1, bytes 96-127: end time 01F4h x 2 ms = 1000 ms; descale 00 84 -> MP = -1; 0359
# channels; 7 trace header extensions. First extension, bytes 8-10: 00 00 FB = 251 samples.
CHANNELS, SAMPLES = 359, 251
TRACE_SIZE = 20 + 7 * 32 + 4 * SAMPLES


def test_headers() -> None:
    (record,) = read_records(PATH)
    general = record.general
    assert general.revision == (2, 1)
    assert general.format_code == 8058
    # 2021 begins 18628 days after 1970 (51 years with 13 leap days); day 128 is 127 days later.
    assert general.utc_s == (18628 + 127) * 86400 + 20 * 3600 + 6 * 60
    assert general.base_interval_ns == 4_000_000
    assert (general.scan_types, general.channel_sets) == (1, 16)
    assert (general.extended_blocks, general.external_blocks) == (32, 32)
    assert general.size == HEADER_SIZE == 2656
    used = [of for of in record.sets if of.channels]
    assert len(used) == 1
    assert used[0].channels == CHANNELS
    assert used[0].kind == "seismic"
    assert used[0].end_us == 1_000_000
    assert used[0].descale == 0.5
    assert used[0].extensions == 7
    assert record.end == PATH.stat().st_size == HEADER_SIZE + CHANNELS * TRACE_SIZE == 450_688


def test_traces() -> None:
    (record,) = read_records(PATH)
    assert len(record.traces) == CHANNELS
    assert set(record.traces.samples.tolist()) == {SAMPLES}
    assert record.traces.number.tolist() == list(range(1, CHANNELS + 1))
    assert record.traces.position[0] == HEADER_SIZE + 244
    assert record.findings == ()


def test_samples() -> None:
    recording = open_recording(PATH, time_scale="utc", start_is_exact=True)
    assert recording.shape == (CHANNELS, SAMPLES)
    assert recording.interval_s == 0.004
    # Bytes 2900-2919 hold 3C03D600 BBF42400 BC864700 BC56D800 BD127C00. The first is
    # 2^(78h-7Fh) (1 + 03D600h/2^23); MP = -1 halves it.
    first = recording.read([0], 0, 5)[0]
    by_hand = [
        2.0**-7 * (1 + 0x03D600 / 2**23),
        -(2.0**-8) * (1 + 0x742400 / 2**23),
        -(2.0**-6) * (1 + 0x064700 / 2**23),
        -(2.0**-7) * (1 + 0x56D800 / 2**23),
        -(2.0**-5) * (1 + 0x127C00 / 2**23),
    ]
    assert first.tolist() == [value / 2 for value in by_hand]
    data = PATH.read_bytes()
    for row in (0, 1, 200, 358):
        at = HEADER_SIZE + row * TRACE_SIZE + 244
        stored = np.array(struct.unpack_from(f">{SAMPLES}f", data, at))
        np.testing.assert_array_equal(recording.read([row], 0, SAMPLES)[0], stored / 2)


def test_a_gps_microsecond_of_the_maker_agrees_with_the_date_of_the_record() -> None:
    # The second trace header extension of the first trace, the recorder's own, starts with
    # 00 04 A2 78 CA 24 62 80: read as microseconds since 1980-01-06 it is the date of general
    # header 1, when GPS was 18 s ahead of UTC.
    at = HEADER_SIZE + 20 + 32
    stamp = PATH.read_bytes()[at : at + 8]
    assert stamp.hex() == "0004a278ca246280"
    (record,) = read_records(PATH)
    microseconds = int.from_bytes(stamp, "big")
    assert microseconds / 1e6 + 315_964_800 - 18 == record.general.utc_s
    assert gps_us_to_utc_s(microseconds) == record.general.utc_s
