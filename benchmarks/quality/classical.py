"""The classical methods against each other, and variants of each as their papers rank them.

    python -m benchmarks.quality.classical [--iterations 24] [--lines dips] [--methods fk joint]

Two lines: the small standard scene of three sources, and a made line of crossing plane dips into
one channel. The numbers are signal-to-noise ratios in dB of all sources together, seed 0.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from typing import Final

import numpy as np
from numpy.typing import NDArray

import deblend
from benchmarks.result import RESULTS, keep
from deblend.separation.chain import Chain
from deblend.separation.contract import Separator
from deblend.separation.methods.curvelet import CurveletThreshold
from deblend.separation.methods.fk import FkThreshold
from deblend.separation.methods.joint import JointThreshold
from deblend.separation.methods.median import StructureMedian, VectorMedian
from deblend.separation.methods.rank import RankReduction
from deblend.synth.scenes import make_scene

NAME: Final = "quality.classical"
INTERVAL_S: Final = 0.004
SLOTS: Final = 48
LENGTH: Final = 400
LEAKAGE: Final = ("fk", "joint")
ONE: Final = RankReduction.for_line(1)
METHODS: Final[dict[str, Separator]] = {
    "fk": FkThreshold(),
    "median_without_slopes": StructureMedian(steepest_s_per_shot=0.0),
    "median": StructureMedian(),
    "vector_median": VectorMedian(),
    "curvelet": CurveletThreshold(),
    "rank_one_channel": ONE,
    "rank_one_channel_not_damped": RankReduction(ONE.patch, ONE.overlap, damping=0.0),
    "rank": RankReduction(),
    "rank_not_damped": RankReduction(damping=0.0),
    "joint": JointThreshold(),
    "median_then_joint": Chain(StructureMedian(), JointThreshold(), until=0.1),
    "median_then_fk": Chain(StructureMedian(), FkThreshold(), until=0.1),
}
ONE_CHANNEL: Final = (
    "fk",
    "median_without_slopes",
    "median",
    "vector_median",
    "curvelet",
    "rank_one_channel",
    "rank_one_channel_not_damped",
    "median_then_fk",
)
SCENE: Final = (
    "fk",
    "joint",
    "median_then_joint",
    "rank",
    "rank_not_damped",
    "curvelet",
    "median",
    "median_without_slopes",
    "vector_median",
    "rank_one_channel",
)
ON_LINE: Final = {"dips": ONE_CHANNEL, "three_sources": SCENE}


def dipping_line() -> tuple[deblend.Recording, deblend.Shots, NDArray[np.float32]]:
    """Two sources over plane dips that cross, one channel; and the answer."""
    random = np.random.default_rng(0)
    time = np.arange(LENGTH) * INTERVAL_S
    slot = np.arange(SLOTS)[:, None]
    gathers = np.zeros((2, SLOTS, LENGTH))
    for number, at in enumerate(np.linspace(0.2, 1.3, 10)):
        dip = random.uniform(-6e-3, 6e-3)
        for source in range(2):
            late = time - at - dip * (slot - SLOTS / 2) - 2e-3 * source
            phase = np.square(np.pi * 25 * late)
            gathers[source] += 0.8**number * (1 - 2 * phase) * np.exp(-phase)
    fired_s = [0.7 + 1.5 * np.arange(SLOTS) + random.uniform(0, 0.6, SLOTS) for _ in range(2)]
    shots = deblend.make_shots(
        np.repeat([1, 2], SLOTS),
        np.tile(np.arange(SLOTS), 2),
        np.rint(np.concatenate(fired_s) * 1e9).astype(np.int64),
        "utc",
    )
    operator = deblend.make_operator(
        shots,
        start_ns=0,
        interval_ns=round(INTERVAL_S * 1e9),
        sample_count=round((1.5 * SLOTS + 3.5) / INTERVAL_S),
        length=LENGTH,
    )
    truth = gathers.reshape(-1, 1, LENGTH).astype(np.float32)
    record = operator.blend(truth)
    return (
        deblend.Recording(record, interval_s=INTERVAL_S, start=0, time_scale="utc"),
        shots,
        truth,
    )


def snr_db(truth: NDArray[np.float32], found: NDArray[np.float32]) -> float:
    return float(10 * np.log10(np.sum(truth**2) / np.sum((truth - found) ** 2)))


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--iterations", type=int, default=24)
    parser.add_argument("--lines", nargs="+", choices=ON_LINE, default=tuple(ON_LINE))
    parser.add_argument("--methods", nargs="+", choices=tuple(METHODS), default=tuple(METHODS))
    asked = parser.parse_args()
    iterations = asked.iterations
    scene = make_scene("three-sources", "small", 0)
    recording, shots, truth = dipping_line()
    kept = RESULTS / f"{NAME}.json"
    numbers = json.loads(kept.read_text(encoding="utf-8"))["numbers"] if kept.exists() else {}
    if numbers.get("iterations") != iterations:
        numbers = {"iterations": iterations}

    def score(line: str, name: str, method: Separator, *, return_leakage: bool = False) -> None:
        dips, begin = line == "dips", time.process_time()
        found = deblend.separate(
            recording if dips else scene.recording,
            shots if dips else scene.shots,
            length_s=LENGTH * INTERVAL_S if dips else scene.length_s,
            method=method,
            iterations=iterations,
            robust=False,
            return_leakage=return_leakage,
        )
        value = snr_db(truth if dips else scene.gathers, found.estimate.values)
        numbers[f"snr_{line}_{name}_db"] = round(value, 2)
        numbers[f"processor_{line}_{name}_s"] = round(time.process_time() - begin, 1)
        print(line, name, f"{value:.2f}", file=sys.stderr, flush=True)

    for line in asked.lines:
        for name in [name for name in ON_LINE[line] if name in asked.methods]:
            score(line, name, METHODS[name])
            if name in LEAKAGE:
                score(line, f"{name}_leakage_returned", METHODS[name], return_leakage=True)
            keep(NAME, numbers)


if __name__ == "__main__":
    main()
