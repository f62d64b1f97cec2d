"""The record itself at an instant, and which shots fire there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.model.place import Place
from deblend.view.drawn import Shades, clip_of, sample_span, shades_of
from deblend.view.gathers import MOST_TRACES, RECORD_S
from deblend.view.viewed_line import ViewedLine

_MOST_NAMED: Final = 200


@dataclass(frozen=True, eq=False)
class DrawnRecord:
    """Some seconds of the record."""

    shades: Shades
    """(time, channel)."""
    channels: NDArray[np.int64]
    """Channel numbers."""
    span_s: tuple[float, float]
    """Seconds after the begin of the record."""
    clip: float
    """Amplitude that is black."""
    fired_s: list[float]
    fired_words: list[str]
    """Time breaks inside, and whose they are."""


def draw_record(line: ViewedLine, place: Place) -> DrawnRecord:
    """The record from the second that a place names on."""
    recording, shots = line.job.recording, line.job.shots
    begin_s, (low, high) = place.number or 0.0, place.time_s or (0.0, RECORD_S)
    interval_s = recording.interval_ns * 1e-9
    begin, end = sample_span((begin_s + low, begin_s + high), interval_s, recording.shape[1])
    step = -(-recording.shape[0] // MOST_TRACES)
    rows = np.arange(0, recording.shape[0], step)
    samples = recording.read(rows.tolist(), begin, end)
    clip = clip_of(samples, place.clip)
    after_begin_s = (shots.fire_time_ns - recording.start_ns) * 1e-9
    span_s = begin * interval_s, end * interval_s
    inside = np.flatnonzero((after_begin_s >= span_s[0]) & (after_begin_s < span_s[1]))
    inside = inside[:_MOST_NAMED]
    return DrawnRecord(
        shades_of(samples, clip),
        recording.channel_numbers[rows],
        span_s,
        clip,
        after_begin_s[inside].tolist(),
        [f"source {shots.source[row]}, shot {shots.shot_point[row]}" for row in inside],
    )
