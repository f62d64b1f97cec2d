"""Which source fires where, and the random delays: drawn from a seed, within stated limits."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import SettingsError
from deblend.plan.alternative import speeds_m_s, together
from deblend.plan.delay_table import DelayTable
from deblend.plan.dither_diagnostics import (
    Diagnosis,
    diagnose_all,
    pairings,
    window_coherence,
)
from deblend.plan.keys import Alternative

Floats = NDArray[np.float64]
MOST_TRIES: Final = 2000
NATURAL_REACH: Final = 3.0
"""Natural timing: intervals are taken as at most this many standard deviations from the usual."""


@dataclass(frozen=True, eq=False)
class NominalShots:
    """Shots in the order of their nominal firing."""

    shot_point: NDArray[np.int64]
    """(shot,): From 1."""
    source: NDArray[np.int64]
    """(shot,): From 1."""
    along_m: Floats
    """(shot,): Nominal place along the track."""
    delay_s: Floats
    """(shot,): After (or, negative, before) the nominal place is passed."""
    seed: int | None
    """That the delays were drawn with; None for a table."""

    def times_s(self, speed_m_s: float) -> Floats:
        """Fire times at a constant speed, shape (shot,), in the order of the shots."""
        return self.along_m / speed_m_s + self.delay_s


def largest_delay_s(alternative: Alternative) -> float:
    """d: delays lie within plus and minus this; natural timing counts 1.5 standard deviations.

    The time between two shots then varies by 2 d, three standard deviations, as with delays.
    """
    if alternative.firing.scheme == "natural timing":
        return 0.5 * NATURAL_REACH * alternative.firing.natural_variation_s
    return alternative.dither.range_s


def firing_plan(alternative: Alternative, shots_per_source: int, seed: int) -> NominalShots:
    """Shots of a line with delays drawn by the law of the alternative (not from a table)."""
    nominal = nominal_firing(alternative, shots_per_source)
    random = np.random.default_rng((seed, 0xD17E))
    if alternative.firing.scheme == "natural timing":
        variation = alternative.firing.natural_variation_s * np.clip(
            random.standard_normal(len(nominal.source)), -NATURAL_REACH, NATURAL_REACH
        )
        return replace(nominal, delay_s=np.cumsum(variation), seed=seed)
    if alternative.dither.law == "none":
        return nominal
    return replace(nominal, delay_s=_drawn(alternative, nominal, random), seed=seed)


def table_firing(alternative: Alternative, table: DelayTable) -> NominalShots:
    """Shots with the delays of a table: the k-th shot of each source takes the k-th of its rows."""
    count = alternative.sources.count
    rows = [np.flatnonzero(table.source == number + 1) for number in range(count)]
    rows = [some[np.argsort(table.shot_point[some], kind="stable")] for some in rows]
    lacking = [number + 1 for number, some in enumerate(rows) if not some.size]
    if lacking:
        raise SettingsError(
            f"the table of delays has no row for source {lacking[0]}",
            where=f"{alternative.name}, dither",
            remedy=f"Number the sources from 1 to {count}.",
        )
    nominal = nominal_firing(alternative, min(len(some) for some in rows))
    delay = np.empty(len(nominal.source))
    for number, some in enumerate(rows):
        mine = nominal.source == number + 1
        delay[mine] = table.delay_s[some[: np.count_nonzero(mine)]]
    return replace(nominal, delay_s=delay)


def best_firing(
    alternative: Alternative, shots_per_source: int, record_s: float
) -> tuple[NominalShots, list[Diagnosis]]:
    """The best of the seeds to be tried, by the mutual coherence of its worst pairing."""
    first = alternative.dither.seed
    speed = speeds_m_s(alternative)[1]
    best = firing_plan(alternative, shots_per_source, first)
    tried = range(first + 1, first + alternative.dither.seeds_tried)
    if tried:
        score = worst_coherence(best, speed, record_s)
    for seed in tried:
        plan = firing_plan(alternative, shots_per_source, seed)
        other = worst_coherence(plan, speed, record_s, given_up_at=score)
        if other < score:
            best, score = plan, other
    return best, diagnoses(best, speed, record_s)


def worst_coherence(
    plan: NominalShots, speed_m_s: float, record_s: float, given_up_at: float = np.inf
) -> float:
    """Mutual coherence, averaged over windows, of the pair of sources where it is largest.

    Pairs are looked at until one reaches `given_up_at`, where no larger one would change anything.
    """
    worst = 0.0
    for pairing in pairings(plan.shot_point, plan.source, plan.times_s(speed_m_s), record_s):
        worst = max(worst, float(window_coherence(pairing).mean()))
        if worst >= given_up_at:
            break
    return worst


def diagnoses(plan: NominalShots, speed_m_s: float, record_s: float) -> list[Diagnosis]:
    """Diagnostics of a firing plan at a constant speed."""
    times = plan.times_s(speed_m_s)
    return diagnose_all(pairings(plan.shot_point, plan.source, times, record_s))


def nominal_firing(alternative: Alternative, shots_per_source: int) -> NominalShots:
    """Shots without delays."""
    count = alternative.sources.count
    shots = np.arange(count * shots_per_source, dtype=np.int64)
    point = shots // count if together(alternative) else shots
    return NominalShots(
        point + 1,
        shots % count + 1,
        np.asarray(point * alternative.firing.shot_interval_m, dtype=np.float64),
        np.zeros(len(shots)),
        None,
    )


def _drawn(alternative: Alternative, nominal: NominalShots, random: np.random.Generator) -> Floats:
    """Uniform delays on the grid of the resolution, drawn again where a limit is broken."""
    dither = alternative.dither
    steps = round(dither.range_s / dither.resolution_s - 1e-6)
    free = dither.smallest_gap_s == 0.0 and dither.largest_change_s is None
    whole = random.integers(-steps, steps + 1, len(nominal.source))
    if free:
        return np.asarray(whole * dither.resolution_s, dtype=np.float64)
    at_s = nominal.along_m / speeds_m_s(alternative)[2]
    count = alternative.sources.count
    change_s = dither.largest_change_s or np.inf
    delay = np.zeros(len(at_s))
    reach_s = 2.0 * dither.range_s + dither.smallest_gap_s
    for k in range(len(at_s)):
        first = int(np.searchsorted(at_s, at_s[k] - reach_s))
        near = at_s[first:k] + delay[first:k]
        own = delay[k - count] if k >= count else None
        delay[k] = _one_delay(
            whole[k],
            steps,
            random,
            dither.resolution_s,
            at_s[k],
            near,
            own,
            dither.smallest_gap_s,
            change_s,
            alternative.name,
        )
    return delay


def _one_delay(
    first: int,
    steps: int,
    random: np.random.Generator,
    resolution_s: float,
    at_s: float,
    near_s: Floats,
    own_s: float | None,
    gap_s: float,
    change_s: float,
    name: str,
) -> float:
    """A delay that keeps its distance from earlier shots and from the source's own last delay."""
    candidate = first
    for _ in range(MOST_TRIES):
        delay = candidate * resolution_s
        apart = np.abs(at_s + delay - near_s).min() if near_s.size else np.inf
        if apart >= gap_s - 1e-9 and (own_s is None or abs(delay - own_s) <= change_s + 1e-9):
            return float(delay)
        candidate = int(random.integers(-steps, steps + 1))
    raise SettingsError(
        f"no delay within plus and minus {steps * resolution_s:g} s keeps {gap_s:g} s between "
        f"shots and changes by at most {change_s:g} s",
        where=f"{name}, dither",
        remedy="Widen range_s, or ease smallest_gap_s or largest_change_s.",
    )
