"""Every shot and every channel held against its neighbours: level, delay, polarity, likeness.

What a shot left in the record is its estimate and the unexplained part at its time; it is
correlated with the estimates of the two shots of its source before it and the two after it. A shot
fired at another time, weaker, of another polarity or by another source than the table says is
unlike them, and so is a channel unlike those beside it. The median of four neighbours forgives one
bad one.

It fails where several shots in a row are wrong alike, and says nothing of sources with fewer than
`FEWEST` shots. Channels are compared inside blocks, so that those of blocks of one channel are not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from deblend.model.findings import Finding
from deblend.qc.limits import limit_of, verdict_row
from deblend.qc.metric import MeasuredBlock, MeasuredLine, Metric
from deblend.qc.sums import Sums

FEWEST: Final = 8
"""Shots of a source, or channels, of which something can stand out."""
LONGEST_S: Final = 0.06
"""Delays beyond this are seen as unlikeness only."""
_APART: Final = (-2, -1, 1, 2)
"""Neighbours of a shot among those of its source."""
_STRAIGHT: Final = 1.0 / 3.0
"""Of a delay: lags against four neighbours may scatter so much about a straight line."""
_OUTSHONE: Final = 0.5
"""Of the larger deviation of a shot this close: one that the other explains."""


@dataclass(frozen=True, eq=False)
class NeighbourSums(Sums):
    """Energies and correlations; add them over blocks."""

    energy: NDArray[np.float64]
    """(shot,): Of the estimates, in squared amplitude units."""
    product: NDArray[np.float64]
    """(shot, neighbour, lag): Correlation with the estimates of `_APART`; zero where none is."""
    channel_energy: NDArray[np.float64]
    """(channel,): Of what all shots left."""
    channel_product: NDArray[np.float64]
    """(channel, lag): Correlation with the next channel of the block; zero where none is."""


@dataclass(frozen=True, eq=False)
class Against:
    """Some shots, or channels, against their neighbours; NaN where nothing can be said."""

    level_db: NDArray[np.float64]
    """Energy over the median of the neighbours."""
    delay_ms: NDArray[np.float64]
    """After the neighbours."""
    likeness: NDArray[np.float64]
    """Part of the neighbours that is in it, in per cent; negative for the other polarity."""


def measure_neighbours(block: MeasuredBlock) -> NeighbourSums:
    """Correlate the shots of a block with their neighbours, and its channels with theirs."""
    lags = _most_lag(block.setup.interval_s)
    count, length = len(block.rows), block.setup.length
    found = NeighbourSums(
        np.zeros(count),
        np.zeros((count, len(_APART), 2 * lags + 1)),
        np.zeros(block.setup.channel_count),
        np.zeros((block.setup.channel_count, 2 * lags + 1)),
    )
    padded = next_fast_len(length + lags, real=True)
    for rows in block.own_setup.rows.values():
        _correlate_source(block, rows, padded, found)
    shot = block.in_line_rows(_PerShot(found.energy, found.product))
    return NeighbourSums(shot.energy, shot.product, found.channel_energy, found.channel_product)


@dataclass(frozen=True, eq=False)
class _PerShot:
    energy: NDArray[np.float64]
    product: NDArray[np.float64]


def _correlate_source(
    block: MeasuredBlock, rows: NDArray[np.int64], padded: int, found: NeighbourSums
) -> None:
    """Add what the shots of one source are like, in the order of fire time."""
    lags = found.product.shape[2] // 2
    channels = np.arange(block.channels.start, block.channels.stop)
    alive = np.asarray(block.alive)
    pairs = np.flatnonzero(alive[:-1] & alive[1:])
    left: dict[int, Any] = {}
    kept: dict[int, Any] = {}
    for place, row in enumerate(rows.tolist()):
        estimate = np.where(alive[:, None], block.estimate[row], np.float32(0))
        own = estimate + np.where(alive[:, None], _unexplained(block, row), np.float32(0))
        found.energy[row] = np.einsum("ct,ct->", estimate, estimate, dtype=np.float64)
        found.channel_energy[channels] += np.einsum("ct,ct->c", own, own, dtype=np.float64)
        left[place], kept[place] = rfft(own, padded, axis=1), rfft(estimate, padded, axis=1)
        for apart in (1, 2):
            if place - apart not in left:
                continue
            before = int(rows[place - apart])
            here, there = _APART.index(-apart), _APART.index(apart)
            found.product[row, here] = _lagged(left[place], kept[place - apart], lags)
            found.product[before, there] = _lagged(left[place - apart], kept[place], lags)
        left.pop(place - 2, None)
        kept.pop(place - 2, None)
        cross = left[place][pairs + 1] * np.conj(left[place][pairs])
        found.channel_product[channels[pairs]] += _centred(irfft(cross, padded, axis=1), lags)


def _unexplained(block: MeasuredBlock, row: int) -> NDArray[np.float32]:
    """Residual at the time of a shot, by the nearest sample, shape (channel, time)."""
    length, first = block.setup.length, int(block.first_sample[row])
    out = np.zeros((block.residual.shape[0], length), np.float32)
    begin, end = max(first, 0), min(first + length, block.residual.shape[1])
    if begin < end:
        out[:, begin - first : end - first] = block.residual[:, begin:end]
    return out


def _lagged(later: Any, earlier: Any, lags: int) -> NDArray[np.float64]:
    """Correlation summed over channels at lags from -lags to lags: positive where later is late."""
    cross = np.einsum("cf,cf->f", later, np.conj(earlier))
    padded = 2 * (later.shape[1] - 1)
    return _centred(irfft(cross, padded), lags)


def _centred(correlation: NDArray[Any], lags: int) -> NDArray[np.float64]:
    size = correlation.shape[-1]
    out: NDArray[np.float64] = np.take(
        correlation, np.arange(-lags, lags + 1) % size, axis=-1
    ).astype(np.float64)
    return out


def _most_lag(interval_s: float) -> int:
    return max(1, round(LONGEST_S / interval_s))


def _peak(product: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lag in samples and value of the largest magnitude along the last axis, between samples."""
    middle = product.shape[-1] // 2
    at = np.abs(product).argmax(axis=-1)
    inner = np.clip(at, 1, product.shape[-1] - 2)
    low, here, high = (
        np.take_along_axis(product, (inner + step)[..., None], axis=-1)[..., 0]
        for step in (-1, 0, 1)
    )
    bend = low - 2.0 * here + high
    fine = np.where((bend != 0) & (at == inner), 0.5 * (low - high) / np.where(bend, bend, 1.0), 0)
    return at - middle + np.clip(fine, -0.5, 0.5), np.take_along_axis(
        product, at[..., None], axis=-1
    )[..., 0]


