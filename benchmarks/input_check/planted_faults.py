"""Faults planted on the standard scenes: is each one found, and nothing else.

    python -m benchmarks.input_check.planted_faults --seeds 50 --out planted_faults.csv

Several runs over other scenes can share the work; --summary with their tables then adds them up,
prints them, and keeps the counts and every row.

One row a scene, seed and fault: whether it was found (its kind, place and size) in the table or in
the samples, whether the clocks could be verified, and what else was found, all as `deblend check
--with-samples` looks at a line. The table knows a swap of source numbers by positions; samples
without positions are looked at once more for it, which is hopeless where two sources lie
symmetrically about the streamer. Shots outside the record follow from clocks 18 s apart. A fault
planted where the scene has a gap was not recorded; it counts as planted all the same.
"""

from __future__ import annotations

import argparse
import csv
import multiprocessing
import os
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from benchmarks.input_check.input_faults import FaultyLine, fault_names, plant_fault
from benchmarks.result import RESULTS, Number, keep
from deblend.check.headers.inspection import inspect_line
from deblend.check.headers.source_numbers import placed_as_other, source_consistency
from deblend.check.verify_samples import verify_against_samples
from deblend.model.findings import Finding
from deblend.model.water import WATER_VELOCITY_M_S
from deblend.synth.scenes import make_scene, scene_names

NAME = "input_check.planted_faults"
SCENES = tuple(name for name in scene_names() if name != "wave-equation")
"""The standard scenes but the computed waves, which would take hours to make so often."""

METRICS = {
    "mixed_scales": {"clock_offset"},
    "clock_step": {"clock_step"},
    "clock_drift": {"clock_drift"},
    "misfire": {"misfire_not_marked"},
    "autofire": {"shot_not_in_table"},
    "swapped_sources": {"source_number_wrong"},
    "gap": {"shots_in_gap"},
    "late_source": {"source_offset"},
    "none": set(),
}
INSTANT_TOLERANCE_S = 0.02
"""Of a shot that is not in the table."""
PULSE_S = 0.1
"""Length of a direct arrival."""
TIME_TOLERANCE_S = {
    "mixed_scales": 0.03,
    "clock_step": 0.03,
    "clock_drift": 0.0015,
    "late_source": 0.002,
}


def look_at(faulty: FaultyLine, length_s: float) -> dict[str, list[Finding]]:
    """Findings that ask for a look, from the table and from the samples; shots not verified."""
    table = [
        *inspect_line(faulty.recording, faulty.shots, length_s),
        *source_consistency(faulty.shots),
    ]
    placed_as = placed_as_other(faulty.shots)
    looks = {"table": table, "samples": _in_samples(faulty, placed_as)}
    looks["alone"] = _in_samples(faulty, {}) if placed_as else looks["samples"]
    return {
        where: [finding for finding in found if finding.verdict in ("look", "fail")]
        for where, found in looks.items()
    } | {"unverified": [f for f in looks["samples"] if f.metric == "shot_not_verified"]}


def _in_samples(faulty: FaultyLine, placed_as: dict[int, int | str]) -> list[Finding]:
    return verify_against_samples(
        faulty.recording, faulty.shots, faulty.geometry, placed_as=placed_as
    )


def is_it(fault: str, faulty: FaultyLine, finding: Finding) -> bool:
    """Whether a finding names the fault, its place and its size."""
    if finding.metric not in METRICS[fault]:
        return False
    if faulty.shot_points and finding.shot_point not in faulty.shot_points:
        return False
    if fault == "late_source" and finding.source != faulty.shots.sources[-1]:
        return False
    if fault == "autofire":
        return abs(_instant_ns(faulty, finding) - faulty.instant_ns) <= INSTANT_TOLERANCE_S * 1e9
    if fault in TIME_TOLERANCE_S:
        size_s = finding.value * (1e-3 if finding.unit == "ms" else 1.0)
        return abs(size_s + faulty.size_s) <= TIME_TOLERANCE_S[fault]
    return True


def _instant_ns(faulty: FaultyLine, finding: Finding) -> int:
    """When a shot fired that is not in the table: as it says, or with the shot it names."""
    if finding.instant_ns is not None:
        return finding.instant_ns
    (row,) = np.flatnonzero(faulty.shots.shot_point == finding.shot_point)
    return int(faulty.shots.fire_time_ns[row])


def score(
    scenes: list[str], seeds: range, processes: int, faults: list[str]
) -> Iterator[dict[str, object]]:
    """Rows of the table, seed by seed."""
    tasks = [(scene, seed, faults) for seed in seeds for scene in scenes]
    with ProcessPoolExecutor(processes, multiprocessing.get_context("spawn")) as pool:
        for rows in pool.map(score_line, tasks):
            yield from rows


def score_line(task: tuple[str, int, list[str]]) -> list[dict[str, object]]:
    """Rows of one line with each fault in turn."""
    return list(_rows(*task))


