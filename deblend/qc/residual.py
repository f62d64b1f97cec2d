"""What the separated gathers do not explain of the record: the re-blend residual.

A small residual is necessary, not sufficient: an answer that explains the record to the last
sample may still have given the energy to the wrong source. So these numbers find places that want
a look; they never say that a separation is good.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.decibels import decibels
from deblend.model.findings import Finding
from deblend.qc.limits import RESIDUAL, WORST_RESIDUAL, verdict_row
from deblend.qc.measure_setup import MeasureSetup
from deblend.qc.metric import MeasuredBlock, MeasuredLine, Metric
from deblend.qc.sums import Sums

WORST_SHOTS: Final = 5
"""Shots that get a row of their own."""


@dataclass(frozen=True, eq=False)
class ResidualEnergy(Sums):
    """Energy of residual and record in windows after each shot; add them over blocks of channels.

    A sample in which N shots are active counts 1/N for each of them, so that the sum over shots
    is the energy of the record.
    """

    residual: NDArray[np.float64]
    record: NDArray[np.float64]
    """(shot, window): Energies, in squared amplitude units."""


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


def residual_findings(line: MeasuredLine, energy: ResidualEnergy) -> Iterator[Finding]:
    """One row for each source and window, then the worst shots; none passes: see above."""
    for source, window, value in ratios(energy.residual, energy.record, line.setup):
        yield verdict_row(
            line.limits,
            RESIDUAL,
            value,
            "Part of the record that the separated gathers do not explain, relative to the "
            "record; a low value is necessary, not sufficient.",
            source=source,
            window_s=window,
        )
    totals = zip(energy.residual.sum(axis=1), energy.record.sum(axis=1), strict=True)
    value_db = np.array([decibels(residual, record) for residual, record in totals])
    value_db[~line.setup.counted | ~np.isfinite(value_db)] = -np.inf
    shots = line.setup.shots
    for row in np.argsort(-value_db, kind="stable")[:WORST_SHOTS]:
        if np.isfinite(value_db[row]):
            yield verdict_row(
                line.limits,
                WORST_RESIDUAL,
                float(value_db[row]),
                f"One of the {WORST_SHOTS} shots with the largest unexplained part.",
                source=shots.source[row].item(),
                shot_point=int(shots.shot_point[row]),
            )


def ratios(
    part: NDArray[np.float64], whole: NDArray[np.float64], setup: MeasureSetup
) -> Iterator[tuple[int | str, tuple[float, float], float]]:
    """Source, window in seconds, and dB of `part` over `whole`, where the whole is not zero.

    Energies have shape (shot, window); those of the counted shots of a source are added.
    """
    for source in setup.sources:
        chosen = setup.counted & (setup.shots.source == source)
        for column, window in enumerate(setup.windows_s):
            value = decibels(part[chosen, column].sum(), whole[chosen, column].sum())
            if not np.isnan(value):
                yield source, window, value


def _measure(block: MeasuredBlock) -> ResidualEnergy:
    energy = residual_energy(
        block.residual[block.alive],
        block.record[block.alive],
        block.fold,
        block.first_sample,
        block.setup.windows,
    )
    return block.in_line_rows(energy)


RESIDUAL_METRIC: Final = Metric("residual", residual_findings, _measure)
