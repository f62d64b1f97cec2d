"""How the shots of a line were really fired: logs, external headers, near-field hydrophones."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from deblend.errors import SettingsError
from deblend.line.line_file import LineFile
from deblend.model.findings import Finding
from deblend.model.recording import Recording, SampleSource
from deblend.model.shots import Shots

if TYPE_CHECKING:
    from deblend.line.near_field import NearField
    from deblend.records.source_log import LogRow


@dataclass(frozen=True, eq=False)
class ChosenRows:
    """Some channels of another source of samples."""

    source: SampleSource
    rows: Sequence[int]

    @property
    def shape(self) -> tuple[int, int]:
        """Number of channels and of samples."""
        return len(self.rows), self.source.shape[1]

    def read(self, channels: Sequence[int], start: int, stop: int) -> NDArray[np.float32]:
        """Samples ``[start, stop)`` of channels by row number here."""
        return self.source.read([self.rows[channel] for channel in channels], start, stop)


def with_source_states(
    line: LineFile, hydrophones: Recording, shots: Shots, guessed: NDArray[np.bool_]
) -> tuple[Shots, tuple[Finding, ...]]:
    """Shots as they were fired, by all that the line file names; as given where it names nothing.

    Misfires are not live, and what went off by itself becomes a row with deliver = False. The
    hydrophones are read from `hydrophones` where the line file names any. Fire times of
    rows that are `guessed` are replaced by those of a log.

    Raises
    ------
    InputError
        If a log, a header or a channel cannot be used, or two logs contradict each other.
    """
    from deblend.records.source_log import apply_source_log

    findings: tuple[Finding, ...] = ()
    rows = (*_logged(line, shots), *_in_headers(line, shots))
    if rows:
        fired = apply_source_log(shots, rows, guessed)
        shots, findings = fired.shots, fired.findings
    if line.keys.near_field is None:
        return shots, findings
    shots, found = _with_near_field(line, hydrophones, shots)
    return shots, (*findings, *found)


def without_near_field(line: LineFile, recording: Recording) -> Recording:
    """The recording without the hydrophones beside the sources, where they are part of it."""
    keys = line.keys.near_field
    if keys is None or keys.files or keys.channel_sets:
        return recording
    hydrophones = [number for numbers in keys.channels.values() for number in numbers]
    kept = np.flatnonzero(~np.isin(recording.channel_numbers, hydrophones))
    if not kept.size:
        raise SettingsError(
            "all channels of the record are near-field hydrophones",
            where=f"{line.path}, table [near_field]",
            remedy="Name only the channels beside the sources.",
        )
    rows = [int(row) for row in kept]
    numbers = tuple(int(number) for number in recording.channel_numbers[kept])
    return replace(recording, samples=ChosenRows(recording.source, rows), channels=numbers)


def _logged(line: LineFile, shots: Shots) -> tuple[LogRow, ...]:
    from deblend.records.source_log import read_source_log

    keys = line.keys.source_log
    if keys is None:
        return ()
    return tuple(
        row
        for name in keys.files
        for row in read_source_log(
            line.resolve(name),
            columns=keys.columns,
            time_scale=shots.time_scale,
            states=keys.states,
            source_names=keys.source_names,
        )
    )


def _in_headers(line: LineFile, shots: Shots) -> tuple[LogRow, ...]:
    from deblend.records.find_files import find_files
    from deblend.records.readers import choose_reader
    from deblend.records.segd.external_header import external_layout, read_external_headers

    keys = line.keys.external_header
    if keys is None:
        return ()
    files = find_files(line.record_patterns)
    if choose_reader(files).name != "SEG-D":
        raise SettingsError(
            "the records are no SEG-D and have no external header",
            where=f"{line.path}, table [external_header]",
            remedy="Leave the table out.",
        )
    layout = external_layout(
        keys.fields,
        first_byte=keys.first_byte,
        entry_bytes=keys.entry_bytes,
        fire_time_unit=keys.fire_time_unit,
    )
    return read_external_headers(files, layout, time_scale=shots.time_scale)


def _with_near_field(
    line: LineFile, hydrophones: Recording, shots: Shots
) -> tuple[Shots, tuple[Finding, ...]]:
    from deblend.line.hydrophone_times import (
        exchanged_hydrophones,
        heard_after_s,
        hydrophone_time_findings,
    )
    from deblend.line.near_field import near_field
    from deblend.records.conditioned import as_recorded

    keys = line.keys.near_field
    assert keys is not None
    hydrophones = as_recorded(hydrophones)
    records = _hydrophones_of(line, hydrophones, shots)
    fired = {source: shots.rows_of(source) for source in records}
    heard = [
        [
            heard_after_s(
                record,
                shots.fire_time_ns[own[shots.live[own]]],
                start_ns=hydrophones.start_ns,
                interval_ns=hydrophones.interval_ns,
            )
            for own in fired.values()
        ]
        for record in records.values()
    ]
    lag_s, strength = np.moveaxis(np.array(heard), 2, 0)
    exchanged = exchanged_hydrophones(strength, tuple(records))
    if exchanged is not None:
        return shots, (exchanged,)
    delay_s = line.keys.shots.pulse_delay_ms * 1e-3
    findings = hydrophone_time_findings(np.diagonal(lag_s), tuple(records), delay_s)
    late_ns = {f.source: round(f.value * 1e6) for f in findings if f.verdict == "look"}
    for source, record in records.items():
        own = fired[source]
        pulses = near_field(
            record,
            shots.fire_time_ns[own] + late_ns.get(source, 0),
            start_ns=hydrophones.start_ns,
            interval_ns=hydrophones.interval_ns,
        )
        if pulses is None:
            message = f"The hydrophones of source {source} recorded fewer than five of its shots."
            findings.append(Finding("near_field_silent", math.nan, "", "look", message))
            continue
        shots, found = apply_near_field(shots, source, own, pulses)
        findings += found
    return shots, tuple(findings)


def _hydrophones_of(
    line: LineFile, hydrophones: Recording, shots: Shots
) -> dict[int | str, NDArray[np.float32]]:
    """Samples of the hydrophones of each source."""
    assert line.keys.near_field is not None
    by_name = {str(source): source for source in shots.sources}
    records = {}
    for name, numbers in line.keys.near_field.channels.items():
        rows = [row_of_channel(line, hydrophones, number, "near_field") for number in numbers]
        if name not in by_name or not rows:
            raise SettingsError(
                f"near-field channels are given for source {name!r}"
                + (", which is not in the shot table" if name not in by_name else ": none"),
                where=f"{line.path}, table [near_field]",
                remedy=f"Sources: {', '.join(by_name)}.",
            )
        records[by_name[name]] = hydrophones.read(rows, 0, hydrophones.shape[1])
    return records


def row_of_channel(line: LineFile, recording: Recording, number: int, table: str) -> int:
    """Row of a channel that a table of the line file names.

    Raises
    ------
    SettingsError
        If the recording does not have it.
    """
    rows = np.flatnonzero(recording.channel_numbers == number)
    if not rows.size:
        raise SettingsError(
            f"the records have no channel {number}",
            where=f"{line.path}, table [{table}]",
            remedy=f"Channels {recording.channel_numbers.min()} to "
            f"{recording.channel_numbers.max()} are there.",
        )
    return int(rows[0])


def apply_near_field(
    shots: Shots, source: int | str, own: NDArray[np.int64], pulses: NearField
) -> tuple[Shots, list[Finding]]:
    """Misfires not live, unknown shots added; what was not fired in full is said.

    `own` has the rows of the shots of the source, `pulses` what its hydrophones say of them.
    """
    from deblend.line.near_field import MISFIRE_BELOW
    from deblend.records.source_log import (
        TIMING_LIMIT_MS,
        FiredShots,
        LogRow,
        with_autofires,
    )

    live = shots.live.copy()
    findings: list[Finding] = []
    stray_ns = pulses.stray_ns.tolist()
    for row, level, late_s in zip(own.tolist(), pulses.level, pulses.late_s, strict=True):
        if not shots.live[row] or math.isnan(level):
            continue
        late_ms = 1e3 * float(late_s)
        if level < MISFIRE_BELOW:
            nearby_ns = [ns for ns in stray_ns if abs(ns - shots.fire_time_ns[row]) < 500_000_000]
            if nearby_ns:
                stray_ns.remove(nearby_ns[0])
                late_ms = (nearby_ns[0] - int(shots.fire_time_ns[row])) * 1e-6
                findings.append(_timing(shots, row, late_ms))
                continue
            live[row] = False
            text = f"gave {100 * level:.0f} % of the usual pulse: misfired. It is not live now"
            findings.append(_about(shots, row, "near_field_misfired", 100 * level, "%", text))
        elif abs(late_ms) > TIMING_LIMIT_MS:
            findings.append(_timing(shots, row, late_ms))
        elif level < pulses.reduced_below:
            text = f"gave {100 * level:.0f} % of the usual pulse: reduced. It is separated as it is"
            findings.append(_about(shots, row, "near_field_reduced", 100 * level, "%", text))
    fired = FiredShots(shots.with_flags(live=live), np.full(len(shots), ""), ())
    added = []
    for instant in stray_ns:
        before = own[np.abs(shots.fire_time_ns[own] - instant).argmin()]
        point = int(shots.shot_point[before])
        nan = (math.nan,) * 4
        added.append(LogRow(0, str(source), point, instant, "autofire", *nan))
        message = (
            f"Source {source} went off by itself near shot point {point}, by its hydrophones; it "
            "was added with deliver = false and is separated as interference."
        )
        findings.append(Finding("near_field_autofire", math.nan, "", "look", message, source))
    return with_autofires(fired, added).shots, findings


def _timing(shots: Shots, row: int, late_ms: float) -> Finding:
    text = (
        f"fired {late_ms:+.1f} ms from where its neighbours do; nothing is moved, and it is "
        "separated at its time in the table. Correct the table if the hydrophone is right"
    )
    return _about(shots, row, "near_field_timing_error", late_ms, "ms", text)


def _about(shots: Shots, row: int, metric: str, value: float, unit: str, text: str) -> Finding:
    source, point = shots.source[row].item(), int(shots.shot_point[row])
    message = f"Source {source} shot point {point}, by its hydrophones, {text}."
    return Finding(metric, float(value), unit, "look", message, source=source, shot_point=point)
