"""One method first, then another, by how strict the loop has become."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from deblend.arrays import Array
from deblend.errors import SettingsError
from deblend.separation.contract import PatchBatch, Separator, WindowKind, last_method, method_at

_PERIOD: Final = 8.0
"""Samples of the period of the event by which two methods are compared."""


@dataclass(frozen=True)
class Chain:
    """A method while the loop is strict, and another one from there on.

    What a quick or robust method finds while interference is strongest, a more careful one then
    refines. Both work under the same loop and on the same estimate; neither knows of the other,
    nor of iterations.

    Notes
    -----
    The threshold of the loop is in units of the coefficients of `then`, measured on the line. For
    `first` it is converted by what both methods make of one flat event of unit amplitude in a
    window of their own.

    Fails where `first` keeps what is wrong: `then` starts from it, and takes out again only what
    is incoherent to it.

    Examples
    --------
    >>> from deblend.separation.chain import Chain
    >>> from deblend.separation.methods.fk import FkThreshold
    >>> from deblend.separation.methods.joint import JointThreshold
    >>> chain = Chain(FkThreshold(), JointThreshold(), until=0.05)
    """

    first: Separator
    """Used while strictness is above `until`."""
    then: Separator
    """Used from there on; may be a chain again."""
    until: float = 0.05
    """Above 0, below 1. Strictness, the threshold over the largest coefficient of the line, at
    which `then` takes over."""

    def __post_init__(self) -> None:
        if not 0 < self.until < 1:
            raise SettingsError(
                f"until is {self.until!r}",
                remedy="Give the strictness at which the second method takes over: above 0, "
                "below 1.",
            )

    @property
    def in_turn(self) -> tuple[Separator, ...]:
        """Its two methods."""
        return self.first, self.then

    @property
    def patch(self) -> tuple[int, int, int]:
        """Largest window of both along each axis."""
        shots, channels, samples = np.maximum(self.first.patch, self.then.patch).tolist()
        return shots, channels, samples

    @property
    def overlap(self) -> float:
        """The larger one of both."""
        return max(self.first.overlap, self.then.overlap)

    @property
    def window(self) -> WindowKind:
        """That of `then`."""
        return self.then.window

    def largest(self, batch: PatchBatch) -> float:
        """Largest coefficient of `then`."""
        return self.then.largest(batch)

    def keep(self, batch: PatchBatch, strictness: float, reference: float) -> Array:
        """What the method of this strictness keeps; the loop hands each its own windows."""
        method, own = self.for_strictness(strictness, reference)
        return method.keep(batch, strictness, own)

    def for_strictness(self, strictness: float, reference: float) -> tuple[Separator, float]:
        """The method of this strictness, no chain, and the reference in its units."""
        if strictness <= self.until:
            return method_at(self.then, strictness, reference)
        scale = _flat_event(self.first) / _flat_event(self.then)
        return method_at(self.first, strictness, reference * scale)


def _flat_event(method: Separator) -> float:
    """Largest coefficient of a flat event of unit amplitude that fills a window."""
    method = last_method(method)
    shots, channels, samples = method.patch
    phase = np.square(np.pi / _PERIOD * (np.arange(samples) - samples // 2))
    trace = ((1 - 2 * phase) * np.exp(-phase)).astype(np.float32)
    amplitude = np.broadcast_to(trace, (1, 1, shots, channels, samples)).copy()
    live = np.ones(amplitude.shape[:4], np.bool_)
    noise = np.zeros((1, samples // 2 + 1), np.float32)
    return method.largest(PatchBatch(amplitude, live, noise, 0.004, np))