def shots_against_neighbours(
    found: NeighbourSums, rows: NDArray[np.int64], interval_s: float
) -> Against:
    """How the shots of one source, in the order of fire time, compare with their neighbours."""
    energy = found.energy[rows]
    lag, peak = _peak(found.product[rows])
    near = np.full((len(rows), len(_APART)), np.nan)
    for column, apart in enumerate(_APART):
        there = np.arange(len(rows)) + apart
        inside = (there >= 0) & (there < len(rows))
        near[inside, column] = energy[there[inside]]
    near[near <= 0.0] = np.nan
    some = np.isfinite(near).any(axis=1) & (energy > 0.0)
    likeness, delay, usual = (np.full(len(rows), np.nan) for _ in range(3))
    # One-sided neighbours of the first and last shots lie down the dip, and give no delay.
    both = some & np.isfinite(near[:, 1]) & np.isfinite(near[:, 2])
    likeness[some] = np.nanmedian((peak / near)[some], axis=1)
    delay[both] = delay_among_neighbours(np.where(np.isfinite(near), lag, np.nan))[both]
    usual[some] = np.nanmedian(near[some], axis=1)
    level_db = 10.0 * np.log10(np.where(some, energy, 1.0) / usual)
    return Against(level_db, delay * interval_s * 1e3, 100.0 * likeness)


