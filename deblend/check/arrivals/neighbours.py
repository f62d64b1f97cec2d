"""Every shot held against the shots of its source before and after it, over a second of the gather.

Direct arrivals say little where reflections and scattered waves are as strong: on such lines few
shots could be verified by them. What all shots leave there changes slowly along the line. The
median of five shots of a source is what each is expected to leave; what all others are expected to
leave is taken off the record, and each shot is compared with the median of its neighbours. Those
that do not fit are taken out of the medians, and compared once more.

It fails where gathers change within two shots, as over steep events and far offsets, and where
several shots in a row are wrong alike; then amplitudes scatter, and nothing is said to be verified.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.ndimage import median_filter

from deblend.check.arrivals.direct_arrivals import DirectArrivals
from deblend.check.arrivals.near_record import FiredShots, NearRecord
from deblend.check.arrivals.search import UNVERIFIED, robust_deviation
from deblend.check.arrivals.windows import View

_LEFT_S: Final = 3.0
"""So much of each shot is taken off for the others."""
_COMPARED_S: Final = 1.2
_LONGEST_S: Final = 0.06
"""Largest error of a fire time that is looked for."""
_SHOTS: Final = 5
_ROUNDS: Final = 6
_MOST_SAMPLES: Final = 20_000_000
"""Of the gathers of all shots; fewer channels are compared on long lines."""
_FEWEST: Final = 12
"""Shots of a source among which something can stand out."""
_LEAST_LATE_S: Final = 0.004
_HALF: Final = 0.5
"""Part of the neighbours: a misfire holds less, and any other shot more at its best time."""
_ROUNDS_OF_ODD: Final = 3
_MOST_LEFT: Final = 0.3
"""Of the energy of the record: more is noise, or fired by what is not in the table."""
_MISFIRE: Final = 0.3
_LEAST_ALIKE: Final = 0.25
"""Part of their neighbours that half of the shots hold, for them to be comparable."""
_CERTAIN: Final = 3.5
"""Robust deviations of amplitudes that lie between a whole shot and half of one."""
_CERTAINLY_LATE: Final = 6.0
"""Robust deviations of times."""


@dataclass(frozen=True, eq=False)
class _Line:
    """The record, and who fired into it."""

    near: NearRecord
    """Some channels near the sources."""
    view: View
    """Seen through windows of whole gathers."""
    window: NDArray[np.float64]
    """(shot,): Begin of the gather of each shot, in samples."""
    rows: tuple[NDArray[np.int64], ...]
    """Wholly recorded live shots of each source, in the order of time."""

    @property
    def compared(self) -> int:
        """Samples of a gather that are compared."""
        return round(_COMPARED_S / self.near.interval_s)


@dataclass(frozen=True, eq=False)
class _Compared:
    """Shots against the shots around them; NaN for those that cannot be compared."""

    on_time: NDArray[np.float64]
    """(shot,): Part of the neighbours that is there at the time of the table."""
    best: NDArray[np.float64]
    """(shot,): The largest part at any time."""
    late_s: NDArray[np.float64]
    """(shot,): When that is, after the time of the table."""


def against_neighbours(
    near: NearRecord, fired: FiredShots, arrivals: DirectArrivals
) -> DirectArrivals | None:
    """Hold every shot against its neighbours in place of the usual direct arrival.

    None where neighbours explain too little of the record: there is much noise, or sources fired
    that are not in the table. Of `arrivals` what concerns the line as a whole is kept; further
    shots and wrong source numbers are not looked for.
    """
    line = _line(near, fired)
    own, around, left = _explain(line, np.ones(len(fired.live), dtype=np.bool_))
    if left > _MOST_LEFT:
        return None
    found = _compare(line, own, around)
    late = missing = np.zeros(len(fired.live), dtype=np.bool_)
    for _ in range(_ROUNDS_OF_ODD):
        more_late, more_missing = (
            _farthest_off(line, odd & ~(late | missing), found)
            for odd in (_late(line, found), _missing(line, found))
        )
        if not (more_late | more_missing).any():
            break
        late, missing = late | more_late, missing | more_missing
        # Once they are in no median, neighbours neither hide how odd they are nor suffer from it.
        own, around, _ = _explain(line, ~(late | missing))
        found = _compare(line, own, around)
    return _as_arrivals(line, found, late, missing, arrivals)


def _line(near: NearRecord, fired: FiredShots) -> _Line:
    """Fewer channels of long lines, and the shots of each source."""
    length = round(_LEFT_S / near.interval_s)
    channels = max(1, _MOST_SAMPLES // (length * len(fired.live)))
    near = replace(
        near,
        samples=near.samples[:channels],
        known=near.known[:channels],
        delay_s=near.delay_s[:, :channels],
    )
    window = near.window(fired)
    good = fired.live & near.view.complete(window)
    order = np.argsort(fired.fire_time_ns, kind="stable")
    rows = tuple(
        order[(fired.source_row[order] == source) & good[order]]
        for source in range(near.source_count)
    )
    return _Line(near, View(near.samples, near.view.known, length), window, rows)


def _explain(
    line: _Line, used: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """What each shot left without the others, and the median of its neighbours in that.

    Both of shape (shot, channel, time). Shots that are not used leave nothing as far as the others
    are concerned. Last the part of the energy of the record that is not explained.
    """
    view = line.view
    expected = np.zeros((len(used), len(view.samples), view.length))
    operators = [view.operator(line.window[rows]) for rows in line.rows]
    residual = view.samples.copy()
    for _ in range(_ROUNDS):
        for rows, operator in zip(line.rows, operators, strict=True):
            inside = used[rows]
            if np.count_nonzero(inside) >= _SHOTS:
                gathers = operator.pseudo_deblend(residual) + expected[rows]
                wanted = np.zeros_like(gathers)
                wanted[inside] = _along_line(gathers[inside])
                residual -= operator.blend(wanted - expected[rows])
                expected[rows] = wanted
    own = np.zeros((len(used), len(view.samples), line.compared))
    around = np.zeros_like(own)
    for rows, operator in zip(line.rows, operators, strict=True):
        gathers = operator.pseudo_deblend(residual) + expected[rows]
        own[rows] = gathers[:, :, : line.compared]
        for place, row in enumerate(rows.tolist()):
            near = [at for at in range(place - 4, place + 5) if 0 <= at < len(rows)]
            near = [at for at in near if at != place and used[rows[at]]]
            near.sort(key=lambda at: abs(at - place))
            if near:
                around[row] = np.median(own[rows[near[:4]]], axis=0)
    energy = float(np.einsum("ct,ct->", view.samples, view.samples))
    return own, around, float(np.einsum("ct,ct->", residual, residual)) / energy


def _along_line(gathers: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median of each shot and the two on either side of it; of three at the ends."""
    out: NDArray[np.float64] = median_filter(gathers, size=(_SHOTS, 1, 1), mode="nearest")
    out[:2], out[-2:] = np.median(gathers[:3], axis=0), np.median(gathers[-3:], axis=0)
    return out