def _rows(scene: str, seed: int, faults: list[str]) -> Iterator[dict[str, object]]:
    line = make_scene(scene, "small", seed)
    nothing = look_at(plant_fault(line, "none"), line.length_s)
    before = Counter(f.metric for f in nothing["table"])
    for fault in faults:
        faulty = plant_fault(line, fault, seed)
        seen = nothing if fault == "none" else look_at(faulty, line.length_s)
        hits = {
            where: [f for f in found if is_it(fault, faulty, f)] for where, found in seen.items()
        }
        # What the table says of the scene itself (its own gaps, its small dither) is true.
        extra = Counter(f.metric for f in seen["table"] if f not in hits["table"]) - before
        # A swapped shot may also be told as a misfire or a wrong time of that very shot.
        others, alone = (
            [f.metric for f in seen[where] if f not in hits[where] and not about(faulty, f)]
            for where in ("samples", "alone")
        )
        if fault == "mixed_scales":
            extra -= Counter(["shots_outside_record", "shots_partly_outside_record"])
        verified = "clock_not_verified" not in others
        others = [metric for metric in others if metric != "clock_not_verified"]
        others += list(extra.elements())
        yield {
            "scene": scene,
            "seed": seed,
            "fault": fault,
            "recorded": fault == "gap" or was_recorded(faulty),
            "found_in_table": bool(hits["table"]),
            "found_in_samples": bool(hits["alone"]),
            "verified": verified,
            "shot_not_verified": any(about(faulty, f) for f in seen["unverified"]),
            "others": " ".join(others),
            "others_without_positions": " ".join(f for f in alone if f != "clock_not_verified"),
        }


def was_recorded(faulty: FaultyLine) -> bool:
    """Whether the direct arrival at the place of a fault lies outside the gaps of the scene."""
    if not faulty.instant_ns:
        return True
    after_s = float(np.nanmin(np.abs(faulty.geometry.offset_m))) / WATER_VELOCITY_M_S
    record = faulty.recording
    first = (faulty.instant_ns - record.start_ns) / record.interval_ns + after_s / record.interval_s
    last = first + PULSE_S / record.interval_s
    return not any(gap.start < last and first < gap.stop for gap in record.gaps)


def about(faulty: FaultyLine, finding: Finding) -> bool:
    """Whether a finding is about a shot that the fault concerns."""
    return finding.shot_point in faulty.shot_points


def counts_of(rows: list[dict[str, str]]) -> Iterator[tuple[str, str, list[int]]]:
    """Scene, fault, and lines, found in the table, in the samples, unverified, with others."""
    for scene, fault in dict.fromkeys((row["scene"], row["fault"]) for row in rows):
        own = [row for row in rows if (row["scene"], row["fault"]) == (scene, fault)]
        yield (
            scene,
            fault,
            [
                len(own),
                sum(row["found_in_table"] == "True" for row in own),
                sum(row["found_in_samples"] == "True" for row in own),
                sum(row["verified"] == "False" for row in own),
                sum(bool(row["others"]) for row in own),
            ],
        )


def summarise(tables: list[Path]) -> None:
    """Print the counts of some tables, and keep them with all rows."""
    rows: list[dict[str, str]] = []
    for path in tables:
        with path.open(newline="") as file:
            rows += [row for row in csv.DictReader(file) if row["others"] is not None]
    heads = ("lines", "table", "samples", "unverified", "others")
    print(f"{'scene':20s}{'fault':18s}" + "".join(f"{head:>12s}" for head in heads))
    numbers: dict[str, Number] = {}
    for scene, fault, counts in counts_of(rows):
        print(f"{scene:20s}{fault:18s}" + "".join(f"{count:12d}" for count in counts))
        numbers[f"{scene}, {fault}: {', '.join(heads)}"] = [float(count) for count in counts]
    planted = [row for row in rows if row["fault"] != "none"]
    found = [row for row in planted if "True" in (row["found_in_table"], row["found_in_samples"])]
    numbers["faults planted"] = len(planted)
    numbers["faults found, in the table or in the samples"] = len(found)
    unseen = [row for row in planted if row["recorded"] == "False"]
    numbers["faults planted where the scene has a gap in its record"] = len(unseen)
    numbers["of these, found"] = sum(row in unseen for row in found)
    numbers["faults not found, of shots said to be not verified"] = sum(
        row["shot_not_verified"] == "True" for row in planted if row not in found
    )
    numbers["lines looked at"] = len(rows)
    numbers["lines with something found beside the fault"] = sum(
        bool(row["others"]) for row in rows
    )
    clean = [row for row in rows if row["fault"] == "none"]
    numbers["lines without a fault"] = len(clean)
    numbers["lines without a fault with something found"] = sum(bool(r["others"]) for r in clean)
    numbers["lines whose clocks could not be verified"] = sum(
        row["verified"] == "False" for row in rows
    )
    swapped = [row for row in rows if row["fault"] == "swapped_sources"]
    numbers["swapped sources found in samples without positions"] = sum(
        row["found_in_samples"] == "True" for row in swapped
    )
    keep(NAME, numbers)
    with (RESULTS / f"{NAME}.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def main() -> None:
    """Run, or add up what was run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=50)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--faults", nargs="*", default=list(fault_names()))
    parser.add_argument("--processes", type=int, default=os.cpu_count())
    parser.add_argument("--scenes", nargs="*", default=list(SCENES))
    parser.add_argument("--out", type=Path, default=Path("planted_faults.csv"))
    parser.add_argument("--summary", nargs="*", type=Path, help="tables to add up instead")
    options = parser.parse_args()
    if options.summary is None:
        with options.out.open("w", newline="") as file:
            writer = None
            seeds = range(options.first_seed, options.first_seed + options.seeds)
            for row in score(options.scenes, seeds, options.processes, options.faults):
                if writer is None:
                    writer = csv.DictWriter(file, list(row), lineterminator="\n")
                    writer.writeheader()
                writer.writerow(row)
                file.flush()
    summarise(options.summary or [options.out])


if __name__ == "__main__":
    main()
