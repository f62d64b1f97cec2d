"""Every reader keeps the contract, and the contract suite notices those that do not."""

from __future__ import annotations

import os
import re
import struct
import sys
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from outside_package import READER_CODE, install

from deblend.errors import RecordError
from deblend.model.recording import Gap, Recording
from deblend.model.segy_layout import ibm_from_ieee, ieee_from_ibm
from deblend.records.find_files import find_files
from deblend.records.open import open_recording
from deblend.records.readers import FIRST_BYTES, PUBLISHED, READERS, Reader, choose_reader
from deblend.synth.segd_write import write_continuous_segd
from deblend.synth.segy_write import write_continuous_segy
from deblend.testing.check_reader import check_reader, check_reader_entry

START_NS = 1_748_779_203 * 10**9
INTERVAL_NS = 2_000_000
CHANNELS = np.array([5, 3, 9, 1, 2, 11], dtype=np.int64)
FACTS = {"interval_ns": INTERVAL_NS, "start_ns": START_NS, "channel_numbers": CHANNELS}
PARTS = ((0, 20000), (20000, 41234), (43000, 60000))


def some_truth(seed=0):
    """Values that IBM float holds exactly, with a gap between the last two parts."""
    values = np.random.default_rng(seed).standard_normal((6, 60000)).astype(np.float32)
    values = ieee_from_ibm(ibm_from_ieee(values))
    values[:, PARTS[1][1] : PARTS[2][0]] = np.nan
    return values


def write_segy(folder, truth, sample_format=5):
    for start, stop in PARTS:
        write_continuous_segy(
            folder / f"{start}.sgy",
            truth[:, start:stop],
            interval_ns=INTERVAL_NS,
            start_ns=START_NS + start * INTERVAL_NS,
            time_scale="gps",
            channel_numbers=CHANNELS,
            sample_format=sample_format,
        )
    return FACTS


def write_segd(folder, truth):
    for start, stop in PARTS:
        write_continuous_segd(
            folder / f"{start}.segd",
            truth[:, start:stop],
            interval_ns=INTERVAL_NS,
            start_ns=START_NS + start * INTERVAL_NS,
            time_scale="gps",
            streamer_channels=(4, 2),
        )
    return FACTS | {"channel_numbers": np.arange(1, 7)}


def write_toy(folder, truth):
    header = struct.pack("<4s2i4x2q", b"TOY1", *truth.shape, START_NS, INTERVAL_NS)
    (folder / "all.toy").write_bytes(header + truth.astype("<f4").tobytes())
    return FACTS | {"channel_numbers": np.arange(1, 7)}


WRITERS = {
    "SEG-Y, IEEE float": ("SEG-Y", write_segy),
    "SEG-Y, IBM float": ("SEG-Y", partial(write_segy, sample_format=1)),
    "SEG-D": ("SEG-D", write_segd),
    "published": ("toy", write_toy),
}


@pytest.fixture(autouse=True)
def published(tmp_path_factory, monkeypatch):
    """Another package publishes a reader, and three that are broken in different ways."""
    site = tmp_path_factory.mktemp("site")
    plugins = {
        "toy": "outside_readers:Toy",
        "aaa-failing": "outside_readers:Failing",
        "aaa-missing": "outside_readers:NotThere",
        "aaa-number": "outside_readers:MARK",
    }
    install(site, "outside-readers", {"outside_readers.py": READER_CODE}, plugins, PUBLISHED.group)
    monkeypatch.syspath_prepend(site)
    yield
    sys.modules.pop("outside_readers", None)


@pytest.mark.parametrize(("name", "write"), WRITERS.values(), ids=WRITERS)
def test_every_reader(tmp_path, name, write):
    """Found by its files, whatever else is installed, and true to the contract."""
    folder = tmp_path / "records"
    folder.mkdir()

    def rewrite(seed=1):
        other = some_truth(seed)
        if name == "toy":
            other = np.nan_to_num(other)
        facts = write(folder, other)
        for path in folder.iterdir():  # readers refuse a file that has changed: keep its time
            os.utime(path, ns=(START_NS, START_NS))
        return other, facts

    truth, facts = rewrite(seed=0)
    paths = find_files(str(folder / "*"))
    chosen = choose_reader(paths)
    assert chosen.name == name
    check_reader_entry(
        chosen.reader, paths, truth, time_scale="gps", **facts, rewrite=lambda: rewrite()[0]
    )
    opened = open_recording(str(folder / "*"), time_scale="gps")
    assert opened.shape == truth.shape


def test_built_in_readers_are_asked_first_and_know_only_their_own(tmp_path):
    for suffix, writer in (("sgy", write_segy), ("segd", write_segd)):
        folder = tmp_path / suffix
        folder.mkdir()
        writer(folder, some_truth())
    begins = {
        name: next((tmp_path / folder).iterdir()).read_bytes()[:FIRST_BYTES]
        for name, folder in (("SEG-Y", "sgy"), ("SEG-D", "segd"))
    }
    for name, reader in READERS.items():
        knows = {other for other, begin in begins.items() if reader.is_mine(Path("a"), begin)}
        assert knows == {name}


