"""Faults of single shots and channels, through the input check and through a separation.

    NUMBA_NUM_THREADS=1 python -m benchmarks.input_check.through_separate

Lines of three kinds: computed waves over earths of their own, recorded shots blended numerically
(`benchmarks.qc.verdict_lines`), and sums of events. For each line and fault: whether the sample
check names the shot (or channel), whether the comparison with its neighbours after the separation
does, and whether anything else is named that overlaps with no faulty shot. Some 8 minutes on 16
cores. Recorded lines have one channel and no positions: a channel of other polarity and a clock
that is early do not show there.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

import deblend
from benchmarks.input_check.input_faults import FaultyLine, plant_fault
from benchmarks.qc.verdict_lines import blended_gathers, verdict_lines, wave_design
from benchmarks.result import Number, keep
from deblend.check.channels import channel_findings
from deblend.check.headers.source_numbers import placed_as_other, source_consistency
from deblend.check.verify_samples import verify_against_samples
from deblend.model.findings import Finding
from deblend.model.timebase import NS_PER_S
from deblend.synth.build import build_line
from deblend.synth.line import MadeLine
from deblend.synth.scenes import make_scene

NAME = "input_check.through_separate"
SCENES = ("three-sources", "white-noise", "long-records")
RECORDED = ("two shots", "two shots dither", "receiver", "receiver halves")
LATE_MS = (5, 10, 20)
FAULTS = (
    "none",
    *(f"late {late} ms" for late in LATE_MS),
    "misfire",
    "autofire",
    "swapped_sources",
    "reversed channel",
    "all 37 ms early",
    "late source",
)
OF_ARRAYS = ("reversed channel", "all 37 ms early", "late source")
LATE_SOURCE_MS = 25
ITERATIONS = 20
EDGE_SHOTS = 4
AFTERWARDS = ("shot_delay", "shot_level", "shot_likeness", "channel_")
BEFORE = (
    *("fire_time_error", "misfire", "weak_shot", "shot_not_in_table", "source_number_wrong"),
    "source_offset",
    *("channel_reversed", "channel_silent", "dead_channel", "clock_", "table_does_not_fit"),
)


def planted(line: MadeLine, fault: str, seed: int) -> tuple[FaultyLine, int | None]:
    """A line with a fault, and the channel that it concerns."""
    random = np.random.default_rng((seed, 0xF001))
    if fault in ("none", "misfire", "autofire", "swapped_sources"):
        return plant_fault(line, fault, seed), None
    if fault == "reversed channel":
        record = line.recording.read(
            range(line.recording.shape[0]), 0, line.recording.shape[1]
        ).copy()
        row = int(random.integers(len(record)))
        record[row] *= -1
        turned = replace(line.recording, samples=record)
        faulty = FaultyLine(turned, line.shots, line.geometry)
        return faulty, int(line.recording.channel_numbers[row])
    late_ns = np.zeros(len(line.shots), dtype=np.int64)
    if fault == "late source":
        late_ns -= LATE_SOURCE_MS * 1_000_000 * (line.shots.source == line.shots.sources[-1])
        shots = replace(line.shots, fire_time_ns=line.shots.fire_time_ns + late_ns)
        return FaultyLine(line.recording, shots, line.geometry), None
    points: tuple[int, ...] = ()
    instant_ns = 0
    if fault.startswith("late"):
        row = int(random.choice(np.flatnonzero(line.shots.live)))
        late_ns[row] = -int(fault.split()[1]) * 1_000_000
        points = (int(line.shots.shot_point[row]),)
        instant_ns = int(line.shots.fire_time_ns[row])
    else:
        late_ns += 37_000_000
    shots = replace(line.shots, fire_time_ns=line.shots.fire_time_ns + late_ns)
    return FaultyLine(line.recording, shots, line.geometry, points, instant_ns), None


def made(kind: str, name: str, seed: int) -> MadeLine:
    """The line of a task."""
    if kind == "waves":
        return build_line(wave_design(100 + seed), seed)
    if kind == "recorded":
        return recorded_line(name, seed)
    return make_scene(name, "small", seed)


def recorded_line(name: str, seed: int) -> MadeLine:
    """A recorded line of `verdict_lines` with other delays."""
    (recorded,) = (one for one in verdict_lines() if one.scene == name)
    line = recorded.make()
    gathers = [line.truth[source] for source in line.shots.sources]
    return blended_gathers(name, gathers, 0.1 if "dither" in name else 0.3, seed)


def measure(task: tuple[str, str, int, tuple[str, ...]]) -> list[dict[str, object]]:
    """One line with each fault in turn."""
    kind, name, seed, faults = task
    line = made(kind, name, seed)
    faults = tuple(one for one in faults if kind != "recorded" or one not in OF_ARRAYS)
    return [{"kind": kind, "scene": name} | measure_fault(line, seed, one) for one in faults]


def measure_fault(line: MadeLine, seed: int, fault: str) -> dict[str, object]:
    """One line with one fault."""
    faulty, channel = planted(line, fault, seed)
    before = [
        *source_consistency(faulty.shots),
        *verify_against_samples(
            faulty.recording,
            faulty.shots,
            faulty.geometry,
            placed_as=placed_as_other(faulty.shots),
        ),
        *channel_findings(faulty.recording, faulty.shots, faulty.geometry),
    ]
    result = deblend.separate(
        faulty.recording,
        faulty.shots,
        length_s=line.length_s,
        iterations=ITERATIONS,
        quality=True,
    )
    before = [one for one in before if asks(one, BEFORE)]
    after = [one for one in result.findings if asks(one, AFTERWARDS)]
    named = [[about(faulty, channel, fault, one) for one in found] for found in (before, after)]
    far = [
        one
        for found, mine in zip((before, after), named, strict=True)
        for one, own in zip(found, mine, strict=True)
        if not own and not overlaps(faulty, one, line.length_s)
    ]
    return {
        "seed": seed,
        "fault": fault,
        "before": any(named[0]),
        "after": any(named[1]),
        "others": " ".join(one.metric for one in far),
        "edge_db": edge_db(line, result.estimate.to_numpy()) if fault == "none" else None,
    }


def edge_db(line: MadeLine, estimate: NDArray[np.float32]) -> float:
    """Truth over error of the middle over that of the first and last `EDGE_SHOTS` shots."""
    truth = line.gathers
    middle, edges = [], []
    for source in line.shots.sources:
        rows = line.shots.rows_of(source)
        rows = rows[line.shots.live[rows]]
        error = np.square(estimate[rows] - truth[rows]).sum(axis=(1, 2))
        score = 10 * np.log10(np.square(truth[rows]).sum(axis=(1, 2)) / error)
        order = np.argsort(line.shots.fire_time_ns[rows])
        edges += [*score[order[:EDGE_SHOTS]], *score[order[-EDGE_SHOTS:]]]
        middle += [*score[order[EDGE_SHOTS:-EDGE_SHOTS]]]
    return float(np.median(middle) - np.median(edges))


def asks(finding: Finding, metrics: tuple[str, ...]) -> bool:
    """Whether a finding of some metrics asks for a look."""
    told = finding.verdict in ("look", "fail") and finding.metric != "clock_not_verified"
    return told and finding.metric.startswith(metrics)


def about(faulty: FaultyLine, channel: int | None, fault: str, finding: Finding) -> bool:
    """Whether a finding names the shot or channel of the fault."""
    if fault == "all 37 ms early":
        return finding.metric == "clock_offset" and finding.verdict == "look"
    if fault == "late source":
        last = faulty.shots.sources[-1]
        return finding.metric == "source_offset" and finding.source == last
    if fault == "autofire":
        return finding.metric == "shot_not_in_table"
    if channel is not None:
        return finding.channel == channel
    return finding.shot_point is not None and finding.shot_point in faulty.shot_points


def overlaps(faulty: FaultyLine, finding: Finding, length_s: float) -> bool:
    """Whether a finding is about a shot whose gather overlaps with a faulty one."""
    points = faulty.shots.shot_point
    at_ns = faulty.shots.fire_time_ns[np.isin(points, faulty.shot_points)].tolist()
    at_ns += [faulty.instant_ns] if faulty.instant_ns else []
    own_ns = faulty.shots.fire_time_ns[points == finding.shot_point].tolist()
    own_ns += [] if finding.instant_ns is None else [finding.instant_ns]
    reach_ns = 2 * length_s * NS_PER_S
    return any(abs(one - other) < reach_ns for one in at_ns for other in own_ns)


def numbers_of(rows: list[dict[str, object]]) -> Iterator[tuple[str, Number]]:
    """Counts by kind of line and fault, and over all of a kind."""
    heads = "lines, named by the sample check, named after separation, named by either, with others"
    for kind in dict.fromkeys(str(row["kind"]) for row in rows):
        of_kind = [row for row in rows if row["kind"] == kind]
        for fault in FAULTS:
            own = [row for row in of_kind if row["fault"] == fault]
            if own:
                yield f"{kind}, {fault}: {heads}", counts(own)
        late = [row for row in of_kind if row["fault"] in ("late 10 ms", "late 20 ms")]
        found = sum(bool(row["before"] or row["after"]) for row in late)
        share = 100.0 * found / max(1, len(late))
        yield f"{kind}: single shots late by 10 ms and more, named (%)", share
        false = sum(bool(row["others"]) for row in of_kind)
        share = 100.0 * false / max(1, len(of_kind))
        yield f"{kind}: lines with something named that is not there (%)", share
        edges = [row["edge_db"] for row in of_kind if row["edge_db"] is not None]
        worse = f"{kind}: first and last {EDGE_SHOTS} shots worse than the middle by, median (dB)"
        yield worse, float(np.median(edges or [np.nan]))


def counts(rows: list[dict[str, object]]) -> list[float]:
    """Lines, and how many of them were named where and with others."""
    return [
        float(len(rows)),
        float(sum(bool(row["before"]) for row in rows)),
        float(sum(bool(row["after"]) for row in rows)),
        float(sum(bool(row["before"] or row["after"]) for row in rows)),
        float(sum(bool(row["others"]) for row in rows)),
    ]


def main() -> None:
    """Measure, print, keep."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--waves", type=int, default=8, help="lines of computed waves")
    parser.add_argument("--recorded", type=int, default=4, help="seeds of each recorded line")
    parser.add_argument("--events", type=int, default=10, help="seeds of each scene of events")
    parser.add_argument("--processes", type=int, default=os.cpu_count())
    parser.add_argument("--faults", nargs="*", default=list(FAULTS))
    options = parser.parse_args()
    faults = tuple(options.faults)
    # The slow ones first.
    tasks = [("waves", "waves", seed, faults) for seed in range(options.waves)]
    tasks += [
        ("recorded", name, seed, faults) for name in RECORDED for seed in range(options.recorded)
    ]
    tasks += [("events", scene, seed, faults) for scene in SCENES for seed in range(options.events)]
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(options.processes, context) as pool:
        rows = [row for some in pool.map(measure, tasks) for row in some]
    for row in rows:
        if row["others"] or not (row["before"] or row["after"] or row["fault"] == "none"):
            print(row)
    keep(NAME, dict(numbers_of(rows)))


if __name__ == "__main__":
    main()
