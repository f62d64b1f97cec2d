"""Faults planted on the standard scenes: is each one found, and nothing else.

    python benchmarks/input_check/planted_faults.py --seeds 50 --out planted_faults.csv

One row a scene, seed and fault: whether it was found (its kind, place and size) in the table or in
the samples, whether the clocks could be verified, and what else was found. A swap of source numbers
is found in the table by positions; in the samples it is hopeless for sources that lie
symmetrically about the streamer. Shots outside the record follow from clocks 18 s apart.
"""

from __future__ import annotations

import argparse
import csv
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from deblend.model.findings import Finding
from deblend.qc.input_check import verify_against_samples
from deblend.records.inspection import inspect_line
from deblend.records.source_consistency import source_consistency
from deblend.synth.input_faults import FaultyLine, fault_names, plant_fault
from deblend.synth.scenes import make_scene, scene_names

METRICS = {
    "mixed_scales": {"clock_offset"},
    "clock_step": {"clock_step"},
    "clock_drift": {"clock_drift"},
    "misfire": {"misfire_not_marked"},
    "autofire": {"shot_not_in_table"},
    "swapped_sources": {"source_number_wrong"},
    "gap": {"shots_in_gap"},
    "none": set(),
}
TIME_TOLERANCE_S = {"mixed_scales": 0.03, "clock_step": 0.03, "clock_drift": 0.0015}


def look_at(faulty: FaultyLine, length_s: float) -> dict[str, list[Finding]]:
    """Findings that ask for a look, from the table and from the samples."""
    table = [
        *inspect_line(faulty.recording, faulty.shots, length_s),
        *source_consistency(faulty.shots),
    ]
    samples = verify_against_samples(faulty.recording, faulty.shots, faulty.geometry)
    return {
        "table": [f for f in table if f.verdict in ("look", "fail")],
        "samples": [f for f in samples if f.verdict in ("look", "fail")],
    }


def is_it(fault: str, faulty: FaultyLine, finding: Finding) -> bool:
    """Whether a finding names the fault, its place and its size."""
    if finding.metric not in METRICS[fault]:
        return False
    if faulty.shot_points and finding.shot_point not in faulty.shot_points:
        return False
    if fault in TIME_TOLERANCE_S:
        size_s = finding.value * (1e-3 if finding.unit == "ms" else 1.0)
        return abs(size_s + faulty.size_s) <= TIME_TOLERANCE_S[fault]
    return True


def score(scenes: list[str], seeds: int) -> Iterator[dict[str, object]]:
    """Rows of the table, seed by seed."""
    for seed in range(seeds):
        for scene in scenes:
            line = make_scene(scene, "small", seed)
            nothing = look_at(plant_fault(line, "none"), line.length_s)
            before = Counter(f.metric for f in nothing["table"])
            for fault in fault_names():
                faulty = plant_fault(line, fault, seed)
                seen = nothing if fault == "none" else look_at(faulty, line.length_s)
                hits = {
                    where: [f for f in found if is_it(fault, faulty, f)]
                    for where, found in seen.items()
                }
                # What the table says of the scene itself (its own gaps, its small dither) is true.
                extra = Counter(f.metric for f in seen["table"] if f not in hits["table"]) - before
                # A swapped shot may also be told as a misfire or a wrong time of that very shot.
                others = [
                    f.metric
                    for f in seen["samples"]
                    if f not in hits["samples"] and f.shot_point not in faulty.shot_points
                ]
                verified = "clock_not_verified" not in others
                others = [metric for metric in others if metric != "clock_not_verified"]
                if fault == "mixed_scales":
                    extra -= Counter(["shots_outside_record", "shots_partly_outside_record"])
                others += list(extra.elements())
                yield {
                    "scene": scene,
                    "seed": seed,
                    "fault": fault,
                    "found_in_table": bool(hits["table"]),
                    "found_in_samples": bool(hits["samples"]),
                    "verified": verified,
                    "others": " ".join(others),
                }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=50)
    parser.add_argument("--scenes", nargs="*", default=list(scene_names()))
    parser.add_argument("--out", type=Path, default=Path("planted_faults.csv"))
    options = parser.parse_args()
    rows = []
    with options.out.open("w", newline="") as file:
        writer = None
        for row in score(options.scenes, options.seeds):
            writer = writer or csv.DictWriter(file, list(row))
            if not rows:
                writer.writeheader()
            writer.writerow(row)
            file.flush()
            rows.append(row)
    print(
        f"{'scene':20s}{'fault':18s}{'lines':>6s}{'table':>7s}{'samples':>9s}{'unverified':>12s}{'others':>8s}"
    )
    for scene in options.scenes:
        for fault in fault_names():
            own = [row for row in rows if (row["scene"], row["fault"]) == (scene, fault)]
            print(
                f"{scene:20s}{fault:18s}{len(own):6d}"
                f"{sum(bool(row['found_in_table']) for row in own):7d}"
                f"{sum(bool(row['found_in_samples']) for row in own):9d}"
                f"{sum(not row['verified'] for row in own):12d}"
                f"{sum(bool(row['others']) for row in own):8d}"
            )


if __name__ == "__main__":
    main()
