"""What came back of injected events, as rows of its table and as findings."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.decibels import decibels
from deblend.inject.event_response import OFFSET_CLASSES, Response, recovered
from deblend.inject.injected_events import Events
from deblend.model.findings import Finding
from deblend.qc.injected_rows import ALL, CAUTION, InjectedRow
from deblend.qc.limits import Limit, verdict_row

_EXTENT: Final = ("near", "middle", "far")

Source = int | str


def injection_rows(
    events: Events,
    responses: Mapping[Source, Response],
    one_source: Source,
    copies: Mapping[Source, Response],
    offset_m: Sequence[float],
) -> tuple[InjectedRow, ...]:
    """One row an event, source and class of offsets.

    `one_source` alone got events in the other separation, `copies` are what then looked like them
    in each other source. `offset_m` is the mean of all channels, then of each class.
    """
    return tuple(
        InjectedRow(
            put_into=put_into,
            source=str(source),
            time_s=float(events.time_s[event]),
            frequency_hz=float(events.frequency_hz[event]),
            velocity_m_s=float(events.velocity_m_s[event]),
            offsets=ALL if number is None else _EXTENT[number],
            offset_m=offset_m[0 if number is None else 1 + number],
            amplitude_percent=100.0 * back.amplitude,
            amplitude_error_percent=100.0 * back.amplitude_error,
            late_ms=1e3 * back.time_s,
            late_error_ms=1e3 * back.time_error_s,
        )
        for put_into, measured in ((ALL, responses), (str(one_source), copies))
        for source, response in measured.items()
        for number in (None, *range(OFFSET_CLASSES))
        for event, back in enumerate(recovered(response, number))
    )


def injection_findings(
    rows: Sequence[InjectedRow],
    limits: Mapping[str, Limit],
    elsewhere: Mapping[Source, NDArray[np.float64]],
    one_source: Source,
    windows_s: Sequence[tuple[float, float]],
    level_db: float,
    offsets_known: bool,
) -> Iterator[Finding]:
    """The rows, and energies that appeared elsewhere, held against limits.

    `elsewhere` has the energy that appeared in each other source and window, and what was put in.
    """
    yield Finding("injection", level_db, "dB", "note", CAUTION)
    if not offsets_known:
        yield Finding(
            "injection_without_moveout",
            float("nan"),
            "",
            "note",
            "Offsets are unknown: events were injected without moveout.",
        )
    for row in rows:
        if row.put_into == ALL and row.offsets == ALL:
            yield from _event_findings(row, limits)
    yield from _offset_findings(rows)
    for source, (appeared, put_in) in elsewhere.items():
        for column, window_s in enumerate(windows_s):
            value = decibels(float(appeared[column]), float(put_in[column]))
            if np.isfinite(value):
                yield verdict_row(
                    limits,
                    "injected_elsewhere",
                    value,
                    f"Energy that appeared in source {source} when events went into source "
                    f"{one_source} alone, relative to the events.",
                    source=source,
                    other_source=one_source,
                    window_s=window_s,
                )
        yield from _copied_findings(rows, source, one_source)


def _copied_findings(
    rows: Sequence[InjectedRow], source: Source, one_source: Source
) -> Iterator[Finding]:
    own = [row for row in rows if row.put_into != ALL and row.source == str(source)]
    copied = [row.amplitude_percent for row in own if row.offsets == ALL]
    if copied and np.isfinite(copied).any():
        error = float(np.nanstd(copied, ddof=1) / np.sqrt(len(copied))) if len(copied) > 1 else None
        yield Finding(
            "injected_copied",
            float(np.nanmean(copied)),
            "%",
            "note",
            f"Part of these events that came back in source {source} as if it had them too, mean "
            f"of {len(copied)} events.",
            source=source,
            other_source=one_source,
            error=error,
        )


def _band(frequency_hz: float) -> tuple[float, float]:
    return frequency_hz / np.sqrt(2.0), frequency_hz * np.sqrt(2.0)


def _give_or_take(error: float, unit: str) -> str:
    """An error in words; it is not known where the line has too few shots and channels for one."""
    return f"give or take {error:.2g} {unit}" if np.isfinite(error) else "its error is not known"


def _event_findings(row: InjectedRow, limits: Mapping[str, Limit]) -> Iterator[Finding]:
    yield verdict_row(
        limits,
        "injected_amplitude",
        row.amplitude_percent,
        f"Amplitude of an injected event at {row.time_s:.2f} s that came back, "
        f"{_give_or_take(row.amplitude_error_percent, '%')}.",
        error=row.amplitude_error_percent,
        source=row.source,
        window_s=(row.time_s, row.time_s),
        band_hz=_band(row.frequency_hz),
    )
    if np.isfinite(row.late_ms):
        yield verdict_row(
            limits,
            "injected_time_error",
            abs(row.late_ms),
            f"It came back {row.late_ms:+.2g} ms late, {_give_or_take(row.late_error_ms, 'ms')}.",
            beyond_chance=abs(row.late_ms) >= 3 * row.late_error_ms,
            error=row.late_error_ms,
            source=row.source,
            window_s=(row.time_s, row.time_s),
            band_hz=_band(row.frequency_hz),
        )


def _offset_findings(rows: Sequence[InjectedRow]) -> Iterator[Finding]:
    for source in dict.fromkeys(row.source for row in rows if row.put_into == ALL):
        for extent in _EXTENT:
            back = np.array(
                [
                    row.amplitude_percent
                    for row in rows
                    if (row.put_into, row.source, row.offsets) == (ALL, source, extent)
                ]
            )
            if np.isfinite(back).any():
                spread = float(np.nanstd(back, ddof=1) / np.sqrt(len(back)))
                yield Finding(
                    f"injected_amplitude_{extent}_offsets",
                    float(np.nanmean(back)),
                    "%",
                    "note",
                    f"Mean over the events at {extent} offsets, {_give_or_take(spread, '%')}.",
                    source=source,
                    error=spread,
                )
