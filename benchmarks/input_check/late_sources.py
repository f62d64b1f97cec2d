"""One source late or early throughout, by 5 ms to 1 s: is it found, and nothing else.

    NUMBA_NUM_THREADS=1 python -m benchmarks.input_check.late_sources --seeds 5

Lines are the standard scenes, the wave-equation scene and recorded shots, of which no positions are
known, so that less than 50 ms can be anything. One source of each fires later than the table says
where the seed is even, and earlier where it is odd. Found is a finding on that source with its
size; named is any finding on that source, also that hardly a shot of it could be verified; silent
is a line with nothing to look at; false is a finding, beside those that are named, that the same
line without the fault does not have. The same is asked of made hydrophones beside the sources, each
of which hears the others at a thirtieth. Some minutes on 16 cores.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchmarks.input_check.planted_faults import SCENES
from benchmarks.qc.verdict_lines import verdict_lines
from benchmarks.result import Number, keep
from deblend.check.verify_samples import verify_against_samples
from deblend.line.hydrophone_times import heard_after_s, hydrophone_time_findings
from deblend.model.findings import Finding
from deblend.model.shots import Shots
from deblend.model.timebase import NS_PER_S
from deblend.synth.line import MadeLine
from deblend.synth.scenes import make_scene

NAME = "input_check.late_sources"
LATE_MS = (0, 5, 8, 12, 16, 20, 25, 50, 100, 300, 1000)
WAVES = "wave-equation"
TOLERANCE_MS = 3.0
_HYDROPHONE_INTERVAL_S = 0.002


@dataclass(frozen=True)
class Outcome:
    """What was seen of one line with one lateness."""

    kind: str
    """made, wave, recorded or hydrophones."""
    scene: str
    seed: int
    late_ms: int
    """Size, 0 for none."""
    found: bool
    named: bool
    silent: bool
    false: tuple[str, ...]
    """Metrics that the line without the fault does not have; without a fault, all."""


def look_at_line(task: tuple[str, str, int]) -> list[Outcome]:
    """All sizes on one line."""
    kind, scene, seed = task
    line = _line(kind, scene, seed)
    source = line.shots.sources[seed % len(line.shots.sources)]
    rows, usual = [], Counter[str]()
    for size in LATE_MS:
        late_ms = size * (-1) ** seed
        shots = _with_late_source(line.shots, source, late_ms)
        if kind == "hydrophones":
            seen = _by_hydrophones(line.shots, shots, seed)
        else:
            seen = verify_against_samples(line.recording, shots, line.geometry)
        seen = [finding for finding in seen if finding.verdict in ("look", "fail")]
        if size == 0:
            usual = Counter(finding.metric for finding in seen)
            rows.append(_outcome(task, 0, [], seen, Counter()))
            continue
        rows.append(_outcome(task, late_ms, [f for f in seen if f.source == source], seen, usual))
    return rows


def _outcome(
    task: tuple[str, str, int],
    late_ms: int,
    about: list[Finding],
    seen: list[Finding],
    usual: Counter[str],
) -> Outcome:
    about = [f for f in about if f.shot_point is None]
    found = [
        f
        for f in about
        if f.metric in ("source_offset", "near_field_time")
        and abs(f.value - late_ms) <= TOLERANCE_MS
    ]
    others = Counter(f.metric for f in seen if f not in about) - usual
    return Outcome(
        *task, abs(late_ms), bool(found), bool(about), not seen, tuple(sorted(others.elements()))
    )


def _line(kind: str, scene: str, seed: int) -> MadeLine:
    if kind == "recorded":
        return next(line for line in verdict_lines() if line.scene == scene).make()
    return make_scene(scene, "small", seed)


def _with_late_source(shots: Shots, source: int | str, late_ms: int) -> Shots:
    """The table of which one source fires later than it says."""
    late_ns = np.where(shots.source == source, round(late_ms * 1e-3 * NS_PER_S), 0)
    return replace(shots, fire_time_ns=shots.fire_time_ns - late_ns)


def _by_hydrophones(fired: Shots, table: Shots, seed: int) -> list[Finding]:
    random = np.random.default_rng((seed, 0x4F))
    start_ns = int(fired.fire_time_ns.min()) - 3 * NS_PER_S
    seconds = (fired.fire_time_ns - start_ns) / NS_PER_S
    count = round((seconds.max() + 3.0) / _HYDROPHONE_INTERVAL_S)
    delay_s = {source: random.uniform(0.001, 0.003) for source in fired.sources}
    heard = []
    for source in fired.sources:
        record = 0.01 * random.standard_normal((1, count)).astype(np.float32)
        for row in np.flatnonzero(fired.live).tolist():
            own = fired.source[row] == source
            at = seconds[row] + (delay_s[source] if own else 0.02)
            _add_pulse(record[0], at, random.normal(1.0, 0.02) * (1.0 if own else 1.0 / 30.0))
        own = table.fire_time_ns[table.rows_of(source)]
        interval_ns = round(_HYDROPHONE_INTERVAL_S * NS_PER_S)
        after = heard_after_s(record, own, start_ns=start_ns, interval_ns=interval_ns)
        heard.append(after[0])
    return hydrophone_time_findings(np.array(heard), table.sources, 0.0)


def _add_pulse(trace: NDArray[np.float32], at_s: float, level: float) -> None:
    """A rise within some milliseconds, and a bubble."""
    first = int(at_s / _HYDROPHONE_INTERVAL_S)
    late = np.maximum((first + np.arange(300)) * _HYDROPHONE_INTERVAL_S - at_s, 0.0)[
        : len(trace) - first
    ]
    rise = (late / 0.004) ** 2 * np.exp(-late / 0.004)
    bubble = 0.3 * np.sin(60.0 * late) * np.exp(-late / 0.08) * (1.0 - np.exp(-late / 0.03))
    trace[first : first + len(late)] += (level * (rise + bubble)).astype(np.float32)


def summarise(rows: list[Outcome]) -> dict[str, Number]:
    """Counts by kind and lateness, printed."""
    numbers: dict[str, Number] = {}
    for kind in dict.fromkeys(row.kind for row in rows):
        for size in LATE_MS:
            own = [row for row in rows if row.kind == kind and row.late_ms == size]
            counts = [
                len(own),
                *(sum(getattr(row, name) for row in own) for name in ("found", "named", "silent")),
                sum(bool(row.false) for row in own),
            ]
            numbers[f"{kind}, {size} ms: lines, found, named, silent, with a false finding"] = [
                float(count) for count in counts
            ]
            print(f"{kind:12s} {size:5d} ms", *(f"{count:5d}" for count in counts))
    for row in rows:
        if row.false or (row.late_ms and not row.found):
            print(row.kind, row.scene, row.seed, row.late_ms, row.found, row.named, *row.false)
    return numbers


def main() -> None:
    """Look at all lines and keep the counts."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--kinds", nargs="*", default=["wave", "recorded", "made", "hydrophones"])
    parser.add_argument("--scenes", nargs="*")
    parser.add_argument("--processes", type=int, default=os.cpu_count())
    options = parser.parse_args()
    recorded = [line.scene for line in verdict_lines() if line.kind == "recorded"]
    scenes = {
        "wave": [WAVES],
        "recorded": recorded,
        "made": list(SCENES),
        "hydrophones": ["two-sources", "five-in-turn", "gaps-and-misfires"],
    }
    tasks = [
        (kind, scene, seed)
        for kind in options.kinds
        for seed in range(2 if kind == "recorded" else options.seeds)
        for scene in scenes[kind]
        if not options.scenes or scene in options.scenes
    ]
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(options.processes, context) as pool:
        rows = [row for each in pool.map(look_at_line, tasks) for row in each]
    keep(NAME, summarise(rows))


if __name__ == "__main__":
    main()
