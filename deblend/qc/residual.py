"""What the separated gathers do not explain of the record: the re-blend residual.

A small residual is necessary, not sufficient: an answer that explains the record to the last
sample may still have given the energy to the wrong source. So these numbers find places that want
a look; they never say that a separation is good.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.model.shots import Shots
from deblend.qc.limits import RESIDUAL, WORST_RESIDUAL, Limit, judged

WORST_SHOTS = 5


@dataclass(frozen=True, eq=False)
class ResidualEnergy:
    """Energy of residual and record in windows after each shot; add them over blocks of channels.

    A sample in which N shots are active counts 1/N for each of them, so that the sum over shots
    is the energy of the record.
    """

    residual: NDArray[np.float64]
    record: NDArray[np.float64]
    """(shot, window): Energies, in squared amplitude units."""

    def __add__(self, other: ResidualEnergy) -> ResidualEnergy:
        return ResidualEnergy(self.residual + other.residual, self.record + other.record)


def residual_energy(
    residual: NDArray[np.float32],
    record: NDArray[np.float32],
    fold: NDArray[np.integer],
    first_sample: NDArray[np.int64],
    windows: Sequence[tuple[int, int]],
) -> ResidualEnergy:
    """Energy of residual and record inside the windows of each shot.

    Parameters
    ----------
    residual, record : ndarray of float32, shape (channel, time)
        Unknown samples zero in both.
    fold : ndarray of int, shape (time,)
        Number of shots active at each sample.
    first_sample : ndarray of int64, shape (shot,)
        Sample of the record nearest to each time break; may lie outside the record.
    windows : sequence of (int, int)
        Sample ranges ``[start, stop)`` after the time break.

    Returns
    -------
    ResidualEnergy
    """
    share = 1.0 / np.maximum(fold, 1)
    return ResidualEnergy(
        *(_windowed(_power(part) * share, first_sample, windows) for part in (residual, record))
    )


def _power(samples: NDArray[np.float32]) -> NDArray[np.float64]:
    power: NDArray[np.float64] = np.einsum("ct,ct->t", samples, samples, dtype=np.float64)
    return power


def _windowed(
    power: NDArray[np.float64],
    first_sample: NDArray[np.int64],
    windows: Sequence[tuple[int, int]],
) -> NDArray[np.float64]:
    total = np.concatenate([[0.0], np.cumsum(power)])
    edges = np.asarray(windows, dtype=np.int64).reshape(-1, 2)
    start, stop = (
        np.clip(first_sample[:, None] + edges[None, :, side], 0, power.size) for side in (0, 1)
    )
    energy: NDArray[np.float64] = total[stop] - total[start]
    return energy


def residual_findings(
    energy: ResidualEnergy,
    shots: Shots,
    counted: NDArray[np.bool_],
    windows_s: Sequence[tuple[float, float]],
    limits: Mapping[str, Limit],
) -> list[Finding]:
    """Rows of the findings table: one a source and window, then the worst shots.

    Parameters
    ----------
    energy : ResidualEnergy
        Over all channels.
    shots : Shots
        What the rows of `energy` are.
    counted : ndarray of bool, shape (shot,)
        Shots that take part, the delivered ones as a rule.
    windows_s : sequence of (float, float)
        The windows, in seconds after firing.
    limits : mapping of str to Limit
        From `deblend.qc.limits`.

    Returns
    -------
    list of Finding
        None passes: a small residual proves nothing.
    """
    return [
        *_summary(energy, shots, counted, windows_s, limits),
        *_worst(energy, shots, counted, limits),
    ]


def _summary(
    energy: ResidualEnergy,
    shots: Shots,
    counted: NDArray[np.bool_],
    windows_s: Sequence[tuple[float, float]],
    limits: Mapping[str, Limit],
) -> list[Finding]:
    return [
        judged(
            limits,
            RESIDUAL,
            value,
            "Part of the record that the separated gathers do not explain, relative to the "
            "record; a low value is necessary, not sufficient.",
            source=source,
            window_s=window,
        )
        for source, window, value in ratios(
            energy.residual, energy.record, shots, counted, windows_s
        )
    ]


def ratios(
    part: NDArray[np.float64],
    whole: NDArray[np.float64],
    shots: Shots,
    counted: NDArray[np.bool_],
    windows_s: Sequence[tuple[float, float]],
) -> Iterator[tuple[int | str, tuple[float, float], float]]:
    """Source, window and dB of `part` over `whole`, where the whole is not zero.

    Parameters
    ----------
    part, whole : ndarray of float64, shape (shot, window)
        Energies; those of the counted shots of a source are added.
    shots : Shots
        What the rows are.
    counted : ndarray of bool, shape (shot,)
        Shots that take part.
    windows_s : sequence of (float, float)
        What the columns are, in seconds after firing.
    """
    for source in shots.sources:
        chosen = counted & (shots.source == source)
        for column, window in enumerate(windows_s):
            value = decibels(part[chosen, column].sum(), whole[chosen, column].sum())
            if not np.isnan(value):
                yield source, window, value


def _worst(
    energy: ResidualEnergy,
    shots: Shots,
    counted: NDArray[np.bool_],
    limits: Mapping[str, Limit],
) -> list[Finding]:
    totals = zip(energy.residual.sum(axis=1), energy.record.sum(axis=1), strict=True)
    value = np.array([decibels(residual, record) for residual, record in totals])
    value[~counted | ~np.isfinite(value)] = -np.inf
    order = np.argsort(-value, kind="stable")[:WORST_SHOTS]
    return [
        judged(
            limits,
            WORST_RESIDUAL,
            float(value[row]),
            f"One of the {WORST_SHOTS} shots with the largest unexplained part.",
            source=shots.source[row].item(),
            shot_point=int(shots.shot_point[row]),
        )
        for row in order
        if np.isfinite(value[row])
    ]


def decibels(part: float, whole: float) -> float:
    """10 log10 of a ratio of energies; NaN where `whole` is zero, -inf where only `part` is."""
    if not whole > 0:
        return float("nan")
    with np.errstate(divide="ignore"):
        return float(10.0 * np.log10(part / whole))
