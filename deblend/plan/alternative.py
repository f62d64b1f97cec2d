"""What follows from the tables of an alternative: positions, speeds, channels, volumes."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.plan.keys import Alternative
from deblend.plan.shot_timing import clean_length_by_channel_s, source_interval_m

KNOT_M_S: Final = 1852.0 / 3600.0


def source_positions_m(alternative: Alternative) -> NDArray[np.float64]:
    """Sources to starboard of the track, shape (source,)."""
    sources, streamers = alternative.sources, alternative.streamers
    if sources.positions_m is not None:
        return np.array(sources.positions_m, dtype=np.float64)
    separation_m = sources.separation_m
    if separation_m is None:
        separation_m = (streamers.separation_m or 0.0) / sources.count
    places = np.arange(sources.count, dtype=np.float64) - 0.5 * (sources.count - 1)
    return np.asarray(separation_m * places, dtype=np.float64)


def streamer_positions_m(alternative: Alternative) -> NDArray[np.float64]:
    """Streamers to starboard of the track, shape (streamer,)."""
    streamers = alternative.streamers
    place = np.arange(streamers.count, dtype=np.float64) - 0.5 * (streamers.count - 1)
    return np.asarray((streamers.separation_m or 0.0) * place, dtype=np.float64)


def channel_count(alternative: Alternative) -> int:
    """Groups of one streamer."""
    return round(alternative.streamers.length_m / alternative.streamers.group_interval_m)


def speeds_m_s(alternative: Alternative) -> tuple[float, float, float]:
    """Lowest, usual and highest speed over ground: knots times 1852/3600."""
    low, usual, high = (knots * KNOT_M_S for knots in alternative.vessel.speed_kn)
    return low, usual, high


def together(alternative: Alternative) -> bool:
    """Whether all sources fire at every shot point."""
    return alternative.firing.scheme == "near-simultaneous"


def channel_offsets_m(alternative: Alternative) -> NDArray[np.float64]:
    """Inline offset of every channel, shape (channel,)."""
    groups = np.arange(channel_count(alternative), dtype=np.float64)
    streamers = alternative.streamers
    return np.asarray(
        streamers.nearest_offset_m + streamers.group_interval_m * groups, dtype=np.float64
    )


def clean_by_channel_s(alternative: Alternative, clean_s: float) -> NDArray[np.float64]:
    """Clean record length of every channel, shape (channel,); 0 where sources fire together."""
    offsets = channel_offsets_m(alternative)
    if together(alternative) and alternative.sources.count > 1:
        return np.zeros(len(offsets))
    return clean_length_by_channel_s(clean_s, offsets)


def line_shots(alternative: Alternative) -> int:
    """Shots of one source on one sail line, run-in and run-out included."""
    trial = alternative.trial
    interval_m = source_interval_m(
        alternative.firing.shot_interval_m,
        alternative.sources.count,
        together=together(alternative),
    )
    return round(1000.0 * (trial.line_length_km + trial.run_in_and_out_km) / interval_m)


def volumes_cubic_inch(alternative: Alternative) -> NDArray[np.float64] | None:
    """Of each source, shape (source,); None where neither strings nor a volume are given."""
    sources = alternative.sources
    if sources.strings is None:
        if sources.volume_cubic_inch is None:
            return None
        return np.full(sources.count, sources.volume_cubic_inch)
    return np.array(
        [
            sum(sum(alternative.strings[name].guns_cubic_inch) for name in of_source)
            for of_source in sources.strings
            if all(name in alternative.strings for name in of_source)
        ]
    )
