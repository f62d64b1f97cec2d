"""A finished folder that no separation made: its gathers are known numbers."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from queue import Queue

import numpy as np
from numpy.typing import NDArray

from deblend.deliver.manifest import file_record
from deblend.deliver.segy import write_source_segy
from deblend.line.line_file import read_line_file
from deblend.line.open_line import open_line
from deblend.line.prepare_line import prepare_line
from deblend.model.findings import Finding, findings_csv
from deblend.model.place import Place
from deblend.model.shots import Shots, make_shots
from deblend.model.timebase import parse_instant
from deblend.records.shot_table import write_shots
from deblend.results.deliverable import source_gathers
from deblend.run.delivery import file_name
from deblend.synth.segy_write import write_continuous_segy
from deblend.view.serve import Viewing, viewing

INTERVAL_NS = 4_000_000
CHANNELS, SHOTS, LENGTH = 6, 24, 100
START = parse_instant("2025-02-03T04:05:06.250", "utc")
LINE = """\
name = "Known <line>"
[records]
files = ["records.sgy"]
time_scale = "utc"
[shots]
file = "shots.csv"
[geometry]
nearest_offset_m = 80.0
group_interval_m = 12.5
[separation]
length_s = 0.4
[output]
folder = "separated"
"""
FINDINGS = (
    Finding("dead_channel", float("nan"), "", "look", "Channel 4 is dead.", channel=4),
    Finding(
        "alike_windows", 60.0, "%", "fail", "Alike.", source=2, channel=5, shot_point=1011,
        window_s=(0.1, 0.2),
    ),
    Finding("shot_delay", 4.0, "ms", "look", "Shot is late.", shot_point=1014),
    Finding("interference_left", 7.0, "%", "look", "Left.", source=1, window_s=(0.2, 0.4)),
    Finding("energy_removed", -3.0, "dB", "note", "Removed.", source=1),
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class KnownLine:
    """The line and what was delivered of it."""

    out: Path
    shots: Shots
    record: NDArray[np.float32]
    """(channel, time)."""
    delivered: NDArray[np.float32]
    """(shot, channel, time); the first shot begins before the record and is not delivered."""


def known_shots() -> Shots:
    """Two sources in turn, at whole samples; the first shot lies before the record."""
    number = np.arange(SHOTS)
    samples = 60 * number + np.random.default_rng(4).integers(0, 20, SHOTS)
    samples[0] = -30
    return make_shots(
        1 + number % 2,
        1001 + number,
        START + samples * INTERVAL_NS,
        "utc",
        x_m=500_000 + 0.6 * number,
        y_m=np.full(SHOTS, 6_500_000.0),
    )


def write_maps(path: Path, shots: Shots) -> None:
    """One cell of source 1 has most interference in the second window."""
    shape = (SHOTS, CHANNELS, 2)
    weight = np.zeros(shape, np.float32)
    weight[6, 2, 1] = 0.5
    np.savez(
        path,
        source=shots.source,
        shot_point=shots.shot_point,
        channel=np.arange(1, CHANNELS + 1),
        window_start=np.array([0.0, 0.2]),
        window_stop=np.array([0.2, 0.4]),
        interference_weight=weight,
        local_similarity=np.zeros(shape, np.float32),
    )


def make_known_line(folder: Path) -> KnownLine:
    """Write record, tables and results."""
    random = np.random.default_rng(5)
    shots = known_shots()
    record = random.standard_normal((CHANNELS, 60 * SHOTS + 140)).astype(np.float32)
    delivered = random.standard_normal((SHOTS, CHANNELS, LENGTH)).astype(np.float32)
    write_continuous_segy(
        folder / "records.sgy", record, interval_ns=INTERVAL_NS, start_ns=START,
        time_scale="utc", channel_numbers=np.arange(1, CHANNELS + 1),
    )  # fmt: skip
    write_shots(folder / "shots.csv", shots)
    line_file = folder / "line.toml"
    line_file.write_text(LINE)
    out = folder / "separated"
    (out / "delivered").mkdir(parents=True)
    opened = open_line(read_line_file(line_file))
    job = prepare_line(opened)
    for number, source in enumerate(job.shots.sources):
        rows = np.flatnonzero(job.delivered & (job.shots.source == source))
        known = replace(source_gathers(opened, job, rows, np.zeros(CHANNELS, bool), ()))
        write_source_segy(out / "delivered" / file_name(source, number), delivered[rows], known)
    (out / "findings.csv").write_text(findings_csv(FINDINGS))
    write_maps(out / "quality-maps.npz", shots)
    inputs = [line_file, folder / "records.sgy", folder / "shots.csv"]
    named = [vars(file_record(path, relative_to=out)) for path in inputs]
    (out / "manifest.json").write_text(json.dumps({"inputs": named, "outputs": []}))
    return KnownLine(out, shots, record, delivered)


@contextmanager
def served(folder: Path) -> Iterator[Viewing]:
    """A server in a thread, as long as it is needed."""
    started: Queue[Viewing] = Queue()

    def serve() -> None:
        asyncio.set_event_loop(asyncio.new_event_loop())
        with viewing(folder, Place()) as viewed:
            started.put(viewed)
            viewed.until_stopped()
        viewed.server.io_loop.close()

    thread = threading.Thread(target=serve)
    thread.start()
    viewed = started.get(timeout=60)
    try:
        yield viewed
    finally:
        viewed.server.io_loop.add_callback(viewed.server.io_loop.stop)
        thread.join(timeout=60)
