"""Shots that left something else than the table says, the largest disagreement first.

A shot that is in no row of the table, and fired close to others, is taken for their weakness or
lateness by a fit that lets every amplitude be anything. So disagreements compete: a further arrival
at any time, or a shot of the table that is not as usual. What explains most is accepted, together
with all that lie apart from it, and the record is fitted again; what is still unexplained is looked
at then. A disagreement that goes away when others are accepted is never reported.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.check.arrivals.amplitude_fit import Fired, UsualArrivals
from deblend.check.arrivals.chance import Chance, Projected, chance_of, excess_residual, project
from deblend.check.arrivals.windows import Explained

STRAY_AMPLITUDE: Final = 0.6
"""Least amplitude of a further arrival, over the usual one."""
DEVIATIONS: Final = 8.0
"""Standard deviations of chance by which a disagreement must stand out."""
_LIKENESS: Final = 0.4
"""Of the energy there: a weak source is not seen in every loud event."""
_OUTWEIGHED: Final = 3.0
"""The residual of a shot in any case must be smaller than its disagreement by this factor."""
_INDEPENDENT: Final = 0.15
"""Of its energy: an arrival that others explain but for this is not independent."""
_LOOSER: Final = 0.04
"""Stiffness of what is not as expected: its amplitude deviates five times as much."""
_UNUSUAL: Final = 0.4
"""Least difference from the expected amplitude."""
_LEAST_GAIN: Final = 0.03
"""Of the energy of an arrival: less is explained by trading between shots that lie close."""
WIDEST: Final = 5.0
"""Shots whose amplitude scatters more cannot be separated from the shots near them."""
_BACK_TO_USUAL: Final = 0.25
_LARGEST: Final = 2.4
"""Amplitude of two shots at one time; more is no arrival."""
OVERLAPPING: Final = 1.5
"""Shots whose amplitude scatters more than this share it with another one."""
TOGETHER_S: Final = 0.02
"""Shots this close are one event to a time that is not exact."""
_ROUNDS: Final = 8
_MANY: Final = 0.2
"""Of the shots: more disagreements are not followed up one by one."""
_FEWEST: Final = 5
_FEWEST_SHOTS: Final = 5
"""Of a source, for a usual arrival."""
_PEAK: Final = 3
"""Samples on either side of a peak that is not like an arrival."""


UNVERIFIED: Final = ("not_recorded", "few_shots", "overlapped", "disturbed")
"""Why a shot is not verified: a gap or the end of the record; too few shots of its source;
other shots at its time; noise or the interference of others."""

Refit = Callable[[Fired], Explained]
"""Fits shots to the record, those whose times are not known at their best times."""


@dataclass(frozen=True)
class _Change:
    """Something that would explain more of the record."""

    gain: float
    """Energy."""
    window: float
    """Where, in samples."""
    row: int
    """Shot of the table; -1 for a further one."""
    source_row: int
    """Its source."""
    stiffness: float
    """Of shots of that source."""


@dataclass(frozen=True, eq=False)
class Search:
    """Result of a search."""

    found: Explained
    """Shots of the table, looser where they are not as expected, and the further ones."""
    chance: Chance
    """What they were held against."""
    traded: frozenset[int]
    """Rows of the table that lack what others have too much, so that neither is certain."""


def search_changes(
    usual: UsualArrivals,
    table: Fired,
    refit: Refit,
    known: NDArray[np.bool_],
    *,
    complete: NDArray[np.bool_],
    interval_s: float,
) -> Search:
    """Find further shots, and shots that are not as expected.

    Parameters
    ----------
    refit : callable
        Fits shots to the record.
    known : ndarray of bool, shape (channel, time)
        Samples of the record that are known.
    complete : ndarray of bool, shape (shot,)
        Shots of the table that are wholly recorded.
    """
    together = TOGETHER_S / interval_s
    now = refit(table)
    seen = project(now.residual, usual, now.fired, interval_s)
    chance = chance_of(seen, now.residual, usual, now.fired, known)
    settled, refused = set[int](), list[float]()
    for _ in range(_ROUNDS):
        changes = _further(seen, now, usual, chance)
        changes += _not_as_expected(now, table, usual, complete, chance)
        accepted = _apart(changes, settled, refused, usual.length)
        if not accepted:
            break
        then = refit(_with(now.fired, accepted))
        now, traded, nothing = _without_needless(then, table, usual, refit, together)
        settled |= traded
        refused += nothing
        if _changed(now.fired, table) > max(_FEWEST, _MANY * len(table.window)):
            break
        seen = project(now.residual, usual, now.fired, interval_s)
    return Search(now, chance, frozenset(settled))


def unusual_shots(fired: Fired, table: Fired) -> NDArray[np.bool_]:
    """Shots of the table that were found not to be as expected."""
    return np.asarray(fired.stiffness[: len(table.window)] != table.stiffness)


def robust_deviation(values: NDArray[np.float64]) -> float:
    """Standard deviation by the median of absolute deviations."""
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def _changed(fired: Fired, table: Fired) -> int:
    return len(fired.window) - len(table.window) + int(unusual_shots(fired, table).sum())


def _with(fired: Fired, changes: list[_Change]) -> Fired:
    stiffness = fired.stiffness.copy()
    stiffness[[change.row for change in changes if change.row >= 0]] *= _LOOSER
    further = [change for change in changes if change.row < 0]
    return replace(fired, stiffness=stiffness).with_further(
        np.array([change.window for change in further]),
        np.array([change.source_row for change in further], dtype=np.int64),
        np.array([_LOOSER * change.stiffness for change in further]),
    )


def _without_needless(
    now: Explained, table: Fired, usual: UsualArrivals, refit: Refit, together: float
) -> tuple[Explained, set[int], list[float]]:
    """Take back what turned out to be as usual, nothing, or traded; also those rows and places."""
    fired, count = now.fired, len(table.window)
    unusual = unusual_shots(fired, table)
    off = now.fit.fitted[:count] - table.expected
    traded = unusual & (_traded(now, off, unusual, usual.length, together) | (off > _LARGEST - 1.0))
    again = traded | (unusual & (np.abs(off) < _BACK_TO_USUAL))
    nothing = now.fit.fitted[count:] < 0.5 * STRAY_AMPLITUDE
    if not again.any() and not nothing.any():
        return now, set(), []
    stiffness = fired.stiffness.copy()
    stiffness[:count][again] = table.stiffness[again]
    kept = np.concatenate([np.ones(count, dtype=np.bool_), ~nothing])
    fewer = replace(fired, stiffness=stiffness).take(kept)
    return (
        refit(fewer),
        set(np.flatnonzero(traded).tolist()),
        fired.origin[count:][nothing].tolist(),
    )


def _traded(
    now: Explained,
    off: NDArray[np.float64],
    unusual: NDArray[np.bool_],
    length: int,
    together: float,
) -> NDArray[np.bool_]:
    """Shots that lack what another one has too much: the two cannot be separated.

    They overlap and resemble each other, or fired within `together` samples: no source fires twice
    in that time.
    """
    out = np.zeros(len(off), dtype=np.bool_)
    rows = np.flatnonzero(unusual)
    alike = now.fit.wider[: len(off)] > OVERLAPPING
    for place, one in enumerate(rows.tolist()):
        for other in rows[place + 1 :].tolist():
            apart = abs(now.fired.window[one] - now.fired.window[other])
            near = apart < (length if alike[one] and alike[other] else together)
            most = max(abs(off[one]), abs(off[other]))
            if near and off[one] * off[other] < 0 and abs(off[one] + off[other]) < 0.5 * most:
                out[[one, other]] = True
    return out


def _apart(
    changes: list[_Change], settled: set[int], refused: list[float], length: int
) -> list[_Change]:
    """The largest changes, none within a window of a larger one; none that was taken back."""
    accepted: list[_Change] = []
    for change in sorted(changes, key=lambda change: -change.gain):
        if change.row in settled:
            continue
        if change.row < 0 and any(abs(change.window - at) <= _PEAK for at in refused):
            continue
        if all(abs(change.window - other.window) >= length for other in accepted):
            accepted.append(change)
    return accepted


def _not_as_expected(
    now: Explained,
    table: Fired,
    usual: UsualArrivals,
    complete: NDArray[np.bool_],
    chance: Chance,
) -> list[_Change]:
    """Shots of the table whose amplitude is another one beyond chance."""
    fit, count = now.fit, len(table.window)
    off = np.abs(fit.alone[:count] - table.expected)
    found = complete & ~unusual_shots(now.fired, table)
    found &= off > _least_detectable(now, table, usual, complete, chance)
    gain = fit.gain * usual.energy[now.fired.source_row]
    return [
        _Change(
            float(gain[row]),
            float(now.fired.window[row]),
            row,
            int(table.source_row[row]),
            float(table.stiffness[row]),
        )
        for row in np.flatnonzero(found).tolist()
    ]


def _least_detectable(
    now: Explained,
    table: Fired,
    usual: UsualArrivals,
    complete: NDArray[np.bool_],
    chance: Chance,
) -> NDArray[np.float64]:
    """Least certain difference from the expected amplitude, shape (shot,)."""
    count = len(table.window)
    wider, energy = now.fit.wider[:count], usual.energy[table.source_row]
    off = (now.fit.alone[:count] - table.expected) / wider
    least = np.sqrt(np.maximum(_LEAST_GAIN, chance.excess_of_shots))
    for source in range(len(usual.energy)):
        own = table.source_row == source
        if (own & complete).any():
            scatter = robust_deviation(off[own & complete])
            least[own] = np.maximum(least[own], DEVIATIONS * scatter)
    # A shot by itself is weak or not, whatever noise there is; others share the residual.
    residual = excess_residual(now.residual, usual, now.fired)[:count]
    shared = 1.0 - 1.0 / wider**2
    least = np.maximum(least, np.sqrt(_OUTWEIGHED * shared * residual / energy))
    return np.where(wider < WIDEST, np.maximum(_UNUSUAL, least * wider), np.inf)


def why_not_verified(
    found: Explained, table: Fired, usual: UsualArrivals, search: Search
) -> NDArray[np.str_]:
    """Why it would not be seen if a shot of the table were a misfire, one of `UNVERIFIED`.

    Empty where it would be, and where a shot was found not to be as expected.
    """
    count = len(table.window)
    complete, wider = found.complete[:count], found.fit.wider[:count]
    shots = np.bincount(table.source_row[complete], minlength=len(usual.energy))
    traded = np.isin(np.arange(count), list(search.traded))
    least = _least_detectable(found, table, usual, complete, search.chance)
    blind = (least >= 1.0) & ~unusual_shots(found.fired, table)
    by_itself = np.where(np.isfinite(least), least / wider, 0.0)
    not_recorded, few_shots, overlapped, disturbed = UNVERIFIED
    return np.select(
        [
            ~complete,
            shots[table.source_row] < _FEWEST_SHOTS,
            traded | (blind & (by_itself < 1.0)),
            blind,
        ],
        [not_recorded, few_shots, overlapped, disturbed],
        "",
    )


def fired_together(fired: Fired, interval_s: float) -> NDArray[np.bool_]:
    """Shots that fired within 20 ms of another one."""
    order = np.argsort(fired.window, kind="stable")
    close = np.diff(fired.window[order]) < TOGETHER_S / interval_s
    out = np.zeros(len(order), dtype=np.bool_)
    out[order] = np.concatenate([[False], close]) | np.concatenate([close, [False]])
    return out


def _further(
    seen: Projected, now: Explained, usual: UsualArrivals, chance: Chance
) -> list[_Change]:
    """Arrivals that no shot explains, none within a window of a larger one."""
    matched, share = seen.matched, seen.share
    independent = np.maximum(share, _INDEPENDENT)
    amplitude = matched / independent
    least = np.where(share < 1.0, chance.near[:, None], chance.far[:, None]) / np.sqrt(independent)
    beyond = (share > _INDEPENDENT) & (amplitude > np.maximum(STRAY_AMPLITUDE, DEVIATIONS * least))
    beyond &= matched * amplitude > np.where(share < 1.0, chance.excess_at(matched.shape[1]), 0.0)
    gain = np.where(beyond, matched * amplitude, 0.0) * usual.energy[:, None]
    changes: list[_Change] = []
    best = gain.max(axis=0)
    while best.any():
        at = int(best.argmax())
        source = int(gain[:, at].argmax())
        if _explained(now.residual, at, usual.length, float(gain[source, at])) > _LIKENESS:
            of_source = now.fired.stiffness[now.fired.source_row == source]
            stiffness = float(of_source.max(initial=0.0))
            changes.append(_Change(float(gain[source, at]), float(at), -1, source, stiffness))
            best[max(0, at - usual.length) : at + usual.length] = 0.0
        else:
            best[max(0, at - _PEAK) : at + _PEAK + 1] = 0.0
    return changes


def _explained(residual: NDArray[np.float64], place: int, length: int, gain: float) -> float:
    """Part of the residual at a place that an arrival would explain."""
    energy = float((residual[:, place : place + length] ** 2).sum())
    return gain / energy if energy > 0 else 0.0
