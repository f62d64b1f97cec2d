"""When hydrophones beside the sources hear a pulse: of which source, and how long after its times.

The strength of a record at one time after each fire time of a source is taken as the median over
shots, in which pulses of other sources vanish as far as delays between the sources vary. A source
that is late throughout stands out at its lateness, and hydrophones that are named for another
source stand out at the fire times of that.

It fails where delays between sources never vary: the times of either source show the same pulse.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding, Verdict
from deblend.model.timebase import NS_PER_S

LARGEST_LAG_S: Final = 1.5
SOURCE_LIMIT_MS: Final = 2.5
"""Between sources: their pulses rise within a few milliseconds, and hydrophones are metres away."""
ALL_LIMIT_MS: Final = 30.0
"""Of all sources alike: pulses begin some time after the time break."""
_STANDS_OUT: Final = 4.0
"""Of the highest pulse over the median of all lags."""
_CLEARLY: Final = 2.0
"""As much louder a hydrophone hears the source it is beside than any other."""
_RISEN: Final = 0.3
"""Part of the highest strength at which a pulse has begun."""
_PULSE_S: Final = 0.06
_MOST_SHOTS: Final = 300
_FEWEST_SHOTS: Final = 5


def heard_after_s(
    record: NDArray[np.float32],
    fire_time_ns: NDArray[np.int64],
    *,
    start_ns: int,
    interval_ns: int,
) -> tuple[float, float]:
    """How long after fire times a pulse begins, within 1.5 s, and its strength; NaN and 0 if none.

    `record` has hydrophones, (channel, time), NaN where unknown; times are of live shots of one
    source.
    """
    strength = np.abs(np.diff(record, axis=1)).sum(axis=0)
    most = round(LARGEST_LAG_S * NS_PER_S / interval_ns)
    sample = (fire_time_ns - start_ns) / interval_ns
    first = np.floor(sample).astype(np.int64)
    inside = (first >= most) & (first + most + 1 < len(strength))
    sample, first = sample[inside], first[inside]
    if len(first) < _FEWEST_SHOTS:
        return np.nan, 0.0
    some = np.unique(np.linspace(0, len(first) - 1, min(len(first), _MOST_SHOTS)).astype(np.int64))
    at = first[some, None] + np.arange(-most, most + 1)
    part = (sample - first)[some, None]
    # Strength at the same time after each shot, between the two samples next to it.
    windows = (1.0 - part) * strength[at] + part * strength[at + 1]
    known = np.isfinite(windows).all(axis=1)
    if np.count_nonzero(known) < _FEWEST_SHOTS:
        return np.nan, 0.0
    usual = np.median(windows[known], axis=0)
    height = float(usual.max())
    if height <= _STANDS_OUT * float(np.median(usual)):
        return np.nan, 0.0
    highest = int(usual.argmax())
    begin = max(0, highest - round(_PULSE_S * NS_PER_S / interval_ns))
    risen = begin + int((usual[begin : highest + 1] >= _RISEN * height).argmax())
    before, after = usual[max(0, risen - 1)], usual[risen]
    back = (after - _RISEN * height) / (after - before) if after > before else 0.0
    # A difference lies between its two samples.
    return (risen - back - most + 0.5) * interval_ns / NS_PER_S, height


def exchanged_hydrophones(
    strength: NDArray[np.float64], sources: tuple[int | str, ...]
) -> Finding | None:
    """One finding where hydrophones clearly hear other sources than they are named for, else None.

    `strength` is that of the pulse which the hydrophones of each source hear at the fire times of
    each: (hydrophones, source).
    """
    own = np.diagonal(strength)
    loudest = strength.argmax(axis=1)
    other = np.flatnonzero(strength.max(axis=1) > _CLEARLY * np.maximum(own, 0.0))
    other = other[loudest[other] != other]
    if not other.size:
        return None
    pairs = ", ".join(
        f"those of source {sources[row]} hear source {sources[loudest[row]]}" for row in other
    )
    message = (
        f"Hydrophones are exchanged: {pairs}, by the fire times at which they hear a pulse. Either "
        "channels of [near_field.channels] are exchanged, or the source numbers of the shot table. "
        "Nothing was taken from these hydrophones."
    )
    return Finding("near_field_exchanged", float(other.size), "sources", "fail", message)


def hydrophone_time_findings(
    heard_s: NDArray[np.float64], sources: tuple[int | str, ...], pulse_delay_s: float
) -> list[Finding]:
    """How late each source fires by its hydrophones, against the others and against the table.

    `heard_s` is the begin of its pulse after its fire times, NaN where not heard; `pulse_delay_s`
    is from the fire time to that begin, as far as it is known.
    """
    late_ms = 1e3 * (heard_s - pulse_delay_s)
    known = np.flatnonzero(np.isfinite(late_ms))
    if not known.size:
        return []
    on_time_ms = _on_time_ms(late_ms[known])
    findings = []
    for row in known.tolist():
        apart_ms = float(late_ms[row] - on_time_ms)
        verdict: Verdict = "pass"
        text = f"begin {late_ms[row]:+.1f} ms after its fire times, by its hydrophones"
        if abs(apart_ms) > SOURCE_LIMIT_MS:
            verdict = "look"
            way = "late" if apart_ms > 0 else "early"
            text += f": it fires {abs(apart_ms):.1f} ms {way} throughout, against the others. Its "
            text += "times have another zero, and all its gathers would be as much off"
        elif abs(late_ms[row]) > ALL_LIMIT_MS:
            verdict, apart_ms = "look", float(late_ms[row])
            text += ". A clock has a constant offset, or the pulse begins that long after the time "
            text += "break, which pulse_delay_ms in [shots] can state"
        findings.append(
            Finding(
                "near_field_time",
                apart_ms,
                "ms",
                verdict,
                f"Pulses of source {sources[row]} {text}.",
                source=sources[row],
                limit=SOURCE_LIMIT_MS,
            )
        )
    return findings


def _on_time_ms(late_ms: NDArray[np.float64]) -> float:
    """Lateness of most sources; where there is no majority, that nearest to the table."""
    alike = np.abs(late_ms[:, None] - late_ms) <= SOURCE_LIMIT_MS
    best = alike[alike.sum(axis=1).argmax()]
    if 2 * best.sum() > late_ms.size:
        return float(np.median(late_ms[best]))
    return float(late_ms[np.abs(late_ms).argmin()])
