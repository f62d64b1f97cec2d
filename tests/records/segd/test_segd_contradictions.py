"""Headers of SEG-D that contradict each other: each is a finding that names what is wrong, once."""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from segd_bytes import START_NS, START_US, Record, Set, floats, revision_2_record
from segd_line import FILES, fired, one_set, pulses, write_line

from deblend.cli.main import main
from deblend.errors import RecordError
from deblend.model.findings import Finding
from deblend.model.recording import Recording
from deblend.records.open import open_recording

ONE = Set((floats(1, 2, 3, 4), floats(5, 6, 7, 8)), 4)


def opened(tmp_path: Path, *records: bytes) -> Recording:
    for number, data in enumerate(records):
        (tmp_path / f"r{number}.segd").write_bytes(data)
    return open_recording(str(tmp_path / "*.segd"), time_scale="gps")


def only(recording: Recording, metric: str) -> Finding:
    (finding,) = [finding for finding in recording.findings if finding.metric == metric]
    return finding


@pytest.mark.parametrize("extended", [0, 1])
@pytest.mark.parametrize("late_us", [8000, -8000, 3])
def test_general_header_3_against_block_42(tmp_path: Path, late_us: int, extended: int) -> None:
    of = replace(ONE, own_start_us=(START_US + late_us,) * 2)
    recording = opened(tmp_path, Record((of,), minor=1, extended=extended).bytes())
    finding = only(recording, "trace_time")
    assert finding.value == late_us / 1000
    assert finding.verdict == "look"
    assert f"block 42 of 2 of 2 traces is {late_us / 1000:+g} ms" in finding.message
    assert recording.start_ns == START_NS + late_us * 1000


def test_block_42_that_follows_its_channel_set_is_right(tmp_path: Path) -> None:
    of = replace(ONE, start_us=6000, own_start_us=(START_US + 6000,) * 2)
    assert opened(tmp_path, Record((of,)).bytes()).findings == ()


def test_one_trace_at_another_time(tmp_path: Path) -> None:
    of = replace(ONE, own_start_us=(START_US, START_US + 8000))
    finding = only(opened(tmp_path, Record((of,)).bytes()), "trace_time")
    assert "block 42 of 1 of 2 traces is +8 ms" in finding.message


def test_units_that_differ_are_named(tmp_path: Path) -> None:
    in_bar = replace(ONE, number=2, unit=0x02, streamer=2)
    finding = only(opened(tmp_path, Record((ONE, in_bar)).bytes()), "amplitude_units")
    assert finding.verdict == "look"
    assert "µPa in channel set 1 of" in finding.message
    assert "bar in channel set 2 of" in finding.message
    later = Record((replace(ONE, unit=0x12),)).but(start_us=START_US + 8000, utc="24x153120000")
    recording = opened(tmp_path, Record((ONE,)).bytes(), later)
    assert "Pa in channel set 1 of" in only(recording, "amplitude_units").message
    assert "r1.segd" in only(recording, "amplitude_units").message


def test_units_of_sets_that_are_not_read_do_not_matter(tmp_path: Path) -> None:
    auxiliary = replace(ONE, number=2, unit=0x02, kind=0x92)
    found = opened(tmp_path, Record((ONE, auxiliary)).bytes()).findings
    assert [finding.metric for finding in found] == ["channel_sets_left_out"]


BAD = (
    ("24x153270000", "hour 27"),
    ("24x1531b0000", "hour 1B"),
    ("24x153126100", "minute 61"),
    ("24x400120000", "day of year 400"),
    ("23x366120000", "day of year 366 of 2023"),
)


@pytest.mark.parametrize(("utc", "words"), BAD)
@pytest.mark.parametrize("alone", [True, False])
def test_a_bad_date_in_one_header_is_that(
    tmp_path: Path, utc: str, words: str, alone: bool
) -> None:
    records = [Record((ONE,), utc=utc).bytes()]
    if not alone:
        records.append(Record((ONE,)).but(start_us=START_US + 8000))
    recording = opened(tmp_path, *records)
    finding = only(recording, "header_date")
    assert finding.message.startswith(
        f"{tmp_path}/r0.segd, file number 77: {words} in general header 1;"
    )
    assert recording.start_ns == START_NS
    assert recording.shape == (2, 4 if alone else 8)


@pytest.mark.parametrize("first", [True, False])
def test_a_bad_hour_of_revision_2_is_refused_by_its_name(tmp_path: Path, first: bool) -> None:
    good = revision_2_record((floats(1, 2),), end_2ms=2, samples=2)
    bad = revision_2_record((floats(1, 2),), end_2ms=2, samples=2, utc="241153270001")
    for number, data in enumerate((bad, good) if first else (good, bad)):
        (tmp_path / f"r{number}.segd").write_bytes(data)
    with pytest.raises(RecordError, match="hour 27 in general header 1 is no time"):
        open_recording(str(tmp_path / "*.segd"), time_scale="utc", start_is_exact=True)


def test_what_every_file_shows_is_said_once_a_set(tmp_path: Path) -> None:
    shots = fired()
    streamer = one_set(pulses(shots))

    def sets(number: int) -> tuple[Set, ...]:
        (port,) = streamer(number)
        port = replace(port, skew=64, edit=(3, 0, 0, 0))
        starboard = replace(port, number=2, streamer=2, skew=32, edit=())
        return port, replace(starboard, descale=struct.pack(">f", 0.0))

    write_line(tmp_path, shots, sets)
    recording = open_recording(str(tmp_path / "*.segd"), time_scale="gps")
    skewed = [finding for finding in recording.findings if finding.metric == "sample_skew"]
    assert [finding.value for finding in skewed] == [500.0, 250.0]  # of 2 ms, the base interval
    assert f"and {FILES - 1} more of {FILES} records: samples of channel set 1 are skewed" in (
        skewed[0].message
    )
    metrics = [finding.metric for finding in recording.findings]
    assert len(metrics) == len(set(metrics)) + 1


def test_contradictions_show_on_the_command_line(tmp_path: Path) -> None:
    shots = fired()
    streamer = one_set(pulses(shots))

    def sets(number: int) -> tuple[Set, ...]:
        (of,) = streamer(number)
        at_us = START_US + number * 12_000_000 + 8000
        return (replace(of, own_start_us=(at_us,) * len(of.payload)),)

    def change(number: int, record: Record) -> Record:
        return replace(record, utc="24x153270000") if number == 2 else record

    path = write_line(tmp_path, shots, sets, change=change)
    shown = CliRunner().invoke(main, ["check", str(path)])
    assert shown.exit_code == 1
    text = " ".join(shown.output.split())
    assert "hour 27 in general header 1" in text
    assert "block 42 of 4 of 4 traces is +8 ms" in text
