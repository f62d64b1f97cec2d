"""Channels of reversed polarity turned while they are read, because a line file names them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError
from deblend.model.findings import Finding
from deblend.model.recording import Recording, SampleSource


@dataclass(frozen=True, eq=False)
class TurnedSamples:
    """Samples of another source, some channels with the other sign."""

    source: SampleSource
    """As recorded."""
    sign: NDArray[np.float32]
    """(channel,): 1, or -1 where a channel is turned."""

    @property
    def shape(self) -> tuple[int, int]:
        """Number of channels and of samples."""
        return self.source.shape

    def read(self, channels: Sequence[int], start: int, stop: int) -> NDArray[np.float32]:
        """Samples ``[start, stop)`` of some channels."""
        samples = self.source.read(channels, start, stop)
        turned: NDArray[np.float32] = samples * self.sign[np.asarray(channels), None]
        return turned


def turn_channels(recording: Recording, numbers: Sequence[int]) -> Recording:
    """The recording with the sign of some channels changed, each named in a finding.

    Raises
    ------
    InputError
        If there is no such channel.
    """
    known = recording.channel_numbers
    missing = [number for number in numbers if number not in known]
    if missing:
        raise InputError(
            f"there is no channel {missing[0]} to be turned",
            where="reversed_channels in table [records]",
            remedy=f"Channels are numbered from {known.min()} to {known.max()}.",
        )
    if not numbers:
        return recording
    sign = np.where(np.isin(known, numbers), -1.0, 1.0).astype(np.float32)
    findings = [
        Finding(
            "channel_turned",
            np.nan,
            "",
            "note",
            f"The polarity of channel {number} is turned before anything else, as the line file "
            "asks; it is delivered turned.",
            channel=int(number),
        )
        for number in sorted(set(numbers))
    ]
    samples = TurnedSamples(recording.source, sign)
    return replace(recording, samples=samples, findings=(*recording.findings, *findings))
