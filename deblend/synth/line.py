"""A made line: a recording together with the answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError
from deblend.model.geometry import Geometry
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.words import counted


@dataclass(frozen=True)
class NominalStreamer:
    """What the survey plan says about the streamer; the true geometry may differ by feathering."""

    nearest_offset_m: float
    group_interval_m: float
    depth_m: float
    crossline_m: float
    """Inline distance from the sources to the first channel, distance between channels, depth, and
    position of the head to starboard of the track."""


@dataclass(frozen=True, eq=False)
class MadeLine:
    """A continuous recording whose separated sources are known."""

    name: str
    description: str
    """What the line is, in a word and in a sentence."""
    recording: Recording
    """The blended record with its noise."""
    shots: Shots
    """The shot table as a processor gets it: its fire times may be wrong (see `true_fire_time_ns`),
    its misfires are marked ``live=False``."""
    geometry: Geometry
    """Positions at the fire times, one row a row of `shots`."""
    truth: Mapping[int | str, NDArray[np.float32]]
    """(shot, channel, time): What each source alone would have recorded without noise; rows in the
    order of that source's rows in `shots`, sample 0 at the true fire time. Misfires are zero."""
    length_s: float
    """Length of the truth, in seconds."""
    noise_rms: Mapping[str, float] | None
    """Each noise that was added and its rms in the record; None where the truth is recorded data
    with a noise of its own."""
    true_fire_time_ns: NDArray[np.int64]
    """(shot,): When the shots really fired."""
    streamer: NominalStreamer | None = None
    """As planned."""

    def __post_init__(self) -> None:
        for source in self.shots.sources:
            rows, held = len(self.shots.rows_of(source)), len(self.truth[source])
            if rows != held:
                raise InputError(
                    f"source {source} has {counted(rows, 'shot')} and truth for {held}",
                    remedy="Give one row of truth a shot.",
                )

    @property
    def gathers(self) -> NDArray[np.float32]:
        """Truth of all sources, shape (shot, channel, time), in the order of the shot table."""
        some = next(iter(self.truth.values()))
        out = np.zeros((len(self.shots), *some.shape[1:]), dtype=np.float32)
        for source in self.shots.sources:
            out[self.shots.rows_of(source)] = self.truth[source]
        return out

    @property
    def total_noise_rms(self) -> float | None:
        """Rms of all noise together, its kinds taken as unrelated; None where unknown."""
        if self.noise_rms is None:
            return None
        return float(np.sqrt(sum(value**2 for value in self.noise_rms.values())))
