"""Something that fired together with a shot of the table, within some 20 ms of it.

Two arrivals at one time pass for one of another amplitude, time and form, and the residual
resembles neither. So the shots that fit worst are fitted again together with another arrival.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.check.arrivals.amplitude_fit import Fired, UsualArrivals
from deblend.check.arrivals.chance import Chance, excess_residual
from deblend.check.arrivals.search import OVERLAPPING, STRAY_AMPLITUDE, WIDEST
from deblend.check.arrivals.windows import Explained, View, fit_shots, fit_with_times

_FEW: Final = 6
_DOUBTFUL: Final = 0.1
"""Of the energy of an arrival: a shot that leaves more beyond what is usual is looked at again."""
_SHIFTED: Final = 3.0
_COMPANION: Final = 0.5
"""Of the residual of a shot, that another arrival with it has to explain."""
_COMPANION_GAIN: Final = 0.03
_WHOLE: Final = (0.75, 1.5)
"""Amplitude of one of two arrivals at one time; smaller ones make up for wrong times and forms."""
_USUAL: Final = 0.4
_OUTWEIGHED: Final = 3.0
_NEAR: Final = np.arange(-6.0, 6.5, 0.5)
"""Samples from the shot at which another arrival is tried."""
_LOOSER: Final = 0.04
_FIRM: Final = 0.1
"""Least stiffness of shots near which something is tried: they give way last."""
_AS_GOOD: Final = 0.25
"""Of the cost of a missing shot: the residual may grow so much when shots are as expected again."""


def with_companions(
    view: View,
    usual: UsualArrivals,
    now: Explained,
    table: Fired,
    complete: NDArray[np.bool_],
    chance: Chance,
) -> Explained:
    """Place what is not in the table, and add what fired together with shots that fit worst.

    Parameters
    ----------
    now : Explained
        Shots of the table, and further ones already found.
    table : Fired
        Shots of the table as expected.
    complete : ndarray of bool, shape (shot,)
        Shots of the table that are wholly recorded.
    """
    further = len(now.fired.window) - len(table.window)
    for _ in range(further if further <= _FEW else 0):
        now = _first_placed_again(view, usual, now, table)
    residual = excess_residual(now.residual, usual, now.fired)
    for row in _worst_fitted(now, table, usual, complete, chance):
        energy = float(usual.energy[table.source_row[row]])
        least = max(_COMPANION * float(residual[row]), _COMPANION_GAIN * energy)
        piece, near, close, begin = _piece(view, usual, now, table, float(now.fired.window[row]))
        alone = fit_with_times(piece, usual, near)
        best = alone
        for source in range(len(usual.energy)):
            tried = _with_companion(piece, usual, near, float(table.origin[row]) - begin, source)
            if alone.cost - tried.cost < 0.5 * least:
                continue
            tried = fit_with_times(piece, usual, tried.fired)
            off = np.abs(tried.fit.fitted[:-1] - near.expected)
            as_one = _WHOLE[0] < tried.fit.fitted[-1] < _WHOLE[1]
            if as_one and off.max() < _USUAL and tried.cost < best.cost:
                best = tried
        if alone.cost - best.cost > least:
            now = fit_with_times(
                view, usual, _with_piece(now.fired, best.fired, close, begin, table)
            )
    return _only_detectable(view, usual, now, len(table.window))


def _only_detectable(view: View, usual: UsualArrivals, now: Explained, count: int) -> Explained:
    """Take off further arrivals that are not certain; they only blur the shots near them.

    They are too weak, or share what they explain with shots that cannot be separated.
    """
    window, fit = now.fired.window, now.fit
    mixed = window[:count][fit.wider[:count] >= WIDEST]
    kept = np.ones(len(window), dtype=np.bool_)
    for row in range(count, len(window)):
        among = fit.wider[row] > OVERLAPPING and np.any(
            np.abs(mixed - window[row]) < 0.5 * view.length
        )
        kept[row] = fit.fitted[row] > STRAY_AMPLITUDE and not among
    if kept.all():
        return now
    return fit_shots(view, usual, now.fired.take(np.flatnonzero(kept)))


def _first_placed_again(
    view: View, usual: UsualArrivals, now: Explained, table: Fired
) -> Explained:
    """Look for the first further shot again, by source and time, and put it last.

    It was found on whole samples, among shots that were not yet understood.
    """
    row = len(table.window)
    rest = np.delete(np.arange(len(now.fired.window)), row)
    place = float(now.fired.window[row])
    piece, near, close, begin = _piece(view, usual, now, table, place)
    as_found = now.fired.take(close)
    as_found = replace(as_found, window=as_found.window - begin, origin=as_found.origin - begin)
    before = fit_shots(piece, usual, as_found).cost
    others = np.flatnonzero(close != row)
    # Rows behind it move up.
    close = close[others] - (close[others] > row)
    without = now.fired.take(rest)
    spare = _AS_GOOD * float(table.stiffness.max() * usual.energy[now.fired.source_row[row]])
    best = _with_best_companion(piece, usual, near.take(others), place - begin)
    if best.cost < before + spare and best.fit.fitted[-1] > STRAY_AMPLITUDE:
        return fit_with_times(view, usual, _with_piece(without, best.fired, close, begin, table))
    best = _with_best_companion(piece, usual, as_found.take(others), place - begin)
    if best.cost < before and best.fit.fitted[-1] > STRAY_AMPLITUDE:
        return fit_shots(view, usual, _with_last(without, best.fired, begin, table))
    return fit_shots(view, usual, now.fired.take(np.append(rest, row)))


def _with_best_companion(piece: View, usual: UsualArrivals, near: Fired, place: float) -> Explained:
    """The shots of a piece with another arrival, of the source and at the time that fit best."""
    trials = [
        _with_companion(piece, usual, near, place, source) for source in range(len(usual.energy))
    ]
    shifted = [fit_with_times(piece, usual, trial.fired) for trial in trials]
    return min(shifted, key=lambda tried: tried.cost)


def _with_piece(
    fired: Fired, piece: Fired, close: NDArray[np.int64], begin: float, table: Fired
) -> Fired:
    """All shots, those of a piece where they were fitted and as expected, and the added one."""
    window, stiffness = fired.window.copy(), fired.stiffness.copy()
    window[close] = piece.window[:-1] + begin
    of_table = close[close < len(table.window)]
    stiffness[of_table] = table.stiffness[of_table]
    return _with_last(replace(fired, window=window, stiffness=stiffness), piece, begin, table)


def _with_last(fired: Fired, piece: Fired, begin: float, table: Fired) -> Fired:
    """All shots and the one that was added to a piece."""
    stiffness = _LOOSER * float(table.stiffness.max())
    return fired.with_further(float(piece.window[-1]) + begin, int(piece.source_row[-1]), stiffness)


def _worst_fitted(
    now: Explained,
    table: Fired,
    usual: UsualArrivals,
    complete: NDArray[np.bool_],
    chance: Chance,
) -> list[int]:
    """A few shots of the table with a far larger residual than their neighbours, or shifted."""
    count = len(table.window)
    residual = excess_residual(now.residual, usual, now.fired) / usual.energy[now.fired.source_row]
    residual = residual[:count]
    shifted = (
        np.abs(now.fired.window - now.fired.origin)[:count] > _SHIFTED * now.fired.slack[:count]
    )
    off = np.abs(now.fit.fitted[:count] - table.expected) > _USUAL
    doubtful = (residual > _DOUBTFUL) & (residual > _OUTWEIGHED * chance.excess_of_shots)
    doubtful |= (shifted | off) & (residual > 0.2 * _DOUBTFUL)
    rows = np.flatnonzero(doubtful & complete & (table.expected > 0.0))
    return [int(row) for row in rows[np.argsort(-residual[rows], kind="stable")][:_FEW]]


def _piece(
    view: View, usual: UsualArrivals, now: Explained, table: Fired, place: float
) -> tuple[View, Fired, NDArray[np.int64], float]:
    """The record about a place without all shots but those that overlap it, and these as expected.

    Their windows count from the begin of the piece; their rows and that begin come last.
    """
    count = len(table.window)
    begin = max(0, int(place) - usual.length - 2)
    end = min(now.residual.shape[1], int(place) + 2 * usual.length + 2)
    close = np.flatnonzero(np.abs(now.fired.window - place) < usual.length)
    at = view.part(begin, end, now.residual[:, begin:end])
    form = usual.form[now.fired.source_row[close]] * now.fit.fitted[close][:, None, None]
    samples = at.samples + at.operator(now.fired.window[close] - begin).blend(form)
    origin = np.where(np.arange(len(now.fired.window)) < count, now.fired.origin, now.fired.window)
    stiffness = now.fired.stiffness.copy()
    stiffness[:count] = np.maximum(table.stiffness, _FIRM)
    origin = origin - begin
    near = replace(now.fired, window=origin, origin=origin, stiffness=stiffness).take(close)
    return view.part(begin, end, samples), near, close, float(begin)


def _with_companion(
    piece: View, usual: UsualArrivals, near: Fired, place: float, source: int
) -> Explained:
    """The shots of a piece with another arrival at the best of some times near a place."""
    stiffness = _LOOSER * float(near.stiffness.max(initial=_FIRM))
    trials = [near.with_further(place + away, source, stiffness) for away in _NEAR]
    return min((fit_shots(piece, usual, trial) for trial in trials), key=lambda tried: tried.cost)
