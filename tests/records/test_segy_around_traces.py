"""What stands around the traces of a SEG-Y file: texts, further headers, trailers, delays."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from segy_bytes import BIG, LITTLE, PAIRWISE, START_NS, SegyFile, number

from deblend.errors import RecordError, TimeError
from deblend.records.open import open_recording
from deblend.records.segy.gathers import open_trace_file

ONE = number("f", 1.0, BIG)
PLAIN = SegyFile([ONE * 5, ONE * 5], 5)
END = b"((SEG: EndText))"


def text(content: bytes, codec: str = "ascii") -> bytes:
    return content.decode().ljust(3200).encode(codec)


def opened(tmp_path, file: SegyFile, **options):
    path = tmp_path / "a.sgy"
    path.write_bytes(file.bytes())
    return open_recording(path, **({"time_scale": "gps"} | options))


def check(recording) -> None:
    assert recording.start_ns == START_NS
    np.testing.assert_array_equal(recording.read([0, 1], 0, 5), np.ones((2, 5)))


@pytest.mark.parametrize("codec", ["ascii", "cp037"])
@pytest.mark.parametrize("end", [END, b"(( seg:ENDTEXT ))"])
def test_open_number_of_texts_ends_with_its_stanza(tmp_path, codec, end):
    """SEG-Y revision 1, section 6: stanza names do not mind upper and lower case."""
    texts = [text(b"((SEG: Layout))", codec), text(b"more", codec), text(end, codec)]
    check(opened(tmp_path, replace(PLAIN, texts=texts, text_count=-1)))


def test_without_the_stanza_the_begin_of_the_traces_is_unknown(tmp_path):
    with pytest.raises(RecordError, match=r"no stanza \(\(SEG: EndText\)\) ends them"):
        opened(tmp_path, replace(PLAIN, texts=[text(b"more")], text_count=-1))


@pytest.mark.parametrize("revision", [(2, 0), (2, 1)])
@pytest.mark.parametrize("order", [BIG, LITTLE, PAIRWISE])
def test_unknown_headers_before_extension_1_are_passed_over(tmp_path, revision, order):
    samples = number("f", 1.0, order) * 5
    file = SegyFile(
        [samples, samples], 5, 5, order, revision, other_headers=[b"VENDOR01", b"\xc1" * 8]
    )
    check(opened(tmp_path, file))


def test_name_of_extension_1_may_be_ebcdic(tmp_path):
    data = PLAIN.bytes().replace(b"SEG00001", "SEG00001".encode("cp037"))
    (tmp_path / "a.sgy").write_bytes(data)
    check(open_recording(tmp_path / "a.sgy", time_scale="gps"))


def test_fewer_headers_than_the_most_that_are_announced(tmp_path):
    """Bytes 3507-3510 give a maximum, bytes 157-158 of extension 1 the number."""
    data = bytearray(PLAIN.bytes())
    data[3506:3510] = number("I", 3, BIG)
    (tmp_path / "a.sgy").write_bytes(data)
    check(open_recording(tmp_path / "a.sgy", time_scale="gps"))


def test_without_extension_1_the_start_is_known_to_the_second(tmp_path):
    file = replace(PLAIN, extended=False, other_headers=[b"VENDOR01"])
    with pytest.raises(TimeError, match="no trace header extension 1"):
        opened(tmp_path, file)
    whole = opened(tmp_path, file, start_is_exact=True)
    assert whole.start_ns == START_NS // 10**9 * 10**9


@pytest.mark.parametrize("trailers", [0, 1, 3])
@pytest.mark.parametrize("trace_count", [0, 2])
@pytest.mark.parametrize("codec", ["ascii", "cp037"])
def test_open_number_of_trailers(tmp_path, trailers, trace_count, codec):
    file = replace(
        PLAIN,
        trailers=[text(b"((SEG: Measurement Units ver 1.0))", codec)] * trailers,
        trailer_count=-1,
        trace_count=trace_count,
    )
    check(opened(tmp_path, file))


@pytest.mark.parametrize("trace_count", [0, 2])
def test_trailers_that_do_not_fit(tmp_path, trace_count):
    path = tmp_path / "a.sgy"
    file = replace(PLAIN, trailer_count=-1, trace_count=trace_count)
    path.write_bytes(file.bytes() + b"((" + bytes(100))
    with pytest.raises(RecordError, match="none fits the size of the file"):
        open_recording(path, time_scale="gps")


@pytest.mark.parametrize(
    ("delay", "scalar", "expected_ms"),
    # SEG-Y revision 2.0, bytes 215-216: -10 with 123 is 12.3 ms
    [(123, -10, 12.3), (-200, 0, -200.0), (5, 100, 500.0), (7, 1, 7.0), (-4000, -1000, -4.0)],
)
def test_a_delay_is_a_finding_and_shifts_nothing(tmp_path, delay, scalar, expected_ms):
    recording = opened(tmp_path, replace(PLAIN, delay=delay, delay_scalar=scalar))
    check(recording)
    (finding,) = recording.findings
    assert (finding.metric, finding.unit, finding.verdict) == ("delay_recording_time", "ms", "look")
    assert finding.value == pytest.approx(expected_ms)
    with pytest.raises(RecordError, match=r"trace 1 begins .* ms after its shot"):
        open_trace_file(tmp_path / "a.sgy", ())


def test_weights_of_integer_samples_are_a_finding(tmp_path):
    samples = number("h", 1, BIG) * 5
    file = SegyFile([samples, samples], 5, 3, weight=2)
    (finding,) = opened(tmp_path, file).findings
    assert (finding.metric, finding.value) == ("trace_weighting_factor", 2.0)
    assert finding.verdict == "fail"  # 2 for trace 1, 4 for trace 2
    assert opened(tmp_path, replace(PLAIN, weight=2)).findings == ()


def test_gathers_take_nonzero_words_of_extension_1(tmp_path):
    """'Nonzero values override the standard words' (SEG-Y revision 2.0, extension 1)."""
    data = bytearray(PLAIN.bytes())
    first = 3600
    data[first + 8 : first + 12] = number("i", 77, BIG)
    data[first + 240 + 24 : first + 240 + 32] = number("q", 5_000_000_000, BIG)
    path = tmp_path / "a.sgy"
    path.write_bytes(data)
    traces = open_trace_file(path, ("field_record", "ensemble"))
    assert traces.words["field_record"].tolist() == [77, 0]
    assert traces.words["ensemble"].tolist() == [5_000_000_000, 0]
    np.testing.assert_array_equal(traces.read(np.arange(2)), np.ones((2, 5)))
