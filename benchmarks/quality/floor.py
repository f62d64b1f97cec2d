"""What the learned floor is worth, and how far from its limit each method is, hard lines first.

    NUMBA_NUM_THREADS=1 python -m benchmarks.quality.floor [--processes 16] [--only recorded]

Recorded gathers and computed waves come first, sums of events last; every row is a value a seed.
Each line is separated with the fixed floor (`learn_floor` false: 2.5 times the noise everywhere)
and with the learned one. Scores of the learned one less those of the middle: `ends`, the first and
last tenth of the shots against the middle half; `first and last shot` against the same; `outer
channels`, the two outermost against the middle half. Wave lines with fire times wrong by 0.5 ms
rms are separated with exact, wrong and refined times; `refined exact` is what refining does to
times that are right. Lines with white noise are separated with each choice for the residual: `noise
left` is all that is wrong in the gathers over the noise of the record. Both have the fixed floor,
which takes less time.

`support from the truth` keeps, in every window of `joint` and every frequency, the share of the
coefficients of all sources in which the truth is strongest and cuts all others of the truth away:
what no choice of coefficients of these windows can pass. `rotated` turns the sources onto what the
truth has in common before.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from benchmarks.qc.verdict_lines import blended_gathers
from benchmarks.result import Number, keep
from deblend.in_memory import separate
from deblend.separation.methods.joint import JointThreshold
from deblend.separation.patch_grid import patch_grid
from deblend.study.scores import Gathers
from deblend.synth.build import build_line
from deblend.synth.firing import Trouble
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


def wrong_times(extent: Extent) -> Callable[[int], MadeLine]:
    def make(seed: int) -> MadeLine:
        design = scene_design("wave-equation", extent)
        trouble = Trouble(timing_error_rms_s=0.0005)
        return build_line(
            replace(design, acquisition=replace(design.acquisition, trouble=trouble)), seed
        )

    return make


TIMES: Final = {
    "waves, times wrong by 0.5 ms": wrong_times(Extent(72, 12, 2.4)),
    "long waves, times wrong by 0.5 ms": wrong_times(Extent(108, 16, 2.4)),
}


def snr_db(truth: Gathers, estimate: Gathers) -> float:
    return float(10 * np.log10(np.sum(truth**2.0) / np.sum((truth - estimate) ** 2.0)))


def ends_db(line: MadeLine, estimate: Gathers, part: float) -> float:
    """Score of the first and last shots of each source less that of the middle half."""
    truth, difference = line.gathers, []
    for source in line.shots.sources:
        rows = line.shots.rows_of(source)
        rows = rows[line.shots.live[rows]]
        count, quarter = max(1, int(part * len(rows))), len(rows) // 4
        outer = np.r_[rows[:count], rows[-count:]]
        middle = rows[quarter:-quarter]
        difference.append(
            snr_db(truth[outer], estimate[outer]) - snr_db(truth[middle], estimate[middle])
        )
    return float(np.mean(difference))


def outer_channels_db(line: MadeLine, estimate: Gathers) -> float:
    """Score of the first and last channel less that of the middle half."""
    truth, count = line.gathers[line.shots.live], estimate.shape[1]
    estimate = estimate[line.shots.live]
    middle = slice(count // 4, count - count // 4)
    outer = snr_db(truth[:, [0, -1]], estimate[:, [0, -1]])
    return outer - snr_db(truth[:, middle], estimate[:, middle])


def support_db(line: MadeLine, *, rotated: bool) -> dict[str, list[float]]:
    """Scores of the truth itself, cut down to its strongest coefficients window by window."""
    method = JointThreshold.for_line(line.recording.shape[0])
    rows = [line.shots.rows_of(source) for source in line.shots.sources]
    count = min(len(own) for own in rows)
    truth = np.stack([line.gathers[own[:count]] for own in rows])
    grid = patch_grid(truth.shape[1:], method, (0, 0, 0), seed=0, iteration=0)
    axes = (grid.slot, grid.channel, grid.time)
    lost, total = np.zeros(len(SUPPORT)), 0.0
    for at in np.ndindex(*(len(axis.start) for axis in axes)):
        places = [axis.start[k] for axis, k in zip(axes, at, strict=True)]
        cut = tuple(slice(a, a + axis.size) for a, axis in zip(places, axes, strict=True))
        taper = [axis.analysis[k] for axis, k in zip(axes, at, strict=True)]
        window = truth[:, *cut] * taper[0][:, None, None] * taper[1][:, None] * taper[2]
        spectra = np.fft.rfftn(window, axes=(1, 2, 3)).reshape(len(rows), -1, axes[2].size // 2 + 1)
        if rotated:
            each = spectra.transpose(2, 0, 1)
            common = np.linalg.eigh(each @ each.conj().transpose(0, 2, 1))[1]
            spectra = (common.conj().transpose(0, 2, 1) @ each).transpose(1, 2, 0)
        power = np.sort(abs(spectra).reshape(-1, spectra.shape[2]) ** 2, axis=0)
        lost += [power[: round((1 - share) * len(power))].sum() for share in SUPPORT]
        total += float(power.sum())
    label = "rotated support" if rotated else "support"
    scores = 10 * np.log10(total / np.maximum(lost, 1e-30))
    return {
        f"{label} from the truth {share:.0%}": [float(score)]
        for share, score in zip(SUPPORT, scores, strict=True)
    }


def separated(line: MadeLine, method: str, **settings: Any) -> Gathers:
    return separate(
        line.recording,
        line.shots,
        length_s=line.length_s,
        method=method,
        device="cpu",
        **settings,
    ).estimate.to_numpy()


def score_db(line: MadeLine, estimate: Gathers) -> float:
    return snr_db(line.gathers[line.shots.live], estimate[line.shots.live])


def with_floor(line: MadeLine, method: str, *, learn: bool) -> dict[str, list[float]]:
    """Scores of one method with one floor."""
    estimate = separated(line, method, learn_floor=learn)
    found = {f"{method} {'learned' if learn else 'fixed'}": [score_db(line, estimate)]}
    if learn:
        found[f"{method} ends"] = [ends_db(line, estimate, 0.1)]
        found[f"{method} first and last shot"] = [ends_db(line, estimate, 0.0)]
    if learn and estimate.shape[1] > 1:
        found[f"{method} outer channels"] = [outer_channels_db(line, estimate)]
    return found


def with_residual(line: MadeLine, choice: str) -> dict[str, list[float]]:
    """What a choice for the residual does to signal and noise."""
    estimate = separated(line, "joint", residual=choice, learn_floor=False)
    live = line.shots.live
    wrong = float(np.mean((line.gathers[live] - estimate[live]) ** 2.0))
    assert line.total_noise_rms is not None  # only asked of lines with white noise
    left = 10 * np.log10(wrong / line.total_noise_rms**2)
    return {f"{choice}": [score_db(line, estimate)], f"{choice} noise left": [float(left)]}


def with_times(line: MadeLine, label: str) -> dict[str, list[float]]:
    """Score with the times of the table or the true ones, refined or not."""
    if "exact" in label:
        right = replace(line.shots, fire_time_ns=line.true_fire_time_ns)
        line = replace(line, shots=right)
    estimate = separated(line, "joint", refine_times="refined" in label, learn_floor=False)
    return {label: [score_db(line, estimate)]}


PARTS: Final[dict[str, Callable[[MadeLine], dict[str, list[float]]]]] = {
    **{
        f"{method} {learn}": partial(with_floor, method=method, learn=learn)
        for method in METHODS
        for learn in (False, True)
    },
    "support": partial(support_db, rotated=False),
    "rotated": partial(support_db, rotated=True),
}
RESIDUALS: Final = {
    choice: partial(with_residual, choice=choice)
    for choice in ("leave_out", "share_by_fold", "add_to_each_shot")
}
REFINED: Final = {
    label: partial(with_times, label=label)
    for label in ("refined", "refined exact", "exact", "wrong")
}


def parts_of(name: str) -> dict[str, Callable[[MadeLine], dict[str, list[float]]]]:
    """What is measured of a line."""
    if name in TIMES:
        return REFINED
    return PARTS | RESIDUALS if "noise" in name else PARTS


def make(name: str, seed: int) -> MadeLine:
    return (TIMES | lines())[name](seed)


def measure(name: str, part: str, line: MadeLine) -> dict[str, list[float]]:
    return parts_of(name)[part](line)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--processes", type=int, default=len(os.sched_getaffinity(0)))
    parser.add_argument("--seeds", type=int, nargs="+", default=[0, 1, 2])
    parser.add_argument("--only", default="")
    chosen = parser.parse_args()
    names = [name for name in lines() | TIMES if chosen.only in name]
    names.sort(key=lambda name: name not in TIMES)  # the longest first
    cases = [(name, seed) for name in names for seed in chosen.seeds]
    total: dict[str, dict[str, list[float]]] = {name: {} for name in names}
    with ProcessPoolExecutor(chosen.processes) as pool:
        made = dict(zip(cases, pool.map(make, *zip(*cases, strict=True)), strict=True))
        tasks = [
            (name, part, made[name, seed])
            for name in names
            for part in parts_of(name)
            for seed in chosen.seeds
        ]
        found = pool.map(measure, *zip(*tasks, strict=True))
        for (name, _, _), values in zip(tasks, found, strict=True):
            for label, each in values.items():
                total[name].setdefault(label, []).extend(each)
            print(name, {label: round(each[0], 2) for label, each in values.items()}, flush=True)
    numbers: dict[str, Number] = {
        f"{name}, {label}_db": [round(value, 2) for value in values]
        for name, rows in total.items()
        for label, values in rows.items()
    }
    keep("quality.floor", numbers)


if __name__ == "__main__":
    main()
