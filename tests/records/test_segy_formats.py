"""Sample formats and byte orders of SEG-Y, byte by byte, and as segyio writes them."""

from __future__ import annotations

import struct

import numpy as np
import pytest
import segyio
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from segy_bytes import BIG, LITTLE, PAIRWISE, START_NS, SegyFile, number, swapped

from deblend.errors import RecordError
from deblend.records.open import open_recording

WORDS = {
    # code: (hexadecimal big-endian words, values); SEG-Y revision 2.0, bytes 3225-3226.
    # Formats 1 and 5: the four examples of IBM and IEEE words; the others are two's complement,
    # unsigned and IEEE double by their definition.
    1: ("41100000 C1180000 40280000 4276A000", [1.0, -1.5, 0.15625, 118.625]),
    2: ("00000001 FFFFFFFF 7FFFFFFF 80000000", [1.0, -1.0, 2.0**31, -(2.0**31)]),
    3: ("0001 FFFF 7FFF 8000", [1.0, -1.0, 32767.0, -32768.0]),
    5: ("3F800000 BFC00000 3E200000 42ED4000", [1.0, -1.5, 0.15625, 118.625]),
    6: (
        "409F400000000000 404F400000000000 411BE15480000000 C064500000000000",
        [2000.0, 62.5, 456789.125, -162.5],
    ),
    7: ("000001 FFFFFF 7FFFFF 800000", [1.0, -1.0, 8388607.0, -8388608.0]),
    8: ("01 FF 7F 80", [1.0, -1.0, 127.0, -128.0]),
    9: (
        "0000000000000001 FFFFFFFFFFFFFFFF 7FFFFFFFFFFFFFFF 8000000000000000",
        [1.0, -1.0, 2.0**63, -(2.0**63)],
    ),
    10: ("00000001 FFFFFFFF 7FFFFFFF 80000000", [1.0, 2.0**32, 2.0**31, 2.0**31]),
    11: ("0001 FFFF 7FFF 8000", [1.0, 65535.0, 32767.0, 32768.0]),
    12: (
        "0000000000000001 FFFFFFFFFFFFFFFF 7FFFFFFFFFFFFFFF 8000000000000000",
        [1.0, 2.0**64, 2.0**63, 2.0**63],
    ),
    15: ("000001 FFFFFF 7FFFFF 800000", [1.0, 16777215.0, 8388607.0, 8388608.0]),
    16: ("01 FF 7F 80", [1.0, 255.0, 127.0, 128.0]),
}


def stored(code: int, order: str) -> bytes:
    words = [bytes.fromhex(word) for word in WORDS[code][0].split()]
    turn = {BIG: lambda word: word, LITTLE: lambda word: word[::-1], PAIRWISE: swapped}[order]
    return b"".join(map(turn, words))


def opened(tmp_path, file: SegyFile, **options):
    path = tmp_path / "a.sgy"
    path.write_bytes(file.bytes())
    return open_recording(path, **({"time_scale": "gps"} | options))


@pytest.mark.parametrize("order", [BIG, LITTLE, PAIRWISE])
@pytest.mark.parametrize("code", WORDS)
def test_words_of_every_format_and_byte_order(tmp_path, code, order):
    if order == PAIRWISE and code in (7, 15):
        with pytest.raises(RecordError, match=r"three bytes .* pairwise swapped file are not read"):
            opened(tmp_path, SegyFile([stored(code, order)], 4, code, order))
        return
    data = stored(code, order)
    recording = opened(tmp_path, SegyFile([data, data * 1, data], 4, code, order))
    assert recording.read(range(3), 0, 4).tolist() == [WORDS[code][1]] * 3
    assert recording.read([2, 0], 1, 3).tolist() == [WORDS[code][1][1:3]] * 2
    assert (recording.start_ns, recording.interval_ns) == (START_NS, 2_000_000)
    assert recording.channel_numbers.tolist() == [1, 2, 3]
    assert recording.findings == ()


def test_a_file_swapped_as_a_whole(tmp_path):
    """Programs that know no fields exchange single bytes and names, too: 02 00 becomes 00 02."""
    whole = bytearray(SegyFile([stored(5, BIG)] * 2, 4, order=BIG).bytes())
    whole[3200:] = swapped(bytes(whole[3200:]))
    assert whole[3296:3300] == bytes.fromhex("02010403")
    (tmp_path / "a.sgy").write_bytes(whole)
    recording = open_recording(tmp_path / "a.sgy", time_scale="gps")
    assert recording.start_ns == START_NS
    assert recording.read([1], 0, 4).tolist() == [WORDS[5][1]]


