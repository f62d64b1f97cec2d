"""The input check: what is there, what is wrong with it, and what a run would do."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from deblend.arrays import device_name
from deblend.check.arrivals.near_record import nearest_channels
from deblend.check.headers.fire_time_variation import HALF_POWER_PRODUCT
from deblend.check.mended_shots import mended_shots
from deblend.check.noise_levels import (
    NoiseLevels,
    noise_findings,
    noise_levels,
    quiet_stretches,
)
from deblend.check.tables import FileRow, SourceRow, file_rows, source_rows
from deblend.check.verify_samples import verify_line
from deblend.check.words import shots_named, verified_rows
from deblend.errors import OutputError, RecordError
from deblend.files import json_values
from deblend.line.forecast import forecast_line
from deblend.line.line_file import LineFile
from deblend.line.open_line import OpenLine, line_recording, open_line, with_new
from deblend.line.prepare_line import count_reasons, prepare_line
from deblend.model.findings import Finding, nothing_to_separate
from deblend.model.shots import Shots
from deblend.model.timebase import format_instant
from deblend.records.find_files import find_files
from deblend.results.deliverable import refuse_undeliverable
from deblend.results.judge import line_limits
from deblend.results.output_folder import check_output_folder
from deblend.results.truth import truth_of
from deblend.separation.amplitudes import impossible_findings, with_possible_samples
from deblend.separation.job import Job
from deblend.separation.settings import RESIDUAL_CHOICES
from deblend.words import counted


@dataclass(frozen=True)
class Check:
    """Result of a look at a line before it is run."""

    rows: tuple[tuple[str, str], ...]
    """What is there and what would be done."""
    findings: tuple[Finding, ...]
    """What was noticed."""
    files: tuple[FileRow, ...] = ()
    """The records, in the order of time."""
    sources: tuple[SourceRow, ...] = ()
    """The sources."""
    noise: NoiseLevels | None = None
    """By channel and band, where samples were read and some hold no shots."""
    shots: Shots | None = None
    """The table, as it was read."""

    @property
    def clean(self) -> bool:
        """Whether nothing asks for a look."""
        return all(finding.verdict in ("note", "pass") for finding in self.findings)


def check_line(line: LineFile, *, overwrite: bool = False, with_samples: bool = False) -> Check:
    """Read headers and tables of a line, and describe what a run would do.

    Parameters
    ----------
    line : LineFile
        From `read_line_file`.
    overwrite : bool, optional
        Whether results of an earlier run may be replaced.
    with_samples : bool, optional
        Also read the nearest channels, to verify clocks and shots against direct arrivals, and the
        record before the first and after the last shot, for the noise.

    Raises
    ------
    DeblendError
        If the line cannot be run.
    """
    opened = open_line(line)
    job = prepare_line(opened)
    results = _earlier_results(line, overwrite=overwrite)
    truth_of(opened, job)
    line_limits(opened)
    refuse_undeliverable(opened, job)
    if line.keys.noise is not None:
        find_files(line.patterns_of(line.keys.noise.files))
    in_samples, noise = findings_in_samples(opened) if with_samples else ([], None)
    return Check(
        rows=(
            *_what_is_there(opened),
            *verified_rows(in_samples),
            *_what_is_done(opened, job),
        ),
        findings=(*with_new(opened.findings, job.findings), *results, *in_samples),
        files=file_rows(opened.recording),
        sources=source_rows(opened.shots),
        noise=noise,
        shots=opened.shots,
    )


def write_mended_shots(result: Check, path: Path) -> int:
    """Write the table of shots as the findings say it should be; how many rows differ.

    Raises
    ------
    OutputError
        If there is something at `path`.
    """
    from deblend.records.shot_table import write_shots

    if path.exists():
        raise OutputError(
            "the mended table would replace a file", where=str(path), remedy="Name another file."
        )
    assert result.shots is not None
    shots, reasons = mended_shots(result.shots, result.findings)
    write_shots(path, shots, reasons=reasons)
    return sum(reason != "" for reason in reasons)


def _earlier_results(line: LineFile, *, overwrite: bool) -> list[Finding]:
    """A finding where only results of an earlier run are in the way; what else is refused."""
    try:
        check_output_folder(line.output_folder, line.path, overwrite=overwrite)
    except OutputError as error:
        check_output_folder(line.output_folder, line.path, overwrite=True)
        message = f"A run would be refused: {error.what}. {error.remedy}"
        return [Finding("output_folder", np.nan, "", "look", message)]
    return []


def check_json(result: Check) -> str:
    """A check as a JSON object: rows, files, sources, findings; unknown numbers are null."""
    content = {
        "clean": result.clean,
        "rows": dict(result.rows),
        "files": [asdict(row) for row in result.files],
        "sources": [asdict(row) for row in result.sources],
        "noise": None if result.noise is None else _noise_json(result.noise),
        "findings": [asdict(finding) for finding in result.findings],
    }
    return json.dumps(json_values(content), indent=2, allow_nan=False)


def _noise_json(noise: NoiseLevels) -> dict[str, Any]:
    return {
        "unit": noise.unit,
        "duration_s": noise.duration_s,
        "bands_hz": noise.bands_hz,
        "channels": noise.channels.tolist(),
        "rms": noise.rms.tolist(),
    }


def findings_in_samples(opened: OpenLine) -> tuple[list[Finding], NoiseLevels | None]:
    """What is read from samples: clocks, shots, clipping, noise."""
    recording, _ = with_possible_samples(opened.recording)
    findings = verify_line(opened, recording)
    apart = any(f.metric == "clock_offset" and f.verdict == "fail" for f in findings)
    findings += _clipping(opened)
    noise = _noise(replace(opened, recording=recording), clocks_apart=apart)
    findings += impossible_findings(recording)
    if noise is not None:
        return [*findings, *noise_findings(noise)], noise
    message = (
        "Noise is not known: with clocks that far apart, no stretch of the record is sure to hold "
        "no shots."
        if apart
        else "Noise is not known: the record holds no second without shots at its begin or end."
    )
    message += " Records of noise alone can be named in [noise]."
    return [*findings, Finding("noise_rms", np.nan, "", "note", message)], None


def _clipping(opened: OpenLine) -> list[Finding]:
    """Flat tops on the nearest channels, the loudest ones, as they were recorded."""
    from deblend.records.clipping import flat_tops
    from deblend.records.conditioned import as_recorded

    recording = opened.recording
    rows = nearest_channels(recording, opened.geometry)
    samples = as_recorded(recording).read(rows, 0, recording.shape[1])
    clipped = flat_tops(samples)
    findings = []
    for row in np.flatnonzero(clipped.any(axis=1)):
        level = float(np.abs(samples[row][clipped[row]]).min())
        count = int(clipped[row].sum())
        message = (
            f"{counted(count, 'sample')} in flat tops at {level:.6g} {recording.amplitude_unit}: "
            "clipped. They get no weight, and the separation fills them from their neighbours."
        )
        channel = int(recording.channel_numbers[rows][row])
        findings.append(
            Finding("clipped_samples", float(count), "samples", "look", message, channel=channel)
        )
    return findings


def _noise(opened: OpenLine, *, clocks_apart: bool) -> NoiseLevels | None:
    """Noise of the records that the line file names for it, or before and after the shots."""
    recording, keys = opened.recording, opened.line.keys
    if keys.noise is not None:
        return _noise_of_files(opened, keys.noise.files)
    if clocks_apart:
        return None
    stretches = quiet_stretches(recording, opened.shots, keys.separation.length_s)
    return noise_levels(recording, stretches) if stretches else None


def _noise_of_files(opened: OpenLine, files: list[str]) -> NoiseLevels:
    noise = line_recording(opened.line, files, opened.line.keys.records.channel_sets)
    missing = np.setdiff1d(opened.recording.channel_numbers, noise.channel_numbers)
    if missing.size or noise.interval_ns != opened.recording.interval_ns:
        what = f"no channel {missing[0]}" if missing.size else "another sample interval"
        raise RecordError(
            f"the noise records have {what}",
            where=", ".join(files),
            remedy="Give noise records with the channels and the interval of the line.",
        )
    held = [(file.start, file.stop) for file in noise.files]
    return noise_levels(noise, held or [(0, noise.shape[1])])


def _what_is_there(opened: OpenLine) -> list[tuple[str, str]]:
    recording, shots = opened.recording, opened.shots
    numbers = recording.channel_numbers
    size = sum(path.stat().st_size for path in {file.path for file in recording.files})
    start, last = (
        format_instant(instant, recording.scale, 6)
        for instant in (recording.start_ns, recording.last_ns)
    )
    geometry = "unknown"
    offset_m = np.abs(opened.geometry.offset_m)
    if np.isfinite(offset_m).any():
        geometry = f"offsets {np.nanmin(offset_m):.1f} to {np.nanmax(offset_m):.1f} m"
    return [
        ("line", opened.line.name),
        ("records", f"{counted(len(recording.files), 'file')}, {size / 1e6:.1f} MB"),
        ("channels", f"{len(numbers)}, numbers {numbers.min()} to {numbers.max()}"),
        ("record", f"{start} to {last} ({recording.scale.upper()}), {recording.duration_s:.3f} s"),
        ("sample interval", f"{recording.interval_ns / 1e6:g} ms"),
        ("gaps", _gaps(opened)),
        ("sources", ", ".join(str(source) for source in shots.sources)),
        ("shots", f"{len(shots)}"),
        ("geometry", geometry),
        *_how_located(opened),
    ]


def _how_located(opened: OpenLine) -> list[tuple[str, str]]:
    """How navigation files were joined; nothing without them."""
    keys = opened.line.keys.navigation
    if keys is None:
        return []
    joined = {
        metric: " ".join(f.message for f in opened.findings if f.metric == metric)
        for metric in ("coordinate_system", "source_names_matched", "feathering")
    }
    offset_m = np.abs(opened.geometry.offset_m)
    ranges = []
    for source in opened.shots.sources:
        own = offset_m[opened.shots.rows_of(source)]
        own = own[np.isfinite(own)]
        ranges.append(
            f"source {source}: {own.min():.1f} to {own.max():.1f} m"
            if own.size
            else f"source {source}: unknown"
        )
    unplaced = [
        Finding("", np.nan, "", "note", "", source=source, shot_point=point)
        for source, point, place in zip(
            opened.shots.source.tolist(),
            opened.shots.shot_point.tolist(),
            opened.shots.x_m + opened.shots.y_m,
            strict=True,
        )
        if not np.isfinite(place)
    ]
    names = ", ".join(f"{name} is source {source}" for name, source in keys.source_names.items())
    return [
        ("navigation", ", ".join(keys.files)),
        ("coordinates", joined["coordinate_system"]),
        ("source names", names or joined["source_names_matched"] or "as in the shot table"),
        ("streamers", joined["feathering"] or "no receiver positions"),
        ("offsets by source", "; ".join(ranges)),
        (
            "shots without position",
            f"{len(unplaced)}: {shots_named(unplaced)}" if unplaced else "none",
        ),
    ]


def _gaps(opened: OpenLine) -> str:
    gaps = opened.recording.gaps
    missing_s = sum(gap.stop - gap.start for gap in gaps) * opened.recording.interval_s
    return f"{len(gaps)}, {missing_s:.3f} s" if gaps else "none"


def _distinguishable(opened: OpenLine, job: Job) -> list[tuple[str, str]]:
    """Row of the frequency above which the fire times of every two sources vary enough."""
    return [] if nothing_to_separate(job.findings) else [("told apart", _told_apart(opened))]


def _told_apart(opened: OpenLine) -> str:
    varies_s = [f.value for f in opened.findings if f.metric == "fire_time_variation"]
    if not varies_s:
        return "no two sources overlap often enough to say"
    least_s = min(varies_s)
    if least_s <= 0.0:
        return "not by fire times: some two sources never change their delay"
    return f"by fire times above {HALF_POWER_PRODUCT / least_s:.1f} Hz, for any two sources"


def _unexplained(job: Job) -> list[tuple[str, str]]:
    """Row of what becomes of the unexplained part; shots as recorded have none."""
    if nothing_to_separate(job.findings):
        return []
    return [("unexplained part", RESIDUAL_CHOICES[job.settings.residual])]


def _what_is_done(opened: OpenLine, job: Job) -> list[tuple[str, str]]:
    delivered = job.shots.take(job.delivered)
    by_source = ", ".join(
        f"source {source}: {len(delivered.rows_of(source))}" for source in delivered.sources
    )
    reasons = ", ".join(f"{count} {reason}" for reason, count in count_reasons(job).items())
    fold = job.operator.fold
    settings = ", ".join(
        f"{name.removeprefix('method.')} {value}"
        for name, value in job.all_settings.items()
        if name.startswith("method.")
    )
    size = int(job.delivered.sum()) * job.recording.shape[0] * (240 + 4 * job.length)
    return [
        (
            "gathers",
            f"{job.length * job.recording.interval_s:g} s, {counted(job.length, 'sample')}",
        ),
        ("delivered", by_source),
        ("not delivered", reasons or "none"),
        ("blending fold", f"median {np.median(fold[fold > 0]):.0f}, at most {fold.max()}"),
        *_distinguishable(opened, job),
        ("before separation", "linear filters that never change; no gain, moveout, mute, scaling"),
        ("method", f"{job.all_settings['method']} ({settings})"),
        ("iterations", f"{job.settings.iterations}, seed {job.settings.seed}"),
        *_unexplained(job),
        ("computed on", f"{device_name(job.xp)}, {forecast_line(opened, job).sentence}"),
        ("results", f"{opened.line.output_folder}, {size / 1e6:.1f} MB of SEG-Y"),
    ]
