"""The unblended gathers that `deblend blend` adds up, from the SEG-Y files of each source."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deblend.errors import RecordError, SettingsError
from deblend.model.segy_layout import TRACE_HEADER
from deblend.records.segy.gathers import TraceFile, open_trace_file
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

    ``"none"`` as channel word makes a single channel. `keep` has header words and the value that a
    trace must have to take part.
    """
    words = [shot_word, *keep, *(() if channel_word == "none" else (channel_word,))]
    for word in words:
        _check_word(word, source)
    files = [open_trace_file(path, words) for path in paths]
    _check_alike(files)
    kept = [(file, _kept(file, keep)) for file in files]
    samples = np.concatenate([file.read(some) for file, some in kept])
    if not len(samples):
        wanted = ", ".join(f"{word} = {value}" for word, value in keep.items())
        raise RecordError(
            f"no trace is left for source {source}" + (f" with {wanted}" if wanted else ""),
            where=", ".join(map(str, paths)),
            remedy="Correct `keep` or the files.",
        )
    if not np.isfinite(samples).all():
        raise RecordError(
            f"the traces of source {source} hold NaN or infinite samples",
            where=", ".join(map(str, paths)),
            remedy="Repair or leave out these traces: the truth has to be a number.",
        )
    shot = np.concatenate([file.words[shot_word][some] for file, some in kept])
    channel = (
        np.ones_like(shot)
        if channel_word == "none"
        else np.concatenate([file.words[channel_word][some] for file, some in kept])
    )
    return _sorted_gathers(source, shot, channel, samples, files[0].interval_ns)


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
    """Refuse sources of different interval, length or channels."""
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


def _kept(file: TraceFile, keep: dict[str, int]) -> NDArray[np.int64]:
    """Traces in which the words have the values that are asked for."""
    chosen = np.ones(file.trace_count, dtype=np.bool_)
    for word, value in keep.items():
        chosen &= file.words[word] == value
    return np.flatnonzero(chosen)


def _check_alike(files: Sequence[TraceFile]) -> None:
    first = files[0]
    for other in files[1:]:
        if (first.interval_ns, first.length) != (other.interval_ns, other.length):
            raise RecordError(
                f"the file has {other.length} samples every {other.interval_ns} ns, "
                f"{first.path} has {first.length} every {first.interval_ns} ns",
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
