"""Something that fired together with a shot of the table, within some 20 ms of it.

Two arrivals at one time pass for one of another amplitude, time and form, and what is left
resembles neither. So the shots that fit worst are fitted again with another arrival beside them, of
each source and at each time near theirs, in a piece of the record.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.qc.arrival_fit import Fired, UsualArrivals
from deblend.qc.arrival_null import Chance, left_beyond_usual
from deblend.qc.arrival_search import STRAY_AMPLITUDE
from deblend.qc.arrival_view import Explained, View, fit_moving, fit_shots

_FEW: Final = 6
_DOUBTFUL: Final = 0.1
"""Of the energy of an arrival: a shot that leaves more beyond what is usual is looked at again."""
_MOVED: Final = 3.0
_COMPANION: Final = 0.5
"""Of what is left of a shot, that an arrival beside it has to explain."""
_COMPANION_GAIN: Final = 0.03
_TOGETHER: Final = 1.5
"""Largest amplitude of one of two arrivals at one time."""
_USUAL: Final = 0.4
_OUTWEIGHED: Final = 3.0
_NEAR: Final = np.arange(-6.0, 7.0)
"""Samples from the shot at which an arrival beside it is tried."""
_LOOSER: Final = 0.04


def with_companions(
    view: View,
    usual: UsualArrivals,
    now: Explained,
    table: Fired,
    complete: NDArray[np.bool_],
    chance: Chance,
) -> Explained:
    """Add what fired together with the shots that fit worst.

    Parameters
    ----------
    view : View
        The record.
    usual : UsualArrivals
        Of the sources.
    now : Explained
        Shots of the table, and those already found beside them.
    table : Fired
        Shots of the table as expected.
    complete : ndarray of bool, shape (shot,)
        Shots of the table that are wholly recorded.
    chance : Chance
        What is left along the line.
    """
    left = left_beyond_usual(now.left, usual, now.fired)
    for row in _worst_fitted(now, table, usual, complete, chance):
        energy = float(usual.energy[table.source_row[row]])
        least = max(_COMPANION * float(left[row]), _COMPANION_GAIN * energy)
        piece, near, close, begin = _piece(view, usual, now, table, row)
        alone = fit_moving(piece, usual, near)
        best = alone
        for source in range(len(usual.energy)):
            tried = _beside(piece, usual, near, float(table.origin[row]) - begin, source)
            if alone.cost - tried.cost < 0.5 * least:
                continue
            tried = fit_moving(piece, usual, tried.fired)
            off = np.abs(tried.fit.fitted[:-1] - near.expected)
            as_one = STRAY_AMPLITUDE < tried.fit.fitted[-1] < _TOGETHER
            if as_one and off.max() < _USUAL and tried.cost < best.cost:
                best = tried
        if alone.cost - best.cost > least:
            now = fit_moving(view, usual, _with_piece(now.fired, best.fired, close, begin))
    return now


def _with_piece(fired: Fired, piece: Fired, close: NDArray[np.int64], begin: float) -> Fired:
    """All shots, those of a piece as they were fitted there, and the one that was added."""
    window, stiffness = fired.window.copy(), fired.stiffness.copy()
    window[close] = piece.window[:-1] + begin
    stiffness[close] = piece.stiffness[:-1]
    all_shots = replace(fired, window=window, stiffness=stiffness)
    return _joined(
        all_shots,
        float(piece.window[-1]) + begin,
        int(piece.source_row[-1]),
        float(piece.stiffness[-1]),
    )


def _worst_fitted(
    now: Explained,
    table: Fired,
    usual: UsualArrivals,
    complete: NDArray[np.bool_],
    chance: Chance,
) -> list[int]:
    """A few shots of the table that leave far more than their neighbours, or have to be moved."""
    count = len(table.window)
    left = left_beyond_usual(now.left, usual, now.fired) / usual.energy[now.fired.source_row]
    left = left[:count]
    moved = np.abs(now.fired.window - now.fired.origin)[:count] > _MOVED * now.fired.slack[:count]
    off = np.abs(now.fit.fitted[:count] - table.expected) > _USUAL
    doubtful = (left > _DOUBTFUL) & (left > _OUTWEIGHED * chance.left_of_shots)
    doubtful |= (moved | off) & (left > 0.2 * _DOUBTFUL)
    rows = np.flatnonzero(doubtful & complete & (table.expected > 0.0))
    return [int(row) for row in rows[np.argsort(-left[rows], kind="stable")][:_FEW]]


def _piece(
    view: View, usual: UsualArrivals, now: Explained, table: Fired, row: int
) -> tuple[View, Fired, NDArray[np.int64], float]:
    """The record about a shot without all others but those that overlap it, and these as expected.

    Their windows count from the begin of the piece; their rows and that begin come last.
    """
    count, place = len(table.window), now.fired.window[row]
    begin = max(0, int(place) - usual.length)
    end = min(now.left.shape[1], int(place) + 2 * usual.length)
    close = np.flatnonzero(np.abs(now.fired.window - place) < usual.length)
    at = View(now.left[:, begin:end], view.length)
    form = usual.form[now.fired.source_row[close]] * now.fit.fitted[close][:, None, None]
    samples = at.samples + at.operator(now.fired.window[close] - begin).blend(form)
    origin = np.where(np.arange(len(now.fired.window)) < count, now.fired.origin, now.fired.window)
    stiffness = now.fired.stiffness.copy()
    stiffness[:count] = table.stiffness
    near = Fired(
        origin[close] - begin,
        now.fired.source_row[close],
        now.fired.expected[close],
        origin[close] - begin,
        now.fired.slack[close],
        stiffness[close],
    )
    return View(samples, view.length), near, close, float(begin)


def _beside(piece: View, usual: UsualArrivals, near: Fired, place: float, source: int) -> Explained:
    """The shots of a piece with another arrival at the best of some times near a place."""
    stiffness = _LOOSER * float(near.stiffness.max())
    trials = [_joined(near, place + away, source, stiffness) for away in _NEAR]
    return min((fit_shots(piece, usual, trial) for trial in trials), key=lambda tried: tried.cost)


def _joined(fired: Fired, window: float, source: int, stiffness: float) -> Fired:
    """The shots and another one whose time and amplitude are open."""
    return Fired(
        np.append(fired.window, window),
        np.append(fired.source_row, source),
        np.append(fired.expected, 1.0),
        np.append(fired.origin, window),
        np.append(fired.slack, np.inf),
        np.append(fired.stiffness, stiffness),
    )