def test_constants_of_the_sheet():
    """The words by which `segy_bytes` puts files together: published hexadecimal examples."""
    assert number("I", 70000, BIG).hex() == "00011170"
    assert number("d", 62.5, BIG).hex() == "404f400000000000"
    assert number("i", 512_345_000, BIG).hex() == "1e89c3a8"
    assert number("I", 0x01020304, LITTLE).hex() == "04030201"
    assert number("I", 0x01020304, PAIRWISE).hex() == "02010403"


def test_obsolete_format_is_refused_by_name(tmp_path):
    with pytest.raises(RecordError, match=r"format 4 \(fixed point with gain\) is obsolete"):
        opened(tmp_path, SegyFile([bytes(16)], 4, 4))


SEGYIO_TYPES = {1: "f4", 2: "i4", 3: "i2", 5: "f4", 6: "f8", 8: "i1", 9: "i8"} | {
    10: "u4",
    11: "u2",
    12: "u8",
    16: "u1",
}


@pytest.mark.parametrize("endian", ["big", "little"])
@pytest.mark.parametrize(
    ("code", "kind"),
    SEGYIO_TYPES.items(),
)
def test_formats_that_segyio_writes(tmp_path, code, kind, endian):
    """segyio 1.9 leaves bytes 3297-3300 empty; they are set here for little-endian files."""
    generator = np.random.default_rng(code)
    if kind[0] == "f":
        truth = generator.standard_normal((3, 50)).astype(kind)
    else:
        limits = np.iinfo(kind)
        truth = generator.integers(limits.min, limits.max, (3, 50), dtype=kind, endpoint=True)
    spec = segyio.spec()
    spec.format, spec.samples, spec.tracecount = code, np.arange(50) * 4.0, 3
    spec.endian = endian
    path = tmp_path / "a.sgy"
    with segyio.create(path, spec) as file:
        file.bin[segyio.BinField.Interval] = 4000
        for trace in range(3):
            file.header[trace] = {13: 1 + trace, 157: 2024, 159: 153, 161: 12, 165: 3}
            file.trace[trace] = truth[trace]
    if endian == "little":
        with path.open("r+b") as file:
            file.seek(3296)
            file.write(bytes.fromhex("04030201"))
    recording = open_recording(path, time_scale="gps", start_is_exact=True)
    assert recording.start_ns == START_NS // 10**9 * 10**9
    tolerance = 2e-6 if code == 1 else 0
    np.testing.assert_allclose(
        recording.read(range(3), 0, 50), truth.astype(np.float32), rtol=tolerance
    )


@given(
    code=st.sampled_from([2, 3, 5, 6, 7, 8, 9, 10, 11, 12, 15, 16]),
    order=st.sampled_from([BIG, LITTLE, PAIRWISE]),
    revision=st.sampled_from([(2, 0), (2, 1)]),
    others=st.integers(0, 2),
    texts=st.integers(0, 2),
    trailers=st.integers(0, 2),
    channels=st.integers(1, 4),
    count=st.integers(1, 30),
    seed=st.integers(0, 99),
)
@settings(
    derandomize=True,
    max_examples=80,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_round_trip(
    tmp_path, code, order, revision, others, texts, trailers, channels, count, seed
):
    """Whatever is stored comes back, whatever stands around it."""
    width = len(bytes.fromhex(WORDS[code][0].split()[0]))
    if order == PAIRWISE and width == 3:
        order = BIG
    random = np.random.default_rng(seed)
    signed = code in (2, 3, 7, 8, 9)
    low, high = (-(2 ** (8 * width - 1)), 2 ** (8 * width - 1)) if signed else (0, 2 ** (8 * width))
    if code in (5, 6):
        values = random.standard_normal((channels, count)).astype(f"f{width}")
        words = [[struct.pack(f">{'fd'[width // 8]}", value) for value in row] for row in values]
    else:
        values = random.integers(
            low, high - 1, (channels, count), dtype=np.int64 if signed else np.uint64, endpoint=True
        )
        words = [[int(v).to_bytes(width, "big", signed=signed) for v in row] for row in values]
    turn = {BIG: lambda word: word, LITTLE: lambda word: word[::-1], PAIRWISE: swapped}[order]
    file = SegyFile(
        [b"".join(map(turn, row)) for row in words],
        count,
        code,
        order,
        revision,
        texts=[b"x" * 3200] * texts,
        other_headers=[b"OTHER %02d" % k for k in range(others)],
        trailers=[b"((SEG: Layout))".ljust(3200)] * trailers,
    )
    recording = opened(tmp_path, file)
    assert recording.start_ns == START_NS
    np.testing.assert_array_equal(
        recording.read(range(channels), 0, count), values.astype(np.float32)
    )