def test_files_of_several_readers_are_refused(tmp_path):
    write_toy(tmp_path, np.zeros((6, 10), np.float32))
    write_segy(tmp_path, some_truth())
    with pytest.raises(RecordError, match=r"\.sgy: the file is no toy, but .*all\.toy is"):
        choose_reader(find_files(str(tmp_path / "*")))


def test_a_refusal_names_readers_that_could_not_be_asked(tmp_path):
    (tmp_path / "a.other").write_bytes(bytes(5000))
    with pytest.raises(RecordError, match="bytes 3225-3226 read 0") as caught:
        open_recording(tmp_path / "a.other", time_scale="gps")
    for text in (
        r"reader 'aaa-failing' cannot be loaded \(ZeroDivisionError: no luck",
        r"reader 'aaa-missing' cannot be loaded \(AttributeError",
        r"reader 'aaa-number' lacks is_mine, open, shots",
    ):
        assert re.search(text, str(caught.value))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"is_mine": lambda path, begin: False}, "is_mine does not know all.toy"),
        ({"is_mine": lambda path, begin: True}, "is_mine knows a file of 0 bytes"),
        ({"shots": lambda paths, time_scale: "none"}, "shots came as str of time scale None"),
    ],
)
def test_breaches_of_an_entry_are_noticed(tmp_path, change, message):
    facts = write_toy(tmp_path, np.nan_to_num(some_truth()))
    toy = choose_reader([tmp_path / "all.toy"]).reader
    parts = {"is_mine": toy.is_mine, "open": toy.open, "shots": toy.shots} | change
    with pytest.raises(RecordError, match=f"contract of readers: {message}"):
        check_reader_entry(
            Reader(**parts), [tmp_path / "all.toy"], some_truth(), time_scale="gps", **facts
        )


GAP = Gap(PARTS[1][1], PARTS[2][0])


def recording_of(samples, **changes):
    settings = {
        "interval_s": 0.002,
        "start": START_NS,
        "time_scale": "gps",
        "channels": tuple(CHANNELS.tolist()),
        "gaps": (GAP,),
    } | changes
    return Recording(samples, **settings)


def test_samples_in_memory():
    truth = some_truth()
    check_reader(lambda: recording_of(truth), truth, **FACTS)


class Source:
    """Samples read through a function that may break the contract."""

    def __init__(self, truth, read):
        self.shape = truth.shape
        self.read = read


TRUTH = some_truth()
BREACHES = {
    "eager": (lambda: recording_of(TRUTH + 0), "opening took"),
    "other start": (lambda: recording_of(TRUTH, start=START_NS + 1), "start_ns is"),
    "other channels": (lambda: recording_of(TRUTH, channels=()), "channel_numbers is"),
    "false gap": (lambda: recording_of(TRUTH, gaps=(Gap(5, 9),)), "within the declared gap 5 to 9"),
    "empty gap": (lambda: recording_of(TRUTH, gaps=(replace(GAP, stop=GAP.start),)), "is empty"),
    "zeros in gaps": (lambda: recording_of(Source(TRUTH, zeros_in_gaps)), "sample 41234 reads 0"),
    "double precision": (lambda: recording_of(Source(TRUTH, as_double)), "came as float64"),
    "sorted rows": (lambda: recording_of(Source(TRUTH, sorted_rows)), "row 5, sample 0 reads"),
    "late by one": (lambda: recording_of(Source(TRUTH, late)), "row 0, sample 0 reads"),
    "view": (lambda: recording_of(Source(VIEWED, view)), "writing into what was read changed"),
}
VIEWED = some_truth()


def zeros_in_gaps(rows, start, stop):
    return np.nan_to_num(TRUTH[list(rows), start:stop])


def as_double(rows, start, stop):
    return TRUTH[list(rows), start:stop].astype(np.float64)


def sorted_rows(rows, start, stop):
    return TRUTH[sorted(rows), start:stop]


def late(rows, start, stop):
    return np.roll(TRUTH, 1, axis=1)[list(rows), start:stop]


def view(rows, start, stop):
    return VIEWED[rows[0] : rows[-1] + 1, start:stop] if rows == sorted(set(rows)) else None


@pytest.mark.parametrize(("open_function", "message"), BREACHES.values(), ids=BREACHES)
def test_breaches_are_noticed(open_function, message):
    with pytest.raises(RecordError, match=f"contract of readers: .*{message}"):
        check_reader(open_function, TRUTH, **FACTS)


def test_samples_kept_from_opening_are_noticed():
    stored = some_truth()
    kept = stored.copy()

    def rewrite():
        stored[:] = some_truth(seed=1)
        return stored

    with pytest.raises(RecordError, match="keep no copy"):
        check_reader(lambda: recording_of(kept), stored, **FACTS, rewrite=rewrite)


def test_limits_that_are_not_kept_are_noticed(monkeypatch):
    monkeypatch.setattr(
        Recording, "read", lambda self, rows, start, stop: self.source.read(rows, start, stop)
    )
    with pytest.raises(RecordError, match=r"were read from a record of \(6, 60000\)"):
        check_reader(lambda: recording_of(TRUTH), TRUTH, **FACTS)
