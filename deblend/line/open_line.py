"""Opening what a line file names: headers and tables, no samples."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from deblend.check.headers.source_numbers import as_placed
from deblend.errors import SettingsError, ShotTableError
from deblend.line.input_keys import AuxiliaryTable, NearFieldTable
from deblend.line.line_file import LineFile
from deblend.line.missing_shots import (
    WithMissingShots,
    reaching_findings,
    with_missing_shots,
)
from deblend.line.source_states import with_source_states, without_near_field
from deblend.line.time_breaks import time_break_findings
from deblend.model.findings import Finding
from deblend.model.geometry import Geometry, towed_geometry, unknown_geometry
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.records.clock_correction import EXPLAINED


@dataclass(frozen=True, eq=False)
class OpenLine:
    """A line whose headers and tables have been read."""

    line: LineFile
    """The line file."""
    recording: Recording
    """Its record, unread."""
    shots: Shots
    """Its shots."""
    geometry: Geometry
    """Nominal positions; unknown where the line file says nothing."""
    findings: tuple[Finding, ...]
    """What was noticed."""


def open_line(line: LineFile) -> OpenLine:
    """Open records and shots and inspect them.

    Raises
    ------
    InputError
        If they cannot be read or do not fit together.
    """
    from deblend.check.headers.inspection import inspect_line

    keys = line.keys
    recording = line_recording(
        line,
        keys.records.files,
        keys.records.channel_sets,
        reversed_channels=keys.records.reversed_channels,
    )
    shots = line_shots(line)
    timed = findings_of_times(line)
    hydrophones = beside_records(line, recording, keys.near_field)
    table = missing_from_records(line, recording, shots)
    shots, logged = with_source_states(line, hydrophones, table.shots, table.guessed)
    missing = (*table.findings, *reaching_findings(table, shots))
    breaks = time_break_findings(line, beside_records(line, recording, keys.auxiliary), shots)
    recording = without_near_field(line, recording)
    shots, geometry, located = with_navigation(line, shots, recording)
    shots, corrected = with_corrected_clock(line, recording, shots)
    findings = inspect_line(recording, shots, keys.separation.length_s)
    if keys.records.correct_drift:
        findings = [finding for finding in findings if finding.metric not in EXPLAINED]
    return OpenLine(
        line,
        recording,
        shots,
        geometry,
        (*findings, *timed, *missing, *breaks, *logged, *located, *corrected),
    )


def beside_records(
    line: LineFile, recording: Recording, table: NearFieldTable | AuxiliaryTable | None
) -> Recording:
    """Recording of channels beside the streamer: of files or sets of its own, or the records."""
    if table is None or not (table.files or table.channel_sets):
        return recording
    return line_recording(line, table.files or line.keys.records.files, table.channel_sets)


def line_recording(
    line: LineFile,
    files: list[str],
    channel_sets: list[str],
    *,
    reversed_channels: Sequence[int] = (),
) -> Recording:
    """Continuous records, with what the line file says of their start, low cut and clipping.

    `channel_sets` are those of SEG-D to be read, seismic ones where it is empty. Channels of
    reversed polarity are named for the streamer only: other records have other ones.

    Raises
    ------
    InputError
        If they cannot be read or do not fit together.
    """
    from deblend.records.conditioned import condition
    from deblend.records.open import open_recording
    from deblend.records.reversed_channels import turn_channels

    keys = line.keys.records
    recording = open_recording(
        line.patterns_of(files),
        time_scale=keys.time_scale,
        start_is_exact=keys.start_is_exact,
        start_offset_s=keys.start_offset_s,
        channel_sets=channel_sets,
    )
    recording = turn_channels(recording, reversed_channels)
    return condition(recording, low_cut_hz=keys.low_cut_hz, clip_level=keys.clip_level)


def with_corrected_clock(
    line: LineFile, recording: Recording, shots: Shots
) -> tuple[Shots, tuple[Finding, ...]]:
    """Fire times by the clock of the record where the line file asks for it, else as given."""
    from deblend.records.clock_correction import correct_by_timestamps, correct_given_drift

    keys = line.keys.records
    found = []
    if keys.correct_drift:
        shots, finding = correct_by_timestamps(recording, shots)
        found.append(finding)
    if keys.drift_ppm:
        shots, finding = correct_given_drift(recording, shots, keys.drift_ppm)
        found.append(finding)
    return shots, tuple(found)


def line_shots(line: LineFile) -> Shots:
    """Shots of the table that the line file names, or the source events of its records.

    Raises
    ------
    ShotTableError
        If the table cannot be read, or there is none and the records carry no fire times.
    """
    from deblend.records.navigation.open import read_navigation_shots
    from deblend.records.open import record_shots
    from deblend.records.shot_table import read_shots

    keys = line.keys
    if keys.shots.file is not None and keys.shots.navigation is not None:
        raise SettingsError(
            "table [shots] names both a file and a navigation file",
            where=str(line.path),
            remedy="Keep one: they both give the fire times.",
        )
    if keys.shots.navigation is not None:
        return read_navigation_shots(
            line.resolve(keys.shots.navigation),
            time_scale=keys.records.time_scale,
            source_names=keys.navigation.source_names if keys.navigation else None,
        )
    if line.shots_path is not None:
        return read_shots(
            line.shots_path,
            time_scale=keys.records.time_scale,
            fire_time_unit=keys.shots.fire_time_unit,
        )
    name, shots = record_shots(line.record_patterns, time_scale=keys.records.time_scale)
    if shots is None:
        raise ShotTableError(
            f"the line file names no shot table, and {name} records carry no fire times",
            where=str(line.path),
            remedy='Give the table with the fire times: file = "shots.csv" in table [shots].',
        )
    return shots


def missing_from_records(line: LineFile, recording: Recording, shots: Shots) -> WithMissingShots:
    """Shots with those of missing files, where the records themselves give the fire times."""
    if line.keys.shots.file is not None or line.keys.shots.navigation is not None:
        return WithMissingShots(shots, np.zeros(len(shots), np.bool_))
    return with_missing_shots(recording, shots, line.keys.separation.length_s)


def findings_of_times(line: LineFile) -> tuple[Finding, ...]:
    """What is noticed in a navigation file that gives the fire times, unless it is read anyway."""
    from deblend.records.navigation.p111 import read_p111

    name, keys = line.keys.shots.navigation, line.keys.navigation
    if name is None or (keys is not None and name in keys.files):
        return ()
    return read_p111(line.resolve(name)).findings


def with_navigation(
    line: LineFile, shots: Shots, recording: Recording
) -> tuple[Shots, Geometry, tuple[Finding, ...]]:
    """Shots and geometry by the navigation files, nominal where those are silent."""
    from deblend.records.navigation.coordinates import transform_positions
    from deblend.records.navigation.join import join_positions
    from deblend.records.navigation.open import read_positions
    from deblend.records.navigation.plausibility import held_against_plan, plausible_positions

    keys, channel_numbers = line.keys.navigation, recording.channel_numbers
    samples = round(line.keys.separation.length_s / recording.interval_s)
    # The time of a shot outside the record may be wrong by months, and says nothing of its course.
    recorded = ~recording.not_held(shots.fire_time_ns, samples)[0]
    if keys is None:
        source = line.keys.shots.file or line.keys.shots.navigation or "source events"
        # A wrong source number is said as such, and is no jump of the position.
        placed = as_placed(shots)
        unknown = unknown_geometry(len(shots), 0)
        found = plausible_positions(placed, unknown, source, placed=recorded)
        return shots, line_geometry(line, shots, len(channel_numbers)), tuple(found)
    positions = read_positions(*(line.resolve(name) for name in keys.files))
    if keys.to_system or keys.from_system:
        positions = transform_positions(
            positions, from_system=keys.from_system, to_system=keys.to_system or keys.from_system
        )
    joined = join_positions(
        shots,
        positions,
        channel_numbers=channel_numbers,
        source_names=keys.source_names or None,
        first_channel=keys.first_channel or None,
        recorded=recorded,
    )
    planned = line_geometry(line, joined.shots, len(channel_numbers))
    if not np.isfinite(joined.geometry.offset_m).any():
        return joined.shots, planned, joined.findings
    against = held_against_plan(joined.geometry, planned, channel_numbers, keys.files[0])
    return joined.shots, joined.geometry, (*joined.findings, *against)


def line_geometry(line: LineFile, shots: Shots, channel_count: int) -> Geometry:
    """Positions as the line file plans them."""
    plan = line.keys.geometry
    if plan is None:
        return unknown_geometry(len(shots), channel_count)
    return towed_geometry(
        shots,
        channel_count,
        nearest_offset_m=plan.nearest_offset_m,
        group_interval_m=plan.group_interval_m,
        streamer_depth_m=np.nan if plan.streamer_depth_m is None else plan.streamer_depth_m,
        crossline_m=plan.crossline_m,
        nearest_channel=plan.nearest_channel,
    )


def with_new(findings: tuple[Finding, ...], others: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """`findings`, and those of `others` that are about something else."""
    metrics = {finding.metric for finding in findings}
    return (*findings, *(other for other in others if other.metric not in metrics))


def wants_expected_error(opened: OpenLine) -> bool:
    """Whether trial separations are to say how large the error is."""
    table = opened.line.keys.quality
    return table is None or table.expected_error