def delay_among_neighbours(lag: NDArray[np.float64]) -> NDArray[np.float64]:
    """Delay of shots after their neighbours, from the lags against those of `_APART`.

    Events that move along the line lag as much behind the one side as they precede the other. The
    nearest two and the next two have to agree, and the four lie near a straight line: one of them
    may be wrong, or its lag a cycle off.
    """
    nearest, next_ones = 0.5 * (lag[:, 1] + lag[:, 2]), 0.5 * (lag[:, 0] + lag[:, 3])
    next_ones = np.where(np.isfinite(next_ones), next_ones, nearest)
    smaller = np.where(np.abs(nearest) < np.abs(next_ones), nearest, next_ones)
    apart = np.array(_APART, dtype=np.float64)
    slope = (lag * apart).sum(axis=1) / (apart**2).sum()
    rest = lag - lag.mean(axis=1, keepdims=True) - slope[:, None] * apart
    agree = (nearest * next_ones > 0.0) & ~(rest.std(axis=1) > _STRAIGHT * np.abs(smaller))
    return np.asarray(np.where(agree, smaller, 0.0))


def channels_against_neighbours(
    found: NeighbourSums, alive: NDArray[np.bool_], interval_s: float
) -> Against:
    """How the channels compare with those beside them."""
    energy = np.where(alive, found.channel_energy, 0.0)
    count = len(energy)
    lag, peak = _peak(found.channel_product)
    size = np.sqrt(energy[:-1] * energy[1:])
    known = (size > 0.0) & (peak[:-1] != 0.0)
    alike = np.where(known, peak[:-1] / np.where(known, size, 1.0), np.nan)
    before, after = np.full(count, np.nan), np.full(count, np.nan)
    before[1:], after[:-1] = alike, alike
    sign = polarity_of(alike)
    likeness = np.fmax(np.abs(before), np.abs(after)) * sign
    moved = np.where(known, lag[:-1], np.nan)
    delay = np.full(count, np.nan)
    delay[1:-1] = 0.5 * (moved[:-1] - moved[1:])
    near = np.full((count, len(_APART)), np.nan)
    for column, apart in enumerate(_APART):
        there = np.arange(count) + apart
        inside = (there >= 0) & (there < count)
        near[inside, column] = energy[there[inside]]
    near[near <= 0.0] = np.nan
    some = np.isfinite(near).any(axis=1) & (energy > 0.0)
    usual = np.full(count, np.nan)
    usual[some] = np.nanmedian(near[some], axis=1)
    level_db = 10.0 * np.log10(np.where(some, energy, 1.0) / usual)
    return Against(level_db, delay * interval_s * 1e3, 100.0 * likeness)


def polarity_of(alike: NDArray[np.float64]) -> NDArray[np.float64]:
    """Polarity of each channel, -1 for the rarer one of a stretch.

    `alike` is the correlation of each channel with the next; NaN, where unknown, ends a stretch.
    """
    sign = np.ones(len(alike) + 1)
    begin = 0
    for place in range(len(alike) + 1):
        if place == len(alike) or not np.isfinite(alike[place]):
            if sign[begin : place + 1].sum() < 0:
                sign[begin : place + 1] *= -1.0
            begin = place + 1
        else:
            sign[place + 1] = sign[place] * (1.0 if alike[place] >= 0 else -1.0)
    return sign