def _compare(line: _Line, own: NDArray[np.float64], around: NDArray[np.float64]) -> _Compared:
    """Correlate every shot with the median of its neighbours, at times up to 60 ms apart."""
    interval_s = line.near.interval_s
    most = round(_LONGEST_S / interval_s)
    padded = next_fast_len(line.compared + most, real=True)
    out = np.full((3, len(own)), np.nan)
    for rows in line.rows:
        energy = np.einsum("sct,sct->s", around[rows], around[rows])
        cross = np.einsum(
            "scf,scf->sf", rfft(own[rows], padded), np.conj(rfft(around[rows], padded))
        )
        lagged = np.take(irfft(cross, padded), np.arange(-most, most + 1), axis=1)
        lagged /= np.where(energy > 0.0, energy, np.inf)[:, None]
        # Noise is in the energy of the neighbours, and not in what a shot has in common with them.
        usual = float(np.median(lagged[:, most])) if rows.size else 0.0
        lagged /= usual if usual > _LEAST_ALIKE else np.inf
        at, peak = _peak(lagged)
        out[:, rows] = lagged[:, most], peak, (at - most) * interval_s
    return _Compared(*out)


def _peak(lagged: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Place and value of the highest value of each row, the place between samples."""
    best = np.clip(lagged.argmax(axis=1), 1, lagged.shape[1] - 2)
    low, here, high = (lagged[np.arange(len(best)), best + step] for step in (-1, 0, 1))
    bend = low - 2.0 * here + high
    fine = np.where(bend < 0.0, 0.5 * (low - high) / np.where(bend < 0.0, bend, 1.0), 0.0)
    return best + np.clip(fine, -0.5, 0.5), lagged.max(axis=1)


def _farthest_off(line: _Line, odd: NDArray[np.bool_], found: _Compared) -> NDArray[np.bool_]:
    """Of odd shots, those that overlap with none that fits worse: it may be what makes them odd."""
    out = np.zeros_like(odd)
    rows = np.flatnonzero(odd)
    for row in rows[np.argsort(found.on_time[rows], kind="stable")].tolist():
        near = np.abs(line.window - line.window[row]) < line.compared
        out[row] = not (out & near).any()
    return out


def _late(line: _Line, found: _Compared) -> NDArray[np.bool_]:
    """Shots that came at another time than their neighbours."""
    out = np.zeros(len(found.best), dtype=np.bool_)
    for rows in _judged(line):
        limit_s = max(_LEAST_LATE_S, _CERTAINLY_LATE * robust_deviation(found.late_s[rows]))
        out[rows] = (np.abs(found.late_s[rows]) > limit_s) & (found.best[rows] > _HALF)
    return out


def _missing(line: _Line, found: _Compared) -> NDArray[np.bool_]:
    """Shots that hold less than half of their neighbours."""
    out = np.zeros(len(found.best), dtype=np.bool_)
    for rows in _judged(line):
        scatter = robust_deviation(found.best[rows])
        out[rows] = (found.best[rows] < _HALF) & (1.0 - found.best[rows] > _CERTAIN * scatter)
    return out


def _judged(line: _Line) -> Iterator[NDArray[np.int64]]:
    """Shots with two neighbours on either side, of sources whose shots are like them."""
    return (rows[2:-2] for rows in line.rows if len(rows) >= _FEWEST)


def _as_arrivals(
    line: _Line,
    found: _Compared,
    late: NDArray[np.bool_],
    missing: NDArray[np.bool_],
    arrivals: DirectArrivals,
) -> DirectArrivals:
    """The comparison in the form of a fit of direct arrivals."""
    not_recorded, few_shots, _, disturbed = UNVERIFIED
    unverified = np.full(len(late), not_recorded)
    for rows in line.rows:
        unverified[rows] = few_shots
    for rows in _judged(line):
        usual = rows[~(late | missing)[rows]]
        scatter = robust_deviation(found.on_time[usual]) if usual.size else 0.0
        clear = 0.0 < scatter < _HALF / _CERTAIN
        unverified[rows] = "" if clear else disturbed
    missing &= (found.best < _MISFIRE) & (unverified == "")
    amplitude = np.where(np.isnan(found.best), np.nan, np.where(missing, found.best, 1.0))
    return replace(
        arrivals,
        amplitude=amplitude,
        lag_s=np.where(unverified == "", np.where(late, found.late_s, 0.0), np.nan),
        wider=np.ones(len(late)),
        unusual=missing,
        likeness=None,
        strays=(),
        unverified=unverified,
        by_neighbours=True,
    )
