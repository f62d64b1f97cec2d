"""The prediction fitted to measured separations, and judged with scenes left out in turn."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from scipy.stats import spearmanr

LEAST_LEVEL: Final = 1e-4
"""Windows with less of the energy of the whole trace hold no signal to speak of."""
RIDGE: Final = 1.0
SETS: Final[dict[str, tuple[str, ...]]] = {
    "residual": ("residual",),
    "withheld": ("withheld",),
    "injected": ("injected",),
    "withheld + injected": ("withheld", "injected"),
    "withheld + injected + level": ("withheld", "injected", "injected_level"),
    "+ shift": ("withheld", "injected", "injected_level", "shift"),
    "+ residual": ("withheld", "injected", "injected_level", "shift", "residual"),
    "+ change": ("withheld", "injected", "injected_level", "shift", "residual", "change"),
    "+ line up": (
        *("withheld", "injected", "injected_level", "shift", "residual", "change"),
        *("coherent", "lost", "copied"),
    ),
    "apart": ("withheld_apart", "injected_apart", "injected_level", "shift", "residual"),
    "apart, elsewhere": (
        *("withheld_apart", "injected_apart", "elsewhere", "injected_level"),
        *("shift", "residual"),
    ),
    "apart, mirror": (
        *("withheld_apart", "injected_apart", "mirror", "injected_level"),
        *("shift", "residual"),
    ),
}


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
    """Print how each set of features predicts scenes that it was not fitted to."""
    cases = read_cases(file)
    whole = cases.window == 0
    print(f"{len(np.unique(cases.run))} separations, {len(cases.run)} rows")
    for name, chosen in SETS.items():
        predicted = left_out(cases, chosen)
        print(
            f"{name:28}", summary(cases, predicted, whole), "|", summary(cases, predicted, ~whole)
        )
    best = SETS["+ residual"]
    predicted = left_out(cases, best)
    for run in np.unique(cases.run):
        here = cases.run == run
        first = here & whole
        print(
            f"{run:44} true {mean_db(cases.true_db[first]):6.1f} expected "
            f"{mean_db(predicted[first]):6.1f}"
        )
    weights = solve(design(cases, best), cases.true_db, row_weights(cases))
    print(dict(zip((*best, "one"), weights.round(3).tolist(), strict=True)))


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
        "change": column("both_withheld_change") * column("injected_level"),
        "withheld_apart": less("withheld_error", "withheld_residual"),
        "injected_apart": column("injected_error"),
        "mirror": column("mirror_error"),
        "elsewhere": np.nan_to_num(column("elsewhere"), nan=1.0),
        "shift": column("shift"),
        "residual": column("residual"),
        "coherent": column("coherent"),
        "lost": column("lost"),
        "copied": column("copied"),
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


def summary(cases: Cases, predicted: np.ndarray, chosen: np.ndarray) -> str:
    off = predicted[chosen] - cases.true_db[chosen]
    rank = spearmanr(predicted[chosen], cases.true_db[chosen]).statistic
    return (
        f"rank {rank:5.2f}  median {np.median(np.abs(off)):4.1f}  within 2 dB "
        f"{np.mean(np.abs(off) <= 2):4.0%} 5 dB {np.mean(np.abs(off) <= 5):4.0%}"
    )
