"""The prediction fitted to measured separations, and judged with scenes left out in turn."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from scipy.optimize import least_squares
from scipy.stats import spearmanr

from benchmarks.result import Number, keep

LEAST_LEVEL: Final = 1e-4
"""Windows with less of the energy of the whole trace hold no signal to speak of."""
CHOSEN: Final = "mirror, shift, unexplained"
"""Needs one trial separation beside that of the channels as they are."""
Set = tuple[tuple[str, ...], tuple[str, ...]]
SETS: Final[dict[str, Set]] = {
    "residual": (("residual",), ()),
    "mirror": (("mirror",), ()),
    "mirror, shift": (("mirror",), ("shift",)),
    CHOSEN: (("mirror",), ("shift", "unexplained")),
    "with withheld samples": (("mirror_and_withheld", "withheld"), ("shift", "unexplained")),
}
"""Features that make one error by a straight line in dB, and features that are errors of their own,
whose energies are added, each with a factor."""
LOOK_DB: Final = (-15.0, -6.0)
"""Limits of the whole trace and of the worst window: above, a run does not pass."""
FAIL_DB: Final = (-8.0, 0.0)
"""Above, it fails; a run whose true error of the whole trace is above must not pass."""
GOOD_DB: Final = (-20.0, -12.0)
"""A run whose true errors are below ought to pass."""


@dataclass(frozen=True, eq=False)
class Cases:
    """Rows of the table of features that hold signal."""

    run: np.ndarray
    scene: np.ndarray
    kind: np.ndarray
    window: np.ndarray
    level: np.ndarray
    true_db: np.ndarray
    features: dict[str, np.ndarray]


def fit(file: Path) -> None:
    """Print how each set of features predicts scenes that it was not fitted to; keep the chosen."""
    cases = read_cases(file)
    whole = cases.window == 0
    print(f"{len(np.unique(cases.run))} separations, {len(cases.run)} rows")
    numbers: dict[str, Number] = {"separations": len(np.unique(cases.run)), "rows": len(cases.run)}
    for name, chosen in SETS.items():
        if not cases.features.keys() >= {*chosen[0], *chosen[1]}:
            continue
        predicted = left_out(cases, chosen)
        found = {"whole": summary(cases, predicted, whole)}
        found["window"] = summary(cases, predicted, ~whole)
        found["runs"] = wrong_verdicts(cases, predicted)
        print(
            f"{name:28}", *(" ".join(f"{x:6.2f}" for x in part.values()) for part in found.values())
        )
        coefficients = solve(cases, chosen, np.ones(len(cases.run), bool)).tolist()
        print(f"{'slopes, constant, factors':28}", *(f"{x:6.3f}" for x in coefficients))
        numbers[f"{name}: slopes, constant, factors"] = coefficients
        for where, part in found.items():
            numbers |= {f"{name}, {where}: {what}": value for what, value in part.items()}
    best = SETS[CHOSEN]
    print_runs(cases, left_out(cases, best))
    draw(cases, left_out(cases, best))
    rounded: dict[str, Number] = {
        k: [round(x, 3) for x in v] if isinstance(v, list) else round(v, 3)
        for k, v in numbers.items()
    }
    keep("qc.verdict", rounded)


def print_runs(cases: Cases, predicted: np.ndarray) -> None:
    """True and expected error of each separation, whole trace, mean of sources."""
    for run in np.unique(cases.run):
        first = (cases.run == run) & (cases.window == 0)
        print(
            f"{run:44} true {mean_db(cases.true_db[first]):6.1f} expected "
            f"{mean_db(predicted[first]):6.1f}"
        )


def draw(cases: Cases, predicted: np.ndarray) -> None:
    """Predicted against true, in characters: whole traces are o, windows are dots."""
    picture = np.full((26, 52), " ")
    for window, sign in ((False, "o"), (True, ".")):
        chosen = (cases.window > 0) == window
        column = np.clip((cases.true_db[chosen] + 42).astype(int), 0, 51)
        row = np.clip((-predicted[chosen] / 2 + 5).astype(int), 0, 25)
        free = picture[row, column] != "o"
        picture[row[free], column[free]] = sign
    print("expected error from +10 dB (top) to -42, true error from -42 dB to +10 (right)")
    print("\n".join("|" + "".join(line) for line in picture))


def wrong_verdicts(cases: Cases, predicted: np.ndarray) -> dict[str, float]:
    """Of bad runs the share that would pass or fail, of good runs the share that would not pass."""
    bad, good, fair = [], [], []
    for run in np.unique(cases.run):
        here = cases.run == run
        whole, windows = here & (cases.window == 0), here & (cases.window > 0)
        true = cases.true_db[whole].max(), cases.true_db[windows].max()
        expected = predicted[whole].max(), predicted[windows].max()
        passes = expected[0] <= LOOK_DB[0] and expected[1] <= LOOK_DB[1]
        fails = expected[0] > FAIL_DB[0] or expected[1] > FAIL_DB[1]
        if true[0] > FAIL_DB[0]:
            bad.append((passes, fails))
        if true[0] < GOOD_DB[0] and true[1] < GOOD_DB[1]:
            good.append(not passes)
        if true[0] < LOOK_DB[0] and true[1] < LOOK_DB[1]:
            fair.append(fails)
    return {
        "bad runs": len(bad),
        "bad runs that pass (%)": share(passes for passes, _ in bad),
        "bad runs that fail (%)": share(fails for _, fails in bad),
        "good runs": len(good),
        "good runs that do not pass (%)": share(good),
        "runs within limits": len(fair),
        "runs within limits that fail (%)": share(fair),
    }


def share(of: Iterable[bool]) -> float:
    cases = list(of)
    return 100 * float(np.mean(cases)) if cases else float("nan")


def read_cases(file: Path) -> Cases:
    with file.open(encoding="utf-8", newline="") as text:
        rows = list(csv.DictReader(text))

    def column(name: str) -> np.ndarray:
        return np.array([float(row[name]) for row in rows])

    signal = column("level") >= LEAST_LEVEL
    features = {
        name: decibels(column(name)[signal])
        for name in (
            "mirror",
            "mirror_and_withheld",
            "withheld",
            "shift",
            "unexplained",
            "residual",
        )
        if name in rows[0]
    }
    text = {
        name: np.array([row[name] for row in rows])[signal]
        for name in ("scene", "kind", "method", "iterations")
    }
    run = np.array(
        [
            " ".join(parts)
            for parts in zip(text["scene"], text["method"], text["iterations"], strict=True)
        ]
    )
    return Cases(
        run=run,
        scene=text["scene"],
        kind=text["kind"],
        window=column("window")[signal].astype(int),
        level=column("level")[signal],
        true_db=decibels(column("true")[signal]),
        features=features,
    )


def decibels(ratio: np.ndarray) -> np.ndarray:
    return np.clip(10 * np.log10(np.maximum(ratio, 1e-12)), -60, 20)


def mean_db(values: np.ndarray) -> float:
    return float(10 * np.log10(np.mean(10 ** (values / 10)))) if len(values) else float("nan")


def row_weights(cases: Cases) -> np.ndarray:
    """Every separation counts once."""
    _, number, count = np.unique(cases.run, return_inverse=True, return_counts=True)
    return 1 / count[number]


def predict(cases: Cases, chosen: Set, numbers: np.ndarray) -> np.ndarray:
    """Expected error in dB: slopes, constant, factors."""
    lines, added = chosen
    slopes, (constant, *factors) = numbers[: len(lines)], numbers[len(lines) :]
    parts = [
        sum(s * cases.features[name] for s, name in zip(slopes, lines, strict=True)) + constant
    ]
    parts += [cases.features[name] + f for f, name in zip(factors, added, strict=True)]
    return np.asarray(10 * np.log10(sum(10 ** (part / 10) for part in parts)))


def solve(cases: Cases, chosen: Set, use: np.ndarray) -> np.ndarray:
    """Slopes, constant and factors of least squared error in dB."""
    root = np.sqrt(row_weights(cases))[use]
    lines, added = chosen
    first = [1 / len(lines)] * len(lines) + [-2.0] * (1 + len(added))

    def off(numbers: np.ndarray) -> np.ndarray:
        return root * (predict(cases, chosen, numbers) - cases.true_db)[use]

    return np.asarray(least_squares(off, first).x)


def left_out(cases: Cases, chosen: Set) -> np.ndarray:
    """Prediction of each scene by a fit to the others."""
    predicted = np.full(len(cases.run), np.nan)
    for scene in np.unique(cases.scene):
        here = cases.scene == scene
        predicted[here] = predict(cases, chosen, solve(cases, chosen, ~here))[here]
    return predicted


def summary(cases: Cases, predicted: np.ndarray, chosen: np.ndarray) -> dict[str, float]:
    """How well rows are predicted."""
    off = predicted[chosen] - cases.true_db[chosen]
    return {
        "rank correlation": float(
            spearmanr(predicted[chosen], cases.true_db[chosen]).statistic  # type: ignore[attr-defined]
        ),
        "median error (dB)": float(np.median(np.abs(off))),
        "root mean square error (dB)": float(np.sqrt(np.mean(off**2))),
        "within 2 dB (%)": 100 * float(np.mean(np.abs(off) <= 2)),
        "within 5 dB (%)": 100 * float(np.mean(np.abs(off) <= 5)),
    }
