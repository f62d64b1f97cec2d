"""The prediction fitted to measured separations, and judged with scenes left out in turn."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from scipy.stats import spearmanr

from benchmarks.result import Number, keep

LEAST_LEVEL: Final = 1e-4
"""Windows with less of the energy of the whole trace hold no signal to speak of."""
RIDGE: Final = 1.0
CHOSEN: Final = "mirror + shift"
"""Needs one trial separation, and sees wrong times best."""
SETS: Final[dict[str, tuple[str, ...]]] = {
    "residual": ("residual",),
    "withheld": ("withheld_apart",),
    "injected": ("injected_apart", "injected_level"),
    "withheld + injected": ("withheld", "injected", "injected_level"),
    "mirror": ("mirror",),
    CHOSEN: ("mirror", "shift"),
    "mirror + shift + withheld": ("mirror", "shift", "withheld_apart"),
    "mirror + shift + injected": ("mirror", "shift", "injected_apart", "injected_level"),
    "all": ("mirror", "shift", "withheld_apart", "injected_apart", "injected_level", "residual"),
}
LOOK_DB: Final = (-15.0, -6.0)
"""Limits of the whole trace and of the worst window: above, a run does not pass."""
BAD_DB: Final = -8.0
"""A run whose true error is above must not pass."""
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
        predicted = left_out(cases, chosen)
        found = {"whole": summary(cases, predicted, whole)}
        found["window"] = summary(cases, predicted, ~whole)
        found["runs"] = wrong_verdicts(cases, predicted)
        print(
            f"{name:28}", *(" ".join(f"{x:6.2f}" for x in part.values()) for part in found.values())
        )
        for where, part in found.items():
            numbers |= {f"{name}, {where}: {what}": value for what, value in part.items()}
    best = SETS[CHOSEN]
    print_runs(cases, left_out(cases, best))
    draw(cases, left_out(cases, best))
    weights = solve(design(cases, best), cases.true_db, row_weights(cases))
    numbers["coefficients"] = weights.round(3).tolist()
    rounded = {k: v if isinstance(v, list) else round(v, 3) for k, v in numbers.items()}
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
    """Of bad runs the share that would pass, of good runs the share that would not."""
    passed, looked = [], []
    for run in np.unique(cases.run):
        here = cases.run == run
        whole, windows = here & (cases.window == 0), here & (cases.window > 0)
        true = cases.true_db[whole].max(), cases.true_db[windows].max()
        passes = predicted[whole].max() <= LOOK_DB[0] and predicted[windows].max() <= LOOK_DB[1]
        if true[0] > BAD_DB:
            passed.append(passes)
        if true[0] < GOOD_DB[0] and true[1] < GOOD_DB[1]:
            looked.append(not passes)
    return {
        "bad runs": len(passed),
        "bad runs that pass (%)": 100 * float(np.mean(passed)),
        "good runs": len(looked),
        "good runs that do not pass (%)": 100 * float(np.mean(looked)),
    }


def read_cases(file: Path) -> Cases:
    with file.open(encoding="utf-8", newline="") as text:
        rows = list(csv.DictReader(text))

    def column(name: str) -> np.ndarray:
        return np.array([float(row[name]) for row in rows])

    def less(error: str, residual: str) -> np.ndarray:
        return np.maximum(column(error) - column(residual), 0.1 * column(error))

    signal = column("level") >= LEAST_LEVEL
    ratios = {
        "withheld": less("both_withheld_error", "both_withheld_residual")
        * column("injected_level"),
        "injected": column("both_injected_error"),
        "injected_level": column("injected_level"),
        "withheld_apart": less("withheld_error", "withheld_residual"),
        "injected_apart": column("injected_error"),
        "mirror": column("mirror_error"),
        "shift": column("shift"),
        "residual": column("residual"),
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
        features={name: decibels(values[signal]) for name, values in ratios.items()},
    )


def decibels(ratio: np.ndarray) -> np.ndarray:
    return np.clip(10 * np.log10(np.maximum(ratio, 1e-12)), -60, 20)


def mean_db(values: np.ndarray) -> float:
    return float(10 * np.log10(np.mean(10 ** (values / 10)))) if len(values) else float("nan")


def design(cases: Cases, chosen: tuple[str, ...]) -> np.ndarray:
    return np.stack([*(cases.features[name] for name in chosen), np.ones(len(cases.run))], axis=1)


def row_weights(cases: Cases) -> np.ndarray:
    """Every separation counts once."""
    _, number, count = np.unique(cases.run, return_inverse=True, return_counts=True)
    return 1 / count[number]


def solve(matrix: np.ndarray, wanted: np.ndarray, weight: np.ndarray) -> np.ndarray:
    root = np.sqrt(weight)
    penalty = RIDGE * np.eye(matrix.shape[1])
    penalty[-1, -1] = 0
    normal = (matrix * weight[:, None]).T @ matrix + penalty
    return np.linalg.solve(normal, (matrix * root[:, None]).T @ (root * wanted))


def left_out(cases: Cases, chosen: tuple[str, ...]) -> np.ndarray:
    """Prediction of each scene by a fit to the others."""
    matrix, weight = design(cases, chosen), row_weights(cases)
    predicted = np.full(len(matrix), np.nan)
    for scene in np.unique(cases.scene):
        here = cases.scene == scene
        found = solve(matrix[~here], cases.true_db[~here], weight[~here])
        predicted[here] = matrix[here] @ found
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
