"""Faults planted in navigation files and SEG-D headers, and whether each is found without samples.

    python -m benchmarks.input_check.navigation_faults --seeds 50

P1/11, P1/90 and SPS are written by `navigation_files` from the tables of the standards, SEG-D of
revision 3 by the byte tables of the tests. A fault counts as found where the file is refused or a
finding asks for a look or fails; without one, anything that does is false.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from itertools import product
from pathlib import Path
from typing import Final

import numpy as np

from benchmarks.input_check.navigation_files import Towed, degrees, p111_text, p190_text, sps_text
from benchmarks.result import Number, keep
from deblend.errors import DeblendError, NavigationError
from deblend.line.line_file import read_line_file
from deblend.line.open_line import open_line
from deblend.model.findings import Finding
from deblend.model.geometry import Geometry
from deblend.model.timebase import parse_instant
from deblend.records.navigation.join import join_positions
from deblend.records.navigation.open import read_positions
from deblend.synth.acquisition import Acquisition, Streamer, TowedSource, true_shots
from deblend.synth.firing import Dither, Firing

_TESTS = Path(__file__).parents[2] / "tests" / "records" / "segd"
sys.path.insert(0, str(_TESTS))

from segd_bytes import Record, Set  # noqa: E402
from segd_line import FILE_US, FILES, fired, one_set, pulses, write_line  # noqa: E402

NAME: Final = "input_check.navigation_faults"
EACH: Final = 12
"""Channels of each of two streamers."""
CHANNELS: Final = np.arange(1, 2 * EACH + 1)
WRITERS: Final = {"p111": p111_text, "p190": p190_text, "sps": sps_text}

Change = Callable[[Towed, np.random.Generator], Towed]


def _with_receivers(towed: Towed, x_m: np.ndarray, y_m: np.ndarray) -> Towed:
    return replace(towed, geometry=replace(towed.geometry, receiver_x_m=x_m, receiver_y_m=y_m))


def _receivers(towed: Towed) -> tuple[np.ndarray, np.ndarray]:
    return towed.geometry.receiver_x_m.copy(), towed.geometry.receiver_y_m.copy()


def _with_sources(towed: Towed, x_m: np.ndarray, y_m: np.ndarray) -> Towed:
    return replace(towed, shots=replace(towed.shots, x_m=x_m, y_m=y_m))


def _exchanged(towed: Towed, random: np.random.Generator) -> Towed:
    return _with_receivers(towed, *_receivers(towed)[::-1])


def _all_exchanged(towed: Towed, random: np.random.Generator) -> Towed:
    towed = _exchanged(towed, random)
    return _with_sources(towed, towed.shots.y_m, towed.shots.x_m)


def _at_zero(towed: Towed, random: np.random.Generator) -> Towed:
    x_m, y_m = _receivers(towed)
    row = random.integers(len(x_m))
    x_m[row] = y_m[row] = 0.0
    return _with_receivers(towed, x_m, y_m)


def _source_jump(size_m: float, towed: Towed, random: np.random.Generator) -> Towed:
    x_m = towed.shots.x_m.copy()
    x_m[random.integers(4, len(x_m) - 4)] += size_m * random.choice([-1.0, 1.0])
    return _with_sources(towed, x_m, towed.shots.y_m)


def _all_step(towed: Towed, random: np.random.Generator) -> Towed:
    row = int(random.integers(10, len(towed.shots) - 10))
    x_m, y_m = _receivers(towed)
    x_m[row:] += 500.0
    sources = towed.shots.x_m.copy()
    sources[row:] += 500.0
    return _with_sources(_with_receivers(towed, x_m, y_m), sources, towed.shots.y_m)


def _receiver_jump(towed: Towed, random: np.random.Generator) -> Towed:
    x_m, y_m = _receivers(towed)
    x_m[random.integers(len(x_m)), random.integers(3, EACH - 2)] += 60.0
    return _with_receivers(towed, x_m, y_m)


def _turned(towed: Towed, random: np.random.Generator) -> Towed:
    x_m, y_m = _receivers(towed)
    row = int(random.integers(3, len(x_m) - 3))
    east, north = x_m[row, :EACH] - x_m[row, 0], y_m[row, :EACH] - y_m[row, 0]
    x_m[row, :EACH] += 0.25 * north
    y_m[row, :EACH] -= 0.25 * east
    return _with_receivers(towed, x_m, y_m)


def _heights(towed: Towed, random: np.random.Generator) -> Towed:
    return replace(towed, shots=replace(towed.shots, depth_m=-towed.shots.depth_m))


def _sources_exchanged(towed: Towed, random: np.random.Generator) -> Towed:
    source = np.array(towed.shots.source)
    other = np.where(source == 1, 2, np.where(source == 2, 1, source))
    return replace(towed, shots=replace(towed.shots, source=other))


def _shots_missing(towed: Towed, random: np.random.Generator) -> Towed:
    first = int(random.integers(5, len(towed.shots) - 8))
    kept = np.ones(len(towed.shots), np.bool_)
    kept[first : first + 3] = False
    old = towed.geometry
    geometry = Geometry(
        old.offset_m[kept], old.receiver_x_m[kept], old.receiver_y_m[kept], old.receiver_depth_m
    )
    return replace(towed, shots=towed.shots.take(kept), geometry=geometry)


def _zone(towed: Towed, random: np.random.Generator) -> Towed:
    return replace(towed, code=32731, system="WGS 84 / UTM zone 31S", to_degrees=degrees)


def _degrees_off(towed: Towed, random: np.random.Generator) -> Towed:
    def off(east: float, north: float) -> tuple[float, float]:
        longitude, latitude = degrees(east, north)
        return longitude, latitude + 1 / 60

    return replace(towed, to_degrees=off)


NAVIGATION: Final[dict[str, tuple[Change | None, tuple[str, ...]]]] = {
    "none": (None, ("p111", "p190", "sps")),
    "receivers east for north": (_exchanged, ("p111", "p190", "sps")),
    "east for north throughout": (_all_exchanged, ("p111", "p190", "sps")),
    "receivers at 0, 0": (_at_zero, ("p111", "p190", "sps")),
    "source jumps by 500 m": (partial(_source_jump, 500.0), ("p111", "p190", "sps")),
    "source jumps by 25 m": (partial(_source_jump, 25.0), ("p111", "p190", "sps")),
    "everything steps by 500 m": (_all_step, ("p111", "p190", "sps")),
    "receiver jumps by 60 m": (_receiver_jump, ("p111", "p190", "sps")),
    "streamer turns by 14 degrees": (_turned, ("p111", "p190", "sps")),
    "heights for depths": (_heights, ("p111",)),
    "two sources exchanged": (_sources_exchanged, ("p111", "p190", "sps")),
    "three shots missing": (_shots_missing, ("p111", "p190", "sps")),
    "zone of the other hemisphere": (_zone, ("p111",)),
    "degrees a minute off": (_degrees_off, ("p111", "p190")),
    "channels three too high": (None, ("p111", "p190", "sps")),
    "both streamers on the same channels": (None, ("p111", "p190")),
}
"""What is changed, and the formats that can hold it."""
SEGD: Final = (
    "none",
    "file missing",
    "file missing, numbering anew",
    "traces 8 ms after their record",
    "units differ",
    "hour 27 in one header",
    "skew in every file",
)


def made_line(seed: int) -> Towed:
    """Three sources in turn and two streamers of unlike feather, heading anywhere."""
    random = np.random.default_rng((seed, 0xA4))
    heading = float(random.uniform(0.0, 360.0))
    feather = random.uniform(-8.0, 8.0, 2)
    plans = [
        true_shots(
            Acquisition(
                sources=(TowedSource(-30.0), TowedSource(0.0), TowedSource(30.0)),
                streamer=Streamer(
                    EACH, 12.5, 150.0, 8.0, crossline_m=side, feather_deg=float(angle)
                ),
                firing=Firing("sequential", 5.4, 20, Dither(0.2)),
                speed_m_s=2.3,
                start_ns=parse_instant("2024-06-01T12:00:03.5", "utc"),
                time_scale="utc",
                heading_deg=heading,
                origin_x_m=456_000.0,
                origin_y_m=6_480_000.0,
                line_name="1001",
                first_shot_point=5060,
            ),
            seed=seed,
        )
        for side, angle in zip((-50.0, 50.0), feather, strict=True)
    ]
    names = ("offset_m", "receiver_x_m", "receiver_y_m", "receiver_depth_m")
    arrays = (
        np.concatenate([getattr(plan.geometry, name) for plan in plans], axis=-1) for name in names
    )
    return Towed(plans[0].shots, Geometry(*arrays), np.repeat([1, 2], EACH))


def in_navigation(fault: str, form: str, seed: int) -> list[str]:
    """What asks for a look in one file, or that it is refused."""
    plan = made_line(seed)
    change = NAVIGATION[fault][0]
    towed = plan if change is None else change(plan, np.random.default_rng((seed, 0xFA)))
    text = WRITERS[form](towed)
    firsts = {"channels three too high": (4, EACH + 4)}.get(fault, (1, EACH + 1))
    if fault == "both streamers on the same channels":
        firsts = (1, 1)
    streamers = {"p111": ("S1", "S2"), "p190": ("1", "2")}.get(form)
    if streamers is None and firsts[0] > 1:
        text = sps_text(towed, first_channel=firsts[0])
    unknown = np.full(len(plan.shots), np.nan)
    bare = replace(plan.shots, x_m=unknown, y_m=unknown, depth_m=unknown)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"line.{form}"
        path.write_text(text)
        try:
            joined = join_positions(
                bare,
                read_positions(path),
                channel_numbers=CHANNELS,
                source_names={f"G{source}": str(source) for source in plan.shots.sources}
                if form == "p111"
                else None,
                first_channel=dict(zip(streamers, firsts, strict=True)) if streamers else None,
            )
        except NavigationError:
            return ["refused"]
    return _wanted(joined.findings)


def in_headers(fault: str, seed: int) -> list[str]:
    """What asks for a look in the headers of a SEG-D line."""
    random = np.random.default_rng((seed, 0x5D))
    shots = fired(seed)
    number = int(random.integers(2, FILES - 2))
    if fault == "file missing, numbering anew":
        begin_us = shots[0].time_us + number * FILE_US
        shots = [
            replace(one, shot_point=one.shot_point - 60 * (one.time_us > begin_us)) for one in shots
        ]
    streamer = one_set(pulses(shots, seed))

    def sets(file: int) -> tuple[Set, ...]:
        (of,) = streamer(file)
        if fault == "traces 8 ms after their record":
            start_us = Record(()).start_us + file * FILE_US + 8000
            of = replace(of, own_start_us=(start_us,) * len(of.payload))
        if fault == "skew in every file":
            of = replace(of, skew=64)
        if fault == "units differ":
            return of, replace(of, number=2, streamer=2, unit=0x02)
        return (of,)

    def change(file: int, record: Record) -> Record:
        bad = fault == "hour 27 in one header" and file == number
        return replace(record, utc="24x153270000") if bad else record

    without = (number,) if fault.startswith("file missing") else ()
    with tempfile.TemporaryDirectory() as folder:
        path = write_line(Path(folder), shots, sets, without=without, change=change)
        try:
            findings = open_line(read_line_file(path)).findings
        except DeblendError:
            return ["refused"]
    listed = sum(f.value for f in findings if f.metric == "shots_of_missing_file")
    begin_us = Record(()).start_us + number * FILE_US
    lost = sum(begin_us <= one.time_us < begin_us + FILE_US for one in shots)
    exact = ["shots counted exactly"] if without and listed == lost else []
    return [*_wanted(findings), *exact]


def _wanted(findings: tuple[Finding, ...]) -> list[str]:
    return [finding.metric for finding in findings if finding.verdict in ("look", "fail")]


def found(case: tuple[str, str, int]) -> tuple[str, list[str]]:
    """Format and fault of a case, and what asks for a look in it."""
    form, fault, seed = case
    kinds = in_headers(fault, seed) if form == "segd" else in_navigation(fault, form, seed)
    return f"{form}, {fault}", kinds


def main() -> None:
    """Plant, look, count."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=50)
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    options = parser.parse_args()
    kinds = [(form, fault) for fault, (_, forms) in NAVIGATION.items() for form in forms]
    kinds += [("segd", fault) for fault in SEGD]
    cases = [(*kind, seed) for kind, seed in product(kinds, range(options.seeds))]
    with ProcessPoolExecutor(options.processes) as pool:
        each = list(pool.map(found, cases, chunksize=8))
    numbers: dict[str, Number] = {"lines of each kind": options.seeds}
    for label in dict.fromkeys(label for label, _ in each):
        metrics = [metrics for other, metrics in each if other == label]
        numbers[f"{label}: lines with something found"] = sum(bool(one) for one in metrics)
        for metric in sorted({metric for one in metrics for metric in one}):
            numbers[f"{label}: {metric}"] = sum(metric in one for one in metrics)
    clean = [bool(metrics) for label, metrics in each if label.endswith(", none")]
    faulty = [bool(metrics) for label, metrics in each if not label.endswith(", none")]
    numbers["clean lines"], numbers["clean lines with something found"] = len(clean), sum(clean)
    numbers["faulty lines"], numbers["faulty lines found"] = len(faulty), sum(faulty)
    keep(NAME, numbers)


if __name__ == "__main__":
    main()
