"""Every reader keeps the contract, and the contract suite notices those that do not."""

from __future__ import annotations

import os
from dataclasses import replace

import numpy as np
import pytest

from deblend.errors import RecordError
from deblend.model.recording import Gap, Recording
from deblend.model.segy_layout import ibm_from_ieee, ieee_from_ibm
from deblend.records.open import open_recording
from deblend.records.segy_write import write_continuous_segy
from deblend.synth.segd_write import write_continuous_segd
from deblend.testing.check_reader import check_reader

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


def write_line(folder, truth, **settings):
    for start, stop in PARTS:
        write_continuous_segy(
            folder / f"{start}.sgy",
            truth[:, start:stop],
            interval_ns=INTERVAL_NS,
            start_ns=START_NS + start * INTERVAL_NS,
            time_scale="gps",
            channel_numbers=CHANNELS,
            **settings,
        )
    leave_no_trace(folder)


def leave_no_trace(folder):
    """The readers refuse a file that has changed: give all of them one time of change."""
    for path in folder.iterdir():
        os.utime(path, ns=(START_NS, START_NS))


@pytest.mark.parametrize("sample_format", [1, 5])
def test_continuous_segy(tmp_path, sample_format):
    truth = some_truth()
    write_line(tmp_path, truth, sample_format=sample_format)

    def rewrite():
        other = some_truth(seed=1)
        write_line(tmp_path, other, sample_format=sample_format)
        return other

    check_reader(
        lambda: open_recording(str(tmp_path / "*.sgy"), time_scale="gps"),
        truth,
        **FACTS,
        rewrite=rewrite,
    )


def test_continuous_segd(tmp_path):
    def write(truth):
        for start, stop in PARTS:
            write_continuous_segd(
                tmp_path / f"{start}.segd",
                truth[:, start:stop],
                interval_ns=INTERVAL_NS,
                start_ns=START_NS + start * INTERVAL_NS,
                time_scale="gps",
                streamer_channels=(4, 2),
            )
        leave_no_trace(tmp_path)
        return truth

    check_reader(
        lambda: open_recording(str(tmp_path / "*.segd"), time_scale="gps"),
        write(some_truth()),
        **(FACTS | {"channel_numbers": np.arange(1, 7)}),
        rewrite=lambda: write(some_truth(seed=1)),
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