def neighbour_findings(line: MeasuredLine, found: NeighbourSums) -> Iterator[Finding]:
    """Shots and channels that stand out, and how many do not."""
    setup, shots = line.setup, line.setup.shots
    for source, rows in setup.rows.items():
        if len(rows) < FEWEST:
            continue
        against = shots_against_neighbours(found, rows, setup.interval_s)

        def place(at: int, rows: NDArray[np.int64] = rows) -> dict[str, Any]:
            row = int(rows[at])
            return {"source": shots.source[row].item(), "shot_point": int(shots.shot_point[row])}

        stand_out = list(_standing_out(line, against, "shot", place))
        yield from stand_out
        yield _how_many(len(rows), stand_out, "shot", source)
    alive = np.ones(setup.channel_count, dtype=np.bool_)
    if line.counts is not None:
        alive = ~line.counts.dead
    if alive.sum() < FEWEST:
        return
    against = channels_against_neighbours(found, alive, setup.interval_s)
    stand_out = list(
        _standing_out(
            line, against, "channel", lambda at: {"channel": int(line.channel_numbers[at])}
        )
    )
    yield from stand_out
    yield _how_many(int(alive.sum()), stand_out, "channel", None)


def _how_many(count: int, found: list[Finding], kind: str, source: int | str | None) -> Finding:
    named = len({(one.shot_point, one.channel) for one in found})
    message = (
        f"{count - named} of {count} {kind}s are like the {kind}s beside them in level, time, "
        "polarity and form; the others are named."
    )
    return Finding(f"{kind}s_unlike", float(named), f"{kind}s", "note", message, source=source)


_WORDS: Final = {
    "delay": "comes {:+.1f} ms from where its neighbours say: a wrong time, or a shifted trace",
    "level": "is {:+.1f} dB against its neighbours",
    "likeness": "holds {:.0f} % of what its neighbours have: a wrong source number or time, a "
    "misfire, or noise",
    "polarity": "has the other polarity than its neighbours ({:.0f} %)",
}


def _standing_out(
    line: MeasuredLine, against: Against, kind: str, place: Callable[[int], dict[str, Any]]
) -> Iterator[Finding]:
    """Values beyond their limit that also lie far outside the scatter of all."""
    known = against.delay_ms[np.isfinite(against.delay_ms)]
    measured = {
        "delay": np.abs(against.delay_ms - (np.median(known) if known.size else 0.0)),
        "level": np.abs(against.level_db),
        "likeness": against.likeness,
    }
    signed = {"delay": against.delay_ms, "level": against.level_db, "likeness": against.likeness}
    deviations = limit_of(line.limits, "neighbour_deviation")
    assert deviations is not None
    for name, values in measured.items():
        limit = limit_of(line.limits, f"{kind}_{name}")
        assert limit is not None
        far = _deviation(signed[name])
        beyond = np.abs(far) > deviations.look
        if name == "likeness":
            beyond &= far < 0
        worse = values > limit.look if limit.worse == "above" else values < limit.look
        for at in np.flatnonzero(worse & beyond).tolist():
            if _explained(np.abs(far), at):
                continue
            words = "polarity" if name == "likeness" and values[at] < -limit.fail else name
            text = _WORDS[words].format(signed[name][at])
            where = place(at)
            named = ", ".join(f"{key.replace('_', ' ')} {value}" for key, value in where.items())
            message = (
                f"{named[0].upper()}{named[1:]} {text}; it stands out by {abs(far[at]):.0f} robust "
                "deviations. Its gather is in the report, as far as there is room."
            )
            yield verdict_row(line.limits, f"{kind}_{name}", float(values[at]), message, **where)


def _explained(size: NDArray[np.float64], at: int) -> bool:
    """Whether a neighbour stands out so much more that it explains this one."""
    others = [size[at + apart] for apart in _APART if 0 <= at + apart < len(size)]
    return bool(np.nanmax(others, initial=0.0) * _OUTSHONE > size[at])


def _deviation(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance from the median in robust deviations; a tenth of a unit is the least deviation."""
    known = values[np.isfinite(values)]
    if not known.size:
        return np.zeros(len(values))
    middle = float(np.median(known))
    spread = max(1.4826 * float(np.median(np.abs(known - middle))), 0.1)
    return np.nan_to_num((values - middle) / spread)


NEIGHBOURS: Final = Metric("neighbours", neighbour_findings, measure_neighbours)
