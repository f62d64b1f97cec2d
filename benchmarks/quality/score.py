"""Scores of one separation against its answer, as one row of the table."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deblend.qc.bands import octave_bands
from deblend.study.scores import pseudo_deblended, score_against_truth
from deblend.synth.line import MadeLine

Row = dict[str, str]
Settings = dict[str, str | int | float | bool]


def score_row(
    line: MadeLine, estimate: NDArray[np.float32], windows_s: list[tuple[float, float]]
) -> Row:
    """All scores in dB, lists from early to late and from low to high separated by blanks.

    Energies are pooled over all sources, or over all pairs of sources. `start` is the
    pseudo-deblended record; `unblended` what the noise of the record alone would leave.
    """
    scores = score_against_truth(line, estimate, pseudo_deblended(line), windows_s)
    row = {name: _cell(value) for name, value in scores.items()}
    row["window_s"] = " ".join(f"{a:.2f}:{b:.2f}" for a, b in windows_s)
    bands = octave_bands(line.recording.interval_s)
    row["octave_hz"] = " ".join(f"{a:.1f}:{b:.1f}" for a, b in bands)
    return row


def settings_text(settings: Settings) -> str:
    """Settings that may change a score, in one cell."""
    described = {
        key: value for key, value in settings.items() if key not in ("method", "length_s", "seed")
    }
    return json.dumps(described, sort_keys=True)


def _cell(value: Any) -> str:
    """A number, numbers separated by blanks, or nothing."""
    if value is None:
        return ""
    return " ".join(f"{number:.2f}" for number in (value if isinstance(value, list) else [value]))
