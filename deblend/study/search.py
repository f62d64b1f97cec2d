"""Choosing a setting of any method: by the truth where it is known, else by injected events."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import msgspec
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from deblend.decibels import decibels
from deblend.errors import SettingsError
from deblend.files import replacing
from deblend.inject.event_design import design_events
from deblend.inject.injected_events import EventGathers, inject
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.report.drawing import png_bytes
from deblend.report.study_page import search_figure
from deblend.separation.settings import DEFAULTS, SeparationSettings
from deblend.study.scores import score
from deblend.study.study import StudyMethod
from deblend.synth.line import MadeLine

SHOTS_TOGETHER: Final = 9
"""Neighbouring shots of a source that are averaged before injected events are looked for."""
Scored = Callable[[StudyMethod], float]


@dataclass(frozen=True, eq=False)
class Search:
    """What a search found."""

    setting: str
    """What was varied; ``iterations``, another of `SeparationSettings`, or one of the method."""
    values: tuple[Any, ...]
    """What was tried."""
    scores: NDArray[np.float64]
    """(value,): Higher is better; NaN where the method failed."""
    score_name: str
    """What the score is, with its unit."""
    failures: tuple[str, ...]
    """What the method said, one text a value; empty where it worked."""

    @property
    def best(self) -> Any:
        """The value with the highest score."""
        if not np.isfinite(self.scores).any():
            raise SettingsError(
                f"the method failed with every value of {self.setting}",
                where=self.failures[0],
                remedy="Try other values.",
            )
        return self.values[int(np.nanargmax(self.scores))]

    def picture(self, path: str | Path) -> Path:
        """Write the curve as a PNG file; values that are no numbers stand side by side."""
        numbers = [value if isinstance(value, int | float) else None for value in self.values]
        places = list(range(len(self.values)))
        x = [float(v) for v in numbers if v is not None]
        if len(x) < len(places):
            x = [float(place) for place in places]
        label = self.setting
        if None in numbers:
            label += ": " + ", ".join(f"{k} = {value}" for k, value in enumerate(self.values))
        chosen = x[self.values.index(self.best)]
        figure = search_figure(label, x, {self.score_name: self.scores}, chosen)
        with replacing(Path(path)) as stream:
            stream.write(png_bytes(figure))
        return Path(path)


def search(
    method: StudyMethod, setting: str, values: Sequence[Any], scored: Scored, score_name: str
) -> Search:
    """Try every value of a setting and score it.

    Parameters
    ----------
    setting : str
        ``iterations``, another of `SeparationSettings`, or a setting of the method.
    scored : callable
        Score of a method, higher is better: from `by_truth` or `by_injection`.
    score_name : str
        With its unit, for the curve.
    """
    if not values:
        raise SettingsError("there is no value to try", remedy="Give at least one.")
    scores, failures = [], []
    for value in values:
        changed = _with(method, setting, value)
        try:
            scores.append(scored(changed))
            failures.append("")
        except Exception as error:  # methods are code of others: anything may come
            scores.append(float("nan"))
            failures.append(f"{setting} = {value}: {error}")
    return Search(setting, tuple(values), np.array(scores), score_name, tuple(failures))


def _with(method: StudyMethod, setting: str, value: Any) -> StudyMethod:
    if setting == "iterations":
        return replace(method, iterations=int(value))
    if setting in SeparationSettings.__struct_fields__:
        changed = msgspec.structs.replace(method.separation, **{setting: value})
        return replace(method, separation=changed)
    return replace(method, settings=method.settings | {setting: value})


def by_truth(line: MadeLine, *, iterations: int = DEFAULTS.iterations) -> Scored:
    """Signal-to-noise ratio (dB) over all sources of a line with a known answer."""

    def scored(method: StudyMethod) -> float:
        estimate = _estimate(method, line.recording, line.shots, line.length_s, iterations)
        return float(score(line, estimate)["snr_db"])

    return scored


def by_injection(
    recording: Recording,
    shots: Shots,
    *,
    length_s: float,
    offset_m: NDArray[np.float64] | None = None,
    iterations: int = DEFAULTS.iterations,
    level_db: float = 0.0,
    seed: int = 0,
) -> Scored:
    """How well weak events come back that are added to a record whose truth is not known.

    Each method separates the record as it is and with the events; its score is the signal-to-noise
    ratio (dB) of the difference against the events, both averaged over nine neighbouring shots of
    a source, along which events are smooth: two separations differ by more than the events, and
    what differs at random from shot to shot says little. It falls where events are lost and where
    they come out changed or as interference. The events are those of `deblend inject`, designed
    once, from a separation by the default method, so that all are asked the same.

    Parameters
    ----------
    offset_m : ndarray of float64, shape (shot, channel), optional
        Offsets, for events with the moveout of the data.
    level_db : float, optional
        Strength of the events relative to the separated data around them, octave by octave.
    """
    first = _estimate(StudyMethod("auto", "auto"), recording, shots, length_s, iterations)
    numbers = np.searchsorted(np.array(shots.sources), shots.source).astype(np.int64)
    live = shots.live
    events = design_events(
        first[live],
        numbers[live],
        None if offset_m is None else offset_m[live],
        recording.interval_s,
        level_db=level_db,
        seed=seed,
    )
    offsets = np.zeros(first.shape[:2]) if offset_m is None else offset_m
    gathers = EventGathers(events, shots, offsets, recording.interval_s, first.shape[2])
    added = gathers.gathers(np.arange(len(shots)), range(first.shape[1]))
    with_events = inject(recording, gathers)

    def scored(method: StudyMethod) -> float:
        before, after = (
            _estimate(method, record, shots, length_s, iterations)
            for record in (recording, with_events)
        )
        signal = error = 0.0
        for source in shots.sources:
            rows = shots.rows_of(source)
            rows = rows[live[rows]]
            wanted = uniform_filter1d(added[rows], SHOTS_TOGETHER, axis=0)
            wrong = uniform_filter1d(after[rows] - before[rows], SHOTS_TOGETHER, axis=0) - wanted
            signal += float(np.square(wanted, dtype=np.float64).sum())
            error += float(np.square(wrong, dtype=np.float64).sum())
        return -decibels(error, signal)

    return scored


def _estimate(
    method: StudyMethod, recording: Recording, shots: Shots, length_s: float, iterations: int
) -> NDArray[np.float32]:
    result = method.separate(recording, shots, length_s, method.iterations or iterations)
    return np.asarray(result.estimate.values)
