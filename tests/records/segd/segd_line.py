"""A line in SEG-D of revision 3 from the byte tables: three sources in turn, files of 12 s."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from segd_bytes import START_US, Record, Set, air_gun, event

FILE_US = 12_000_000
FILES = 10
SAMPLES = FILE_US // 4000
CHANNELS = 4
FIRST_POINT = 1001
SOURCES = 3
LINE_TOML = """
[records]
files = ["*.segd"]
time_scale = "gps"
{records}
{tables}
[separation]
length_s = 2.5
iterations = 2
[separation.settings]
patch = [8, 1, 16]
[quality]
expected_error = false
[output]
folder = "separated"
"""


@dataclass(frozen=True)
class Fired:
    """One shot of the line."""

    source: int
    shot_point: int
    time_us: int


def fired(seed: int = 3, interval_us: int = 1_800_000, dither_us: int = 150_000) -> list[Fired]:
    """Shots of the line: sources in turn, numbered through, from a second after its begin on."""
    random = np.random.default_rng(seed)
    count = (FILES * FILE_US - 4_000_000) // interval_us
    delays = random.integers(-dither_us, dither_us + 1, count) if dither_us else [0] * count
    return [
        Fired(
            turn % SOURCES + 1,
            FIRST_POINT + turn,
            START_US + 1_000_000 + turn * interval_us + int(delays[turn]),
        )
        for turn in range(count)
    ]


def set_of(samples: np.ndarray, **fields: object) -> Set:
    """A channel set of the rows of `samples` at 4 ms."""
    payload = tuple(row.astype(">f4").tobytes() for row in samples)
    return replace(Set(payload, samples.shape[1], interval_us=4000), **fields)  # type: ignore[arg-type]


def pulses(shots: list[Fired], seed: int = 4) -> np.ndarray:
    """What four channels record of the line: a pulse a shot, later with offset, and noise."""
    random = np.random.default_rng(seed)
    record = 0.02 * random.standard_normal((CHANNELS, FILES * SAMPLES))
    shape = np.hanning(12) * np.sin(np.linspace(0.0, 2.0 * np.pi, 12))
    for shot in shots:
        for channel in range(CHANNELS):
            at = round((shot.time_us - START_US) / 4000) + 30 + 4 * channel
            record[channel, at : at + 12] += shape
    return record.astype(np.float32)


def write_line(
    folder: Path,
    shots: list[Fired],
    sets: Callable[[int], tuple[Set, ...]],
    *,
    without: tuple[int, ...] = (),
    records: str = "",
    tables: str = "",
    change: Callable[[int, Record], Record] = lambda number, record: record,
) -> Path:
    """Files of the line but those in `without`, and its line file.

    `sets` gives the channel sets of a file by its number, `change` may alter the headers of one.
    """
    for number in range(FILES):
        begin_us = START_US + number * FILE_US
        own = [shot for shot in shots if begin_us <= shot.time_us < begin_us + FILE_US]
        blocks = tuple(
            block
            for shot in own
            for block in (
                air_gun(shot.source, "0003E90000", f"{shot.shot_point:06x}0000"),
                event(shot.source, shot.time_us),
            )
        )
        minute, second = divmod(number * FILE_US // 1_000_000, 60)
        record = Record(
            sets(number),
            start_us=begin_us,
            utc=f"24x15312{minute:02d}{second:02d}",
            file_number=100 + number,
            blocks=blocks,
        )
        if number not in without:
            (folder / f"f{number}.segd").write_bytes(change(number, record).bytes())
    path = folder / "line.toml"
    path.write_text(LINE_TOML.format(records=records, tables=tables))
    return path


def one_set(record: np.ndarray) -> Callable[[int], tuple[Set, ...]]:
    """The record of the streamer in one set."""
    return lambda number: (set_of(record[:, number * SAMPLES : (number + 1) * SAMPLES]),)
