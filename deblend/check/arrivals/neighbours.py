"""Every shot held against the shots of its source before and after it, over a second of the gather.

Direct arrivals say little where reflections and scattered waves are as strong: on such lines few
shots could be verified by them. What all shots leave there changes slowly along the line. The
median of five shots of a source is what each is expected to leave; what all others are expected to
leave is taken off the record, and each shot is compared with the median of its neighbours. Those
that do not fit are taken out of the medians, and compared once more. What is left of the record is
searched for shots in no row, and every shot is held against those of other sources.

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

from deblend.check.arrivals.direct_arrivals import DirectArrivals, Stray, in_one_frame
from deblend.check.arrivals.near_record import FiredShots, NearRecord
from deblend.check.arrivals.search import UNVERIFIED, robust_deviation
from deblend.check.arrivals.source_likeness import SourceLikeness
from deblend.check.arrivals.unlike_table import (
    FurtherShot,
    sources_by_neighbours,
    strongest_unexplained,
)
from deblend.check.arrivals.windows import View
from deblend.model.timebase import NS_PER_S

_LEFT_S: Final = 3.0
"""So much of each shot is taken off for the others."""
_COMPARED_S: Final = 1.2
"""After the direct arrival; all of it where that is not known."""
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
_MOST_FURTHER: Final = 8
_ON_TIME_S: Final = 0.08
"""What fires so close to a shot that is marked as a misfire is that shot."""
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
        known = self.near.delay_s.any()
        return round(_COMPARED_S / self.near.interval_s) if known else self.view.length


@dataclass(frozen=True, eq=False)
class _Explained:
    """The record by the neighbours of every shot."""

    expected: NDArray[np.float64]
    """(shot, channel, time): The median of each shot and the two on either side of it."""
    residual: NDArray[np.float64]
    """(channel, time): What these do not explain."""
    own: NDArray[np.float64]
    around: NDArray[np.float64]
    """(shot, channel, time): What each shot left, and the median of its neighbours in that."""

    @property
    def left(self) -> float:
        """Energy of the residual."""
        return float(np.einsum("ct,ct->", self.residual, self.residual))


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
) -> tuple[DirectArrivals, dict[int, int]] | None:
    """Hold every shot against its neighbours in place of the usual direct arrival.

    Also rows with the number of another source, and that source. None where neighbours explain too
    little of the record: there is much noise, or sources fired that are not in the table. Of
    `arrivals` what concerns the line as a whole is kept.
    """
    line = _line(near, fired)
    explained = _explain(line, np.ones(len(fired.live), dtype=np.bool_))
    energy = float(np.einsum("ct,ct->", line.view.samples, line.view.samples))
    if explained.left > _MOST_LEFT * energy:
        return None
    wrong: dict[int, int] = {}
    strays: list[FurtherShot] = []
    likeness = _likeness(line, explained, fired)
    now = fired
    for _ in range(_MOST_FURTHER):
        named = likeness.looks_like[: len(fired.live)].tolist()
        more = {row: source for row, source in enumerate(named) if source >= 0}
        stray = None
        if not more:
            stray = strongest_unexplained(
                explained.residual,
                explained.expected,
                line.rows,
                line.window,
                near.interval_s,
            )
        if stray is not None:
            strays.append(stray)
            now = _with_shot(near, now, stray)
        elif more.keys() - wrong.keys():
            wrong = more | wrong
            source_row = now.source_row.copy()
            source_row[list(wrong)] = list(wrong.values())
            now = replace(now, source_row=source_row)
        else:
            break
        line = _line(near, now)
        explained = _explain(line, np.ones(len(now.live), dtype=np.bool_))
        likeness = _likeness(line, explained, now)
    found, late, missing = _odd_shots(line, explained)
    fitted = _as_arrivals(line, found, late, missing, arrivals)
    numbers = replace(likeness, looks_like=likeness.looks_like[: len(fired.live)])
    return _with_strays(near, fired, replace(fitted, likeness=numbers), strays), wrong


def _odd_shots(
    line: _Line, explained: _Explained
) -> tuple[_Compared, NDArray[np.bool_], NDArray[np.bool_]]:
    """All shots compared, and those that are late and that are missing."""
    found = _compare(line, explained.own, explained.around)
    late = missing = np.zeros(len(line.window), dtype=np.bool_)
    for _ in range(_ROUNDS_OF_ODD):
        more_late, more_missing = (
            _farthest_off(line, odd & ~(late | missing), found)
            for odd in (_late(line, found), _missing(line, found))
        )
        if not (more_late | more_missing).any():
            break
        late, missing = late | more_late, missing | more_missing
        # Once they are in no median, neighbours neither hide how odd they are nor suffer from it.
        again = _explain(line, ~(late | missing))
        found = _compare(line, again.own, again.around)
    return found, late, missing


def _likeness(line: _Line, explained: _Explained, fired: FiredShots) -> SourceLikeness:
    """Which sources the shots are like, by the shots of each near them."""
    begin, rows = line.near.begin, fired.source_row
    own, expected = (
        in_one_frame(some, rows, begin) for some in (explained.own, explained.expected)
    )
    return sources_by_neighbours(own, expected, line.rows, line.window - begin[rows])


def _with_shot(near: NearRecord, fired: FiredShots, stray: FurtherShot) -> FiredShots:
    """One more shot."""
    at_ns = _fired_ns(near, stray)[stray.source_row]
    return FiredShots(
        np.append(fired.fire_time_ns, at_ns),
        np.append(fired.live, True),
        np.append(fired.source_row, stray.source_row),
    )


def _fired_ns(near: NearRecord, stray: FurtherShot) -> tuple[int, ...]:
    """When each of the sources would have fired."""
    after_ns = np.rint((stray.window - near.begin) * near.interval_ns).astype(np.int64)
    return tuple((near.start_ns + after_ns).tolist())


def _with_strays(
    near: NearRecord, fired: FiredShots, arrivals: DirectArrivals, further: list[FurtherShot]
) -> DirectArrivals:
    """Shots in no row; those at the time of a shot that is marked as a misfire are that shot."""
    amplitude, unusual = arrivals.amplitude.copy(), arrivals.unusual.copy()
    strays = []
    for shot in further:
        stray = Stray(_fired_ns(near, shot), shot.part, shot.source_row)
        apart = np.abs(fired.fire_time_ns - stray.time_ns) + np.where(fired.live, np.inf, 0.0)
        row = int(apart.argmin())
        if apart[row] < _ON_TIME_S * NS_PER_S:
            amplitude[row], unusual[row] = shot.part, True
        else:
            strays.append(stray)
    return replace(
        arrivals,
        amplitude=amplitude,
        unusual=unusual,
        strays=tuple(sorted(strays, key=lambda stray: stray.time_ns)),
        stray_null=max((shot.by_chance for shot in further), default=np.nan),
    )


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


def _explain(line: _Line, used: NDArray[np.bool_]) -> _Explained:
    """What each shot left without the others, and the median of its neighbours in that.

    Shots that are not used leave nothing as far as the others are concerned.
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
    own, around = np.zeros_like(expected), np.zeros_like(expected[:, :, : line.compared])
    for rows, operator in zip(line.rows, operators, strict=True):
        own[rows] = operator.pseudo_deblend(residual) + expected[rows]
        for place, row in enumerate(rows.tolist()):
            near = [at for at in range(place - 4, place + 5) if 0 <= at < len(rows)]
            near = [at for at in near if at != place and used[rows[at]]]
            near.sort(key=lambda at: abs(at - place))
            if near:
                around[row] = np.median(own[rows[near[:4]], :, : line.compared], axis=0)
    return _Explained(expected, residual, own, around)


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
        left = own[rows, :, : line.compared]
        cross = np.einsum("scf,scf->sf", rfft(left, padded), np.conj(rfft(around[rows], padded)))
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
    count = len(arrivals.amplitude)
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
    lag_s = np.where(unverified == "", np.where(late, found.late_s, 0.0), np.nan)
    # Shots in no row of the table came last.
    return replace(
        arrivals,
        amplitude=amplitude[:count],
        lag_s=lag_s[:count],
        wider=np.ones(count),
        unusual=missing[:count],
        unverified=unverified[:count],
        by_neighbours=True,
    )
