"""Sample formats: worked values of SEG-D Rev 3.0 section 4 and Rev 3.1, and kernels by arrays."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from array_decoding import decode_arrays
from segd_bytes import Record, Set, floats, revision_2_record

from deblend.errors import RecordError
from deblend.records.segd.channel_sets import descale_exponent
from deblend.records.segd.decode import FORMATS, decode_into
from deblend.records.segd.open import open_segd

WORKED = {
    8036: ("7FFFFF 800000 FFFFFF", [8388607.0, -8388608.0, -1.0]),
    9036: ("FFFF7F 000080 FFFFFF", [8388607.0, -8388608.0, -1.0]),
    8038: ("00000001 FFFFFFFE 7FFFFF00", [1.0, -2.0, 2147483392.0]),
    9038: ("01000000 FEFFFFFF 00FFFF7F", [1.0, -2.0, 2147483392.0]),
    8058: ("3F800000 BFC00000", [1.0, -1.5]),
    9058: ("0000803F 0000C0BF", [1.0, -1.5]),
    8080: ("3FF0000000000000 BFF8000000000000", [1.0, -1.5]),
    9080: ("000000000000F03F 000000000000F8BF", [1.0, -1.5]),
    8048: ("41100000 C1180000 4276A000", [1.0, -1.5, 118.625]),
    8015: ("1230 4000 BFFF 2000 0000", [1.0, -2.0, 2.0, 0.0]),
}


@pytest.mark.parametrize("code", sorted(FORMATS))
def test_worked_values(code: int) -> None:
    text, expected = WORKED[code]
    raw = np.frombuffer(bytes.fromhex(text), np.uint8)[None, :]
    out = np.empty((1, len(expected)), np.float32)
    decode_into(raw, FORMATS[code], np.ones(1, np.float32), out)
    assert out[0].tolist() == expected
    decode_into(raw, FORMATS[code], np.full(1, 0.5, np.float32), out)
    assert out[0].tolist() == [value / 2 for value in expected]


@pytest.mark.parametrize("code", [8015, 8036, 8048, 9036])
def test_kernel_equals_array_form(code: int) -> None:
    generator = np.random.default_rng(code)
    form = FORMATS[code]
    raw = generator.integers(0, 256, (5, form.size(203)), dtype=np.uint8)
    factor = generator.normal(size=5).astype(np.float32)
    compiled, plain = np.empty((2, 5, 203), np.float32)
    decode_into(raw, form, factor, compiled)
    decode_arrays(raw, form, factor, plain)
    np.testing.assert_array_equal(compiled, plain)


@pytest.mark.parametrize("code", sorted(FORMATS))
def test_every_format_through_a_file(code: int, tmp_path: Path) -> None:
    form = FORMATS[code]
    generator = np.random.default_rng(code)
    raw = generator.integers(0, 256, (3, form.size(50)), dtype=np.uint8)
    if form.numpy_type.endswith(("f4", "f8")):
        raw = generator.normal(size=(3, 50)).astype(form.numpy_type).view(np.uint8)
    expected = np.empty((3, 50), np.float32)
    decode_arrays(raw, form, np.ones(3, np.float32), expected)
    path = tmp_path / "line.segd"
    of = Set(tuple(row.tobytes() for row in raw), 50)
    path.write_bytes(Record((of,), code=str(code), minor=1).bytes())
    recording = open_segd(path, time_scale="gps")
    np.testing.assert_array_equal(recording.read([0, 1, 2], 0, 50), expected)
    np.testing.assert_array_equal(recording.read([2, 0], 7, 31), expected[[2, 0], 7:31])
    np.testing.assert_array_equal(recording.read([1], 9, 10), expected[[1], 9:10])


def test_values_beyond_float32_become_infinite() -> None:
    raw = np.frombuffer(bytes.fromhex("7FFFFFFE FFFFFFFE"), np.uint8)[None, :]
    out = np.empty((1, 2), np.float32)
    decode_into(raw, FORMATS[8048], np.ones(1, np.float32), out)
    assert out[0].tolist() == [np.inf, -np.inf]


@pytest.mark.parametrize(
    ("field", "exponent"),
    [("7E00", 0.123046875), ("008E", -3.5), ("0000", 0.0), ("0084", -1.0)],
)
def test_descale_exponent_of_revision_2(field: str, exponent: float) -> None:
    # SEG-D Rev 2.1, 8.5, bytes 7-8: low byte first, sign and magnitude, steps of 1/1024.
    assert descale_exponent(np.frombuffer(bytes.fromhex(field), np.uint8)) == exponent


def test_descaled_samples_of_revision_2(tmp_path: Path) -> None:
    path = tmp_path / "line.segd"
    path.write_bytes(revision_2_record((floats(1.0, -8.0),), end_2ms=2, samples=2, descale="008E"))
    recording = open_segd(path, time_scale="utc", start_is_exact=True)
    assert recording.amplitude_unit == "mV"
    factor = np.float32(2.0**-3.5)
    assert recording.read([0], 0, 2)[0].tolist() == [factor, -8 * factor]
    stored = open_segd(path, time_scale="utc", start_is_exact=True, amplitudes="stored")
    assert stored.amplitude_unit == "recorded unit"
    assert stored.read([0], 0, 2)[0].tolist() == [1.0, -8.0]


def test_multiplier_and_sensitivity_of_revision_3(tmp_path: Path) -> None:
    path = tmp_path / "line.segd"
    of = Set((floats(3.0, 6.0), floats(3.0, 6.0)), 2, descale=floats(0.5), sensitivity=(4.0, 0.0))
    path.write_bytes(Record((of,)).bytes())
    physical = open_segd(path, time_scale="gps")
    assert physical.read([0, 1], 0, 2).tolist() == [[0.375, 0.75], [1.5, 3.0]]
    assert physical.amplitude_unit == "µPa"
    assert [f.metric for f in physical.findings] == ["sensitivity"]
    descaled = open_segd(path, time_scale="gps", amplitudes="descaled")
    assert descaled.read([0, 1], 0, 2).tolist() == [[1.5, 3.0], [1.5, 3.0]]
    assert descaled.amplitude_unit == "mV"
    stored = open_segd(path, time_scale="gps", amplitudes="stored")
    assert stored.read([0, 1], 0, 2).tolist() == [[3.0, 6.0], [3.0, 6.0]]


@pytest.mark.parametrize("multiplier", ["00000000", "7FC00000", "7F800000"])
def test_useless_multiplier_is_said_and_not_used(multiplier: str, tmp_path: Path) -> None:
    path = tmp_path / "line.segd"
    of = Set((floats(3.0, 6.0),), 2, descale=bytes.fromhex(multiplier))
    path.write_bytes(Record((of,)).bytes())
    recording = open_segd(path, time_scale="gps")
    assert recording.read([0], 0, 2).tolist() == [[3.0, 6.0]]
    assert [f.metric for f in recording.findings] == ["descale_multiplier"]


@pytest.mark.parametrize(
    ("code", "message"),
    [
        ("0058", "sample format 0058 is multiplexed"),
        ("8022", "sample format 8022 is not decoded"),
        ("0200", "sample format 0200 is multiplexed"),
        ("0000", "sample format 0000 is not decoded"),
    ],
)
def test_other_formats_are_refused(code: str, message: str, tmp_path: Path) -> None:
    path = tmp_path / "line.segd"
    path.write_bytes(Record((Set((floats(1.0),), 1),), code=code).bytes())
    with pytest.raises(RecordError, match=message):
        open_segd(path, time_scale="gps")
