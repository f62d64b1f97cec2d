"""The unblended gathers that `deblend blend` adds up, from the SEG-Y files of each source."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deblend.errors import RecordError, SettingsError
from deblend.model.segy_layout import TRACE_HEADER
from deblend.records.segy.gathers import Traces, read_traces
from deblend.words import did_you_mean


@dataclass(frozen=True, eq=False)
class SourceGathers:
    """What one source alone recorded."""

    source: int | str
    """Which."""
    shot_point: NDArray[np.int64]
    """(shot,): Values of the shot word, rising."""
    channels: NDArray[np.int64]
    """(channel,): Values of the channel word, rising."""
    amplitude: NDArray[np.float32]
    """(shot, channel, time): Zero where the files hold no trace."""
    missing: int
    """Traces that the files do not hold."""
    interval_ns: int
    """Sample interval in nanoseconds."""


def read_source(
    source: int | str,
    paths: Sequence[Path],
    *,
    shot_word: str,
    channel_word: str,
    keep: dict[str, int],
) -> SourceGathers:
    """Sort the traces of some files into gathers.

    Parameters
    ----------
    source : int or str
        Which source they play.
    paths : sequence of Path
        SEG-Y files.
    shot_word, channel_word : str
        Trace header words; ``"none"`` as channel word makes a single channel.
    keep : dict of str to int
        Header words and the value that a trace must have to take part.

    Raises
    ------
    RecordError
        If a file cannot be read, no trace is left, two traces belong to one shot and channel, files
        differ in interval or length, or samples are not finite.
    SettingsError
        If a header word is not known.
    """
    for word in (shot_word, *keep, *(() if channel_word == "none" else (channel_word,))):
        _check_word(word, source)
    traces = [_kept(read_traces(path), keep) for path in paths]
    _check_alike(traces)
    samples = np.concatenate([some.samples for some in traces])
    if not len(samples):
        kept = ", ".join(f"{word} = {value}" for word, value in keep.items())
        raise RecordError(
            f"no trace is left for source {source}" + (f" with {kept}" if kept else ""),
            where=", ".join(map(str, paths)),
            remedy="Correct `keep` or the files.",
        )
    if not np.isfinite(samples).all():
        raise RecordError(
            f"the traces of source {source} hold NaN or infinite samples",
            where=", ".join(map(str, paths)),
            remedy="Repair or leave out these traces: the truth has to be a number.",
        )
    shot = np.concatenate([some.word(shot_word) for some in traces])
    channel = (
        np.ones_like(shot)
        if channel_word == "none"
        else np.concatenate([some.word(channel_word) for some in traces])
    )
    return _sorted_gathers(source, shot, channel, samples, traces[0].interval_ns)


def _sorted_gathers(
    source: int | str,
    shot: NDArray[np.int64],
    channel: NDArray[np.int64],
    samples: NDArray[np.float32],
    interval_ns: int,
) -> SourceGathers:
    shots, row = np.unique(shot, return_inverse=True)
    channels, column = np.unique(channel, return_inverse=True)
    cell = row * len(channels) + column
    values, counts = np.unique(cell, return_counts=True)
    if counts.max() > 1:
        twice = divmod(int(values[counts.argmax()]), len(channels))
        raise RecordError(
            f"source {source} has {counts.max()} traces of shot {shots[twice[0]]}, channel "
            f"{channels[twice[1]]}",
            remedy="Choose other header words, or `keep` one record of several.",
        )
    amplitude = np.zeros((len(shots) * len(channels), samples.shape[1]), np.float32)
    amplitude[cell] = samples
    return SourceGathers(
        source,
        shots,
        channels,
        amplitude.reshape(len(shots), len(channels), -1),
        len(amplitude) - len(samples),
        interval_ns,
    )


def check_same_shape(gathers: Sequence[SourceGathers]) -> None:
    """Refuse sources of different interval, length or channels.

    Raises
    ------
    RecordError
        With both values.
    """
    first = gathers[0]
    for other in gathers[1:]:
        for what, one, two in (
            ("a sample interval, in ns,", first.interval_ns, other.interval_ns),
            ("a length, in samples,", first.amplitude.shape[2], other.amplitude.shape[2]),
            ("channels", _span(first.channels), _span(other.channels)),
        ):
            if one != two:
                raise RecordError(
                    f"source {first.source} has {what} of {one} and source {other.source} of {two}",
                    remedy="Resample, cut or select the gathers so that all sources agree.",
                )


def _span(channels: NDArray[np.int64]) -> str:
    return f"{channels[0]} to {channels[-1]} ({len(channels)})"


def _kept(traces: Traces, keep: dict[str, int]) -> Traces:
    chosen = np.ones(len(traces.headers), dtype=np.bool_)
    for word, value in keep.items():
        chosen &= traces.word(word) == value
    return traces.take(chosen)


def _check_alike(traces: Sequence[Traces]) -> None:
    first = traces[0]
    for other in traces[1:]:
        if (first.interval_ns, first.samples.shape[1]) != (
            other.interval_ns,
            other.samples.shape[1],
        ):
            raise RecordError(
                f"the file has {other.samples.shape[1]} samples every {other.interval_ns} ns, "
                f"{first.path} has {first.samples.shape[1]} every {first.interval_ns} ns",
                where=str(other.path),
                remedy="Resample or cut the gathers so that all files agree.",
            )


def _check_word(word: str, source: int | str) -> None:
    known = [name for name in TRACE_HEADER.names or () if name != "header_name"]
    if word not in known:
        raise SettingsError(
            f"trace header word {word!r} of source {source} is not known",
            remedy=did_you_mean(word, known, f"Words: {', '.join(known)}."),
        )
