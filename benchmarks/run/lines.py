"""Lines on disk for measurements of the run itself: cheap to make, as long as wanted."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.blending.operator import make_operator
from deblend.line.line_file import read_line_file
from deblend.line.open_line import open_line
from deblend.line.prepare_line import line_extent, prepare_line, program_bytes
from deblend.model.shots import Shots, make_shots
from deblend.records.shot_table import write_shots
from deblend.synth.segy_write import write_continuous_segy

INTERVAL_NS: Final = 4_000_000
EVERY_S: Final = 5.4
FILE_S: Final = 60.0
SOURCES: Final = 3
_LOOK_S: Final = 0.02


@dataclass(frozen=True)
class Used:
    """What a command took: wall and processor time in s, peak memory in GB, exit status."""

    wall_s: float
    processor_s: float
    peak_gb: float
    status: int


def made_shots(minutes: float) -> Shots:
    """Three sources that fire nearly together every 5.4 s, dithered by 0.6 s."""
    count = int((minutes * 60 - 12) / EVERY_S)
    random = np.random.default_rng(3)
    base_s = 2.0 + EVERY_S * np.arange(count)
    times_s = np.concatenate([base_s + random.uniform(0, 0.6, count) for _ in range(SOURCES)])
    return make_shots(
        np.repeat(np.arange(1, SOURCES + 1), count),
        np.tile(np.arange(count), SOURCES),
        np.rint(times_s * 1e9).astype(np.int64),
        "utc",
    )


def events(shots: Shots, channels: int, length: int) -> NDArray[np.float32]:
    """Gathers with a few curved events and a little noise, shape (shot, channel, time)."""
    random = np.random.default_rng(4)
    time_s = np.arange(length, dtype=np.float32) * 0.004
    offset = np.arange(channels, dtype=np.float32) / 64
    gathers = 0.02 * random.standard_normal((len(shots), channels, length), dtype=np.float32)
    for at, amplitude in ((0.3, 1.0), (0.9, -0.5), (1.6, 0.3), (2.4, 0.15)):
        arrival = np.sqrt(at**2 + offset**2) + 0.002 * np.sin(shots.shot_point / 9.0)[:, None]
        phase = (np.pi * 25 * (time_s - arrival[..., None].astype(np.float32))) ** 2
        gathers += np.float32(amplitude) * (1 - 2 * phase) * np.exp(-phase)
    return gathers


def make_line(
    folder: Path, minutes: float, channels: int, length_s: float, iterations: int, method: str
) -> Path:
    """Write records in files of a minute, shots and line file; one minute is repeated."""
    (folder / "records").mkdir(parents=True)
    shots = made_shots(minutes)
    write_shots(folder / "shots.csv", shots)
    total = round(minutes * 60e9 / INTERVAL_NS)
    step = round(FILE_S * 1e9 / INTERVAL_NS)
    for number, start in enumerate(range(0, total, step)):
        count = min(step, total - start)
        write_continuous_segy(
            folder / "records" / f"{number:04d}.sgy",
            _record(shots, start, count, channels, round(length_s * 1e9 / INTERVAL_NS)),
            interval_ns=INTERVAL_NS,
            start_ns=start * INTERVAL_NS,
            time_scale="utc",
            channel_numbers=np.arange(1, channels + 1),
        )
    path = folder / "line.toml"
    path.write_text(
        f'[records]\nfiles = ["records/*.sgy"]\ntime_scale = "utc"\n[shots]\nfile = "shots.csv"\n'
        f'[separation]\nlength_s = {length_s}\niterations = {iterations}\nmethod = "{method}"\n'
        'device = "cpu"\n[output]\nfolder = "out"\n',
        encoding="utf-8",
    )
    return path


def _record(
    shots: Shots, start: int, count: int, channels: int, length: int
) -> NDArray[np.float32]:
    """A stretch of the record: every shot that reaches into it, blended."""
    first = (shots.fire_time_ns // INTERVAL_NS) - start
    near = shots.take(np.flatnonzero((first > -length - 64) & (first < count + 64)))
    operator = make_operator(
        near,
        start_ns=start * INTERVAL_NS,
        interval_ns=INTERVAL_NS,
        sample_count=count,
        length=length,
    )
    record: NDArray[np.float32] = operator.blend(events(near, channels, length))
    return record


def run_command(*arguments: object) -> Used:
    """Run `deblend` with arguments, and measure it with all processes that it starts."""
    begin = time.perf_counter()
    process = subprocess.Popen(
        [Path(sys.executable).with_name("deblend"), *(str(part) for part in arguments)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    seen, ended = 0, 0
    while not ended:
        seen = max(seen, resident_bytes(process.pid))
        time.sleep(_LOOK_S)
        ended, status, usage = os.wait4(process.pid, os.WNOHANG)
    process.returncode = os.waitstatus_to_exitcode(status)
    return Used(
        time.perf_counter() - begin,
        usage.ru_utime + usage.ru_stime,
        max(usage.ru_maxrss * 1024, seen) / 1e9,
        process.returncode,
    )


def resident_bytes(process: int) -> int:
    """Memory of a process and all below it; what they share counts in each of them.

    A child that is still about to become another program has its parent's memory, not its own.
    """
    folder = Path(f"/proc/{process}")
    try:
        own = int((folder / "statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
        below = [part.read_text().split() for part in folder.glob("task/*/children")]
        command = (folder / "cmdline").read_bytes()
        others = [
            int(child)
            for part in below
            for child in part
            if Path(f"/proc/{child}/cmdline").read_bytes() != command
        ]
    except OSError:  # one of them has just ended
        return 0
    return own + sum(resident_bytes(child) for child in others)


def memory_for(line: Path, channels: int) -> int:
    """A budget in bytes for which one process cuts a line into blocks of so many channels."""
    opened = open_line(read_line_file(line))
    extent = line_extent(prepare_line(opened))
    arrays = extent.channel_bytes(extent.slots) * extent.wide_channels(channels)
    return program_bytes(opened.geometry) + arrays
