"""What the extra sources bought and cost, in sentences; every number is one of the table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

import numpy as np

from deblend.trial.trial_table import Cell, Row

LARGEST_ERROR_DB: Final = 2.0
"""Octaves in which the output is known less well are not told."""
CAUTION: Final = (
    "All of this is advice from the lines that were given: whether a line is accepted is for the "
    "contract and the geophysicist responsible for it."
)


def sentences(
    rows: Sequence[Row], names: Sequence[str], benchmark: str, missing: Mapping[str, str]
) -> Iterator[str]:
    """For every line but the benchmark what it bought and what it cost; a caution last."""
    own = list(names).index(benchmark)
    for number, name in enumerate(names):
        if number == own:
            continue
        if name in missing:
            yield f"{name} could not be compared: {missing[name]}"
            continue
        yield _bought(rows, number, own, name, benchmark)
        yield _cost(rows, number, own, name, benchmark)
    yield CAUTION


def _cells(
    rows: Sequence[Row], quantity: str, number: int, *, octaves: bool = False
) -> list[tuple[Row, float]]:
    """Rows of a quantity with the number of a line; by octave, or of all frequencies."""
    found = []
    for row in rows:
        if row.quantity == quantity and (row.band_hz is not None) == octaves:
            value: Cell = row.values[number]
            if isinstance(value, float) and np.isfinite(value):
                found.append((row, value))
    return found


def _one(rows: Sequence[Row], quantity: str, number: int) -> float:
    cells = _cells(rows, quantity, number)
    return cells[0][1] if cells else float("nan")


def _time(row: Row) -> str:
    return "" if row.window_s is None else f"{row.window_s[0]:.2f}–{row.window_s[1]:.2f} s"


def _bought(rows: Sequence[Row], number: int, own: int, name: str, benchmark: str) -> str:
    bins = [_one(rows, "crossline bin", which) for which in (number, own)]
    density = [_one(rows, "trace density", which) for which in (number, own)]
    fold = _cells(rows, "fold on common bins", number)
    last = f"{fold[-1][1]:.1f} instead of {fold[-1][0].values[own]:.1f}" if fold else "not known"
    gains = []
    for row, value in _cells(rows, "signal-to-noise of the stack", number):
        reference = row.values[own]
        if isinstance(reference, float):
            gains.append(f"{value - reference:+.1f} dB at {_time(row)}")
    return (
        f"{name} bought crossline bins of {bins[0]:.1f} m ({benchmark}: {bins[1]:.1f} m), "
        f"{density[0] / density[1]:.2f} times the trace density, a fold of {last} on common bins "
        "in the deepest window, and signal-to-noise of the stack: "
        f"{', '.join(gains) or 'not known'}."
    )


def _cost(rows: Sequence[Row], number: int, own: int, name: str, benchmark: str) -> str:
    deep = _cells(rows, "output relative to the benchmark", number, octaves=True)
    window = deep[0][0].window_s if deep else None
    output = [
        f"{value:+.1f} dB at {row.band_hz[0]:.0f}–{row.band_hz[1]:.0f} Hz"
        for row, value in deep
        if row.window_s == window
        and row.band_hz is not None
        and (row.errors[number] or 0.0) < LARGEST_ERROR_DB
    ]
    noise = [
        f"{value:+.1f} dB at {_time(row)}"
        for row, value in _cells(rows, "noise of a trace relative to the benchmark", number)
    ]
    errors = [
        f"{value:.1f} dB{' at ' + _time(row) if row.window_s else ' overall'}"
        for row, value in _cells(rows, "expected error of the separation", number)
    ]
    return (
        f"{name} cost, against {benchmark}, in output by octave (first window): "
        f"{', '.join(output) or 'not known'}; in noise from trace to trace: "
        f"{', '.join(noise) or 'not known'}; expected error of its separation over its signal: "
        f"{', '.join(errors) or 'none stated, nothing was separated'}."
    )
