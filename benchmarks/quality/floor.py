"""What the learned floor is worth, and how far from its limit each method is, hard lines first.

    python -m benchmarks.quality.floor [--processes 2] [--seeds 0 1 2] [--only recorded]

Recorded gathers and computed waves come first, sums of events last. Each line is separated with the
fixed floor (`learn_floor` false: 2.5 times the noise everywhere) and with the learned one; `ends`
is the first and last tenth of the shots against the middle half, in dB. `support from the
truth` keeps, in the windows of `joint`, the share of the coefficients in which the truth is
strongest and cuts all others of the truth away: what no choice of coefficients of these windows can
pass, sources not rotated.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchmarks.qc.verdict_lines import blended_gathers
from benchmarks.result import Number, keep
from deblend.in_memory import separate
from deblend.separation.methods.joint import JointThreshold
from deblend.separation.patch_grid import patch_grid
from deblend.study.scores import Gathers
from deblend.synth.build import build_line
from deblend.synth.line import MadeLine
from deblend.synth.noise import White
from deblend.synth.scenes import Extent, make_scene, scene_design, scene_names

DATA: Final = Path("tests/data")
SUPPORT: Final = (0.12, 0.25)
METHODS: Final = ("fk", "joint")


def gather() -> NDArray[np.float32]:
    """Sixty recorded shots into one receiver, shape (shot, channel, time)."""
    samples = np.load(DATA / "north-sea-receiver-gather.npy", allow_pickle=False)
    centred = samples - samples.mean(axis=1, keepdims=True)
    return np.asarray(centred[:, None], np.float32)


def recorded_itself(seed: int) -> MadeLine:
    return blended_gathers("overlaps itself", [gather()], 0.5, seed, every_s=2.0)


def recorded_two(seed: int) -> MadeLine:
    return blended_gathers("two sources", [gather(), gather()[::-1]], 0.3, seed)


def waves(noise: float) -> Callable[[int], MadeLine]:
    def make(seed: int) -> MadeLine:
        design = scene_design("wave-equation", Extent(72, 12, 2.4))
        return build_line(replace(design, noise=(White(noise),) if noise else ()), seed)

    return make


def lines() -> dict[str, Callable[[int], MadeLine]]:
    """Every line by its name, the hard ones first."""
    hard = {
        "recorded gather, overlaps itself": recorded_itself,
        "recorded gather, two sources": recorded_two,
        "waves": waves(0.0),
        "waves, white noise 10 %": waves(0.1),
    }
    others = [name for name in scene_names() if name != "wave-equation"]
    return hard | {
        f"events, {name}": (lambda seed, name=name: make_scene(name, "small", seed))
        for name in others
    }


def snr_db(truth: Gathers, estimate: Gathers) -> float:
    return float(10 * np.log10(np.sum(truth**2.0) / np.sum((truth - estimate) ** 2.0)))


def ends_db(line: MadeLine, estimate: Gathers) -> float:
    """Score of the first and last tenth of the shots of each source less that of the middle."""
    truth, difference = line.gathers, []
    for source in line.shots.sources:
        rows = line.shots.rows_of(source)
        rows = rows[line.shots.live[rows]]
        tenth, quarter = max(1, len(rows) // 10), len(rows) // 4
        outer = np.r_[rows[:tenth], rows[-tenth:]]
        middle = rows[quarter:-quarter]
        difference.append(
            snr_db(truth[outer], estimate[outer]) - snr_db(truth[middle], estimate[middle])
        )
    return float(np.mean(difference))


def support_db(line: MadeLine, share: float) -> float:
    """Score of the truth itself, cut down to its strongest coefficients window by window."""
    method = JointThreshold.for_line(line.recording.shape[0])
    sources = line.shots.sources
    count = min(len(line.shots.rows_of(source)) for source in sources)
    kept = lost = 0.0
    for source in sources:
        truth = line.gathers[line.shots.rows_of(source)[:count]]
        grid = patch_grid(truth.shape, method, (0, 0, 0), seed=0, iteration=0)
        axes = (grid.slot, grid.channel, grid.time)
        for at in np.ndindex(*(len(axis.start) for axis in axes)):
            places = [axis.start[k] for axis, k in zip(axes, at, strict=True)]
            cut = tuple(slice(a, a + axis.size) for a, axis in zip(places, axes, strict=True))
            taper = [axis.analysis[k] for axis, k in zip(axes, at, strict=True)]
            window = truth[cut] * taper[0][:, None, None] * taper[1][:, None] * taper[2]
            power = np.sort(abs(np.fft.rfftn(window)).reshape(-1, window.shape[2] // 2 + 1) ** 2, 0)
            strong = round((1 - share) * len(power))
            lost += float(power[:strong].sum())
            kept += float(power.sum())
    return float(10 * np.log10(kept / max(lost, 1e-30)))


def measure(name: str, seed: int) -> tuple[str, dict[str, list[float]]]:
    line = lines()[name](seed)
    found: dict[str, list[float]] = {}
    for method in METHODS:
        for label, learn in (("fixed", False), ("learned", True)):
            estimate = separate(
                line.recording,
                line.shots,
                length_s=line.length_s,
                method=method,
                learn_floor=learn,
                device="cpu",
            ).estimate.to_numpy()
            live = line.shots.live
            found[f"{method} {label}"] = [snr_db(line.gathers[live], estimate[live])]
        found[f"{method} ends"] = [ends_db(line, estimate)]
    for share in SUPPORT:
        found[f"support from the truth {share:.0%}"] = [support_db(line, share)]
    return name, found


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--processes", type=int, default=len(os.sched_getaffinity(0)))
    parser.add_argument("--seeds", type=int, nargs="+", default=[0, 1, 2])
    parser.add_argument("--only", default="")
    chosen = parser.parse_args()
    names = [name for name in lines() if chosen.only in name]
    tasks = [(name, seed) for name in names for seed in chosen.seeds]
    total: dict[str, dict[str, list[float]]] = {name: {} for name in names}
    with ProcessPoolExecutor(chosen.processes) as pool:
        for name, found in pool.map(measure, *zip(*tasks, strict=True)):
            for label, values in found.items():
                total[name].setdefault(label, []).extend(values)
            print(name, {label: round(values[0], 2) for label, values in found.items()}, flush=True)
    numbers: dict[str, Number] = {
        f"{name}, {label}_db": [round(value, 2) for value in values]
        for name, rows in total.items()
        for label, values in rows.items()
    }
    keep("quality.floor", numbers)


if __name__ == "__main__":
    main()
