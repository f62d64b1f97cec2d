"""Every channel held against those beside it in stretches of the record: dead, silent, reversed.

Some stretches of each file are read on all channels. Whatever fires, neighbouring channels record
it alike, so nothing needs to be separated. It fails where channels lie so far apart, or noise is so
strong, that neighbours have less than `LEAST_ALIKE` in common; nothing is said of polarity there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from deblend.check.arrivals.near_record import offsets_known
from deblend.model.findings import Finding
from deblend.model.geometry import Geometry
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.model.water import WATER_VELOCITY_M_S
from deblend.qc.like_neighbours import polarity_of

STRETCH_S: Final = 1.5
STRETCHES: Final = 3
"""In a file."""
_MOST_STRETCHES: Final = 240
"""In a line, but one a file at least."""
_MOVEOUT_S: Final = 0.03
"""Between neighbouring channels, where positions are unknown."""
_PULSE_S: Final = 0.01
LEAST_ALIKE: Final = 0.4
SILENT_DB: Final = -20.0
_FEWEST: Final = 5
"""Channels, of which one can be unlike the others."""


@dataclass(frozen=True, eq=False)
class ChannelSums:
    """What stretches of a record are like."""

    file: NDArray[np.int64]
    """(stretch,): Number of the file."""
    energy: NDArray[np.float64]
    """(stretch, channel): Mean square of the differences of samples; NaN where none is known."""
    alike: NDArray[np.float64]
    """(channel - 1,): Correlation with the next channel at its best lag; NaN where too small."""


def channel_findings(
    recording: Recording, shots: Shots, geometry: Geometry | None = None
) -> list[Finding]:
    """Channels that are zero throughout, silent in one file, or of reversed polarity.

    The offsets of `geometry` say how much later than its neighbour a channel may record something.
    """
    if recording.shape[0] < _FEWEST:
        return []
    sums = _measure(recording, shots, _moveout_s(geometry))
    dead: NDArray[np.bool_] = np.nan_to_num(sums.energy).max(axis=0) <= 0.0
    return [
        *_dead_findings(recording, dead),
        *_silent_findings(recording, sums, dead),
        *_reversed_findings(recording, sums, dead),
    ]


def _stretches(recording: Recording, shots: Shots) -> list[tuple[int, int, int]]:
    """File, first and last sample of each stretch that is read; each begins with a shot."""
    files = [(file.start, file.stop) for file in recording.files] or [(0, recording.shape[1])]
    count = max(1, min(STRETCHES, _MOST_STRETCHES // len(files)))
    length = max(1, round(STRETCH_S / recording.interval_s))
    fired_ns = np.sort(shots.fire_time_ns[shots.live])
    fired = (fired_ns - recording.start_ns) // recording.interval_ns
    out = []
    for number, (start, stop) in enumerate(files):
        size = min(length, stop - start)
        inside = fired[(fired >= start) & (fired + size <= stop)]
        if not inside.size:
            inside = np.array([(start + stop - size) // 2])
        places = np.unique(np.linspace(0, len(inside) - 1, count + 2).round().astype(int))
        some = places[1:-1] if len(places) > 2 else places
        out += [(number, int(begin), int(begin) + size) for begin in inside[some]]
    return out


def _moveout_s(geometry: Geometry | None) -> float:
    """Most between neighbouring channels."""
    if geometry is None or not offsets_known(geometry):
        return _MOVEOUT_S
    apart_m = np.abs(np.diff(geometry.offset_m, axis=1))
    return float(np.nanmedian(apart_m)) / WATER_VELOCITY_M_S + _PULSE_S


def _measure(recording: Recording, shots: Shots, moveout_s: float) -> ChannelSums:
    channels = list(range(recording.shape[0]))
    most = max(1, round(moveout_s / recording.interval_s))
    cross = np.zeros((len(channels) - 1, 2 * most + 1))
    total = np.zeros(len(channels))
    files, energies = [], []
    for number, begin, end in _stretches(recording, shots):
        samples = recording.read(channels, begin, end)
        known = np.isfinite(samples)
        # Differences whiten: swell is unlike from channel to channel, and an offset is nothing.
        change = np.diff(np.where(known, samples, 0.0).astype(np.float64), axis=1)
        change[~(known[:, 1:] & known[:, :-1])] = 0.0
        share = known.mean(axis=1)
        energy = np.einsum("ct,ct->c", change, change)
        files.append(number)
        energies.append(np.where(share > 0.5, energy / max(1, end - begin), np.nan))
        padded = next_fast_len(end - begin + most, real=True)
        spectrum = rfft(change, padded, axis=1)
        lagged = irfft(spectrum[1:] * np.conj(spectrum[:-1]), padded, axis=1)
        cross += lagged[:, np.arange(-most, most + 1) % padded]
        total += energy
    size = np.sqrt(total[:-1] * total[1:])
    at = np.abs(cross).argmax(axis=1)[:, None]
    peak = np.take_along_axis(cross, at, axis=1)[:, 0] / np.where(size > 0, size, np.inf)
    alike = np.where(np.abs(peak) >= LEAST_ALIKE, peak, np.nan)
    return ChannelSums(np.array(files), np.array(energies), alike)


def _dead_findings(recording: Recording, dead: NDArray[np.bool_]) -> Iterator[Finding]:
    for row in np.flatnonzero(dead).tolist():
        message = (
            "The channel never changes in any stretch of the record that was read. If it does "
            "nowhere, a run delivers it as zeros and marks its traces dead."
        )
        yield Finding(
            "dead_channel",
            np.nan,
            "",
            "look",
            message,
            channel=int(recording.channel_numbers[row]),
        )


def _silent_findings(
    recording: Recording, sums: ChannelSums, dead: NDArray[np.bool_]
) -> Iterator[Finding]:
    """Channels that are far below their usual level in one file, while others are not."""
    files = np.unique(sums.file)
    if len(files) < 2 or not (~dead).any():
        return
    level = np.full((len(files), len(dead)), np.nan)
    for place, number in enumerate(files.tolist()):
        own = sums.energy[sums.file == number]
        some = np.isfinite(own).any(axis=0)
        level[place, some] = np.nanmean(own[:, some], axis=0)
    with np.errstate(divide="ignore"):
        level_db = 10.0 * np.log10(level)
    level_db[~np.isfinite(level_db) & np.isfinite(level)] = -400.0
    # Against the other channels of the file first, then against its own level in other files.
    for line in (*level_db, *level_db.T):
        known = line[np.isfinite(line)]
        line -= np.median(known) if known.size else 0.0
    for place, row in np.argwhere(np.nan_to_num(level_db) < SILENT_DB).tolist():
        if dead[row]:
            continue
        name = recording.files[int(files[place])].path.name
        below = float(max(level_db[place, row], -200.0))
        how = "is silent" if below <= -200.0 else f"is {-below:.0f} dB below its usual level"
        message = (
            f"The channel {how} in {name}, while others are not. A run takes its samples as they "
            "are and delivers the traces live."
        )
        channel = int(recording.channel_numbers[row])
        yield Finding(
            "channel_silent", below, "dB", "look", message, channel=channel, limit=SILENT_DB
        )


def _reversed_findings(
    recording: Recording, sums: ChannelSums, dead: NDArray[np.bool_]
) -> Iterator[Finding]:
    for row in np.flatnonzero((polarity_of(sums.alike) < 0) & ~dead).tolist():
        number = int(recording.channel_numbers[row])
        message = (
            "The channel has the other polarity than those beside it. A run takes it as it is: it "
            "is separated badly and disturbs its neighbours. reversed_channels = "
            f"[{number}] in [records] turns it."
        )
        yield Finding("channel_reversed", np.nan, "", "fail", message, channel=number)
