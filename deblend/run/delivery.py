"""From separated gathers to files: SEG-Y per source, findings, manifest, contents of the report."""

from __future__ import annotations

import platform
import re
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend import __version__
from deblend.deliver.manifest import FileRecord, Manifest, file_record, write_manifest
from deblend.deliver.segy import DeliveredFile, write_source_segy
from deblend.deliver.trace_headers import SourceGathers
from deblend.line.open_line import OpenLine
from deblend.line.prepare_line import count_reasons, why_not_delivered
from deblend.model.findings import Finding, nothing_to_separate
from deblend.model.timebase import NS_PER_S, format_instant
from deblend.progress import Progress, Step
from deblend.qc.metrics import LineMeasures
from deblend.report.contents import Acquisition, Contents, Convergence, GatherSection
from deblend.results.deliverable import source_gathers
from deblend.results.output_folder import DELIVERED
from deblend.run.unfinished import UnfinishedRun
from deblend.separation.job import Job
from deblend.separation.settings import RESIDUAL_CHOICES
from deblend.words import counted

MOST_FOLD_VALUES: Final = 20_000


def deliver_sources(
    unfinished: UnfinishedRun, measures: LineMeasures, results: Path, progress: Progress
) -> list[DeliveredFile]:
    """Write one SEG-Y file for each source that has delivered shots, streamed from the store.

    Raises
    ------
    OutputError
        If something does not fit the format or cannot be written.
    """
    (results / DELIVERED).mkdir()
    sources = delivered_sources(unfinished, results)
    files: list[DeliveredFile] = []
    for number, path, rows in sources:
        source = unfinished.job.shots.sources[number]
        progress(Step("deliver", len(files), len(sources), f"source {source}"))
        gathers = _describe(rows, unfinished, measures)
        files.append(write_source_segy(path, unfinished.estimates(number, rows), gathers))
    progress(Step("deliver", len(files), len(files)))
    return files


def delivered_sources(
    unfinished: UnfinishedRun, folder: Path
) -> list[tuple[int, Path, NDArray[np.int64]]]:
    """Sources that have delivered shots, by their place in the table; file and rows of each."""
    return [
        (number, folder / DELIVERED / file_name(source, number), rows)
        for number, source in enumerate(unfinished.job.shots.sources)
        if (rows := unfinished.rows_of(number)).size
    ]


def file_name(source: int | str, number: int) -> str:
    """Name of the SEG-Y file of a source; `number` keeps odd names apart."""
    plain = re.sub(r"[^A-Za-z0-9_-]", "", str(source))
    return f"source-{plain}.sgy" if plain == str(source) else f"source-{plain}-{number + 1}.sgy"


def _describe(
    rows: NDArray[np.int64], unfinished: UnfinishedRun, measures: LineMeasures
) -> SourceGathers:
    opened, job = unfinished.opened, unfinished.job
    history = history_sentences(opened, job, measures)
    return source_gathers(opened, job, rows, unfinished.counts.dead, history)


def history_sentences(opened: OpenLine, job: Job, measures: LineMeasures) -> tuple[str, ...]:
    """What was done to the data, a sentence each."""
    before = [f.message for f in opened.findings if f.metric in ("low_cut", "drift_corrected")]
    low_cut = opened.line.keys.records.low_cut_hz is not None
    settings = ", ".join(
        f"{name.removeprefix('method.')} {value}"
        for name, value in job.all_settings.items()
        if name.startswith("method.")
    )
    iterations = max(len(history) for history in measures.histories)
    refined = "The fire times were refined from the data, see fire-times.csv."
    separated = (
        f"Separated from the other sources by method {job.all_settings['method']} ({settings}), "
        f"{iterations} iterations, seed {job.settings.seed}.",
        RESIDUAL_CHOICES[job.settings.residual],
    )
    nothing = nothing_to_separate(job.findings)
    return (
        *before,
        *([refined] if job.settings.refine_times else []),
        "Cut from the continuous record at the fire times, with their fractions of a sample.",
        *([nothing] if nothing else separated),
        f"No gain, {'other filter' if low_cut else 'filter'}, mute or static was applied.",
    )


def _written(value: str | int | float | bool) -> str:
    """A setting as it stands in a line file."""
    return str(value).lower() if isinstance(value, bool) else str(value)


def input_paths(opened: OpenLine) -> list[Path]:
    """Line file, tables and records."""
    from deblend.records.find_files import find_files

    table, keys = opened.line.shots_path, opened.line.keys
    paths = [opened.line.path, *([table] if table else []), *opened.line.other_inputs]
    for beside in (keys.near_field, keys.auxiliary):
        if beside is not None and beside.files:
            paths += find_files(opened.line.patterns_of(beside.files))
    return list(dict.fromkeys([*paths, *(file.path for file in opened.recording.files)]))


def write_line_manifest(
    path: Path,
    folder: Path,
    unfinished: UnfinishedRun,
    files: list[DeliveredFile],
    others: list[Path],
    findings: tuple[Finding, ...],
    ended_utc: str,
) -> None:
    """Write the manifest of a run beside its results; paths in it count from the output folder."""
    outputs = [
        FileRecord(file.path.relative_to(path.parent).as_posix(), file.size_bytes, file.sha256)
        for file in files
    ]
    outputs += [file_record(other, relative_to=path.parent) for other in others]
    job = unfinished.job
    write_manifest(
        Manifest(
            line=unfinished.opened.line.name,
            started_utc=unfinished.plan.started_utc,
            ended_utc=ended_utc,
            time_scale=unfinished.opened.recording.scale,
            inputs=tuple(
                file_record(name, relative_to=folder) for name in input_paths(unfinished.opened)
            ),
            outputs=tuple(outputs),
            read_again={
                record.path: file.read_again for record, file in zip(outputs, files, strict=False)
            },
            settings=job.all_settings,
            shots_delivered={str(file.source): file.shot_count for file in files},
            shots_not_delivered=count_reasons(job),
            unexplained_residual={
                "choice": job.settings.residual,
                "consequence": RESIDUAL_CHOICES[job.settings.residual],
            },
            findings=findings,
        ),
        path,
    )


def report_contents(
    unfinished: UnfinishedRun,
    measures: LineMeasures,
    sections: tuple[GatherSection, ...],
    left_out: int,
    findings: tuple[Finding, ...],
) -> Contents:
    """What the report shows of a run."""
    opened, job = unfinished.opened, unfinished.job
    recording, table = job.recording, opened.line.shots_path
    start = format_instant(recording.start_ns, recording.scale)
    return Contents(
        title=opened.line.name,
        sections=sections,
        left_out=left_out,
        acquisition=_acquisition(job),
        convergence=_convergence(unfinished, measures),
        findings=findings,
        settings={name: _written(value) for name, value in job.all_settings.items()},
        provenance={
            "record": f"{counted(len(recording.files), 'file')}, "
            f"{counted(recording.shape[0], 'channel')}, {recording.duration_s:.1f} s from {start}",
            "shots": f"{table.name if table else 'source events'}, "
            f"{counted(len(job.shots), 'row')}",
            "time scale": recording.scale.upper(),
            "unexplained part": RESIDUAL_CHOICES[job.settings.residual],
            "separated in": unfinished.plan.cut,
            "run started": unfinished.plan.started_utc,
            "made with": f"deblend {__version__}, Python {platform.python_version()}",
        },
        amplitude_unit=recording.amplitude_unit,
    )


def _acquisition(job: Job) -> Acquisition:
    fold = job.operator.fold
    step = -(-fold.size // MOST_FOLD_VALUES)
    shots = job.shots
    return Acquisition(
        source=shots.source,
        shot_point=shots.shot_point,
        fire_time_ns=shots.fire_time_ns,
        time_scale=shots.time_scale,
        delivered=job.delivered,
        fold=np.maximum.reduceat(fold, np.arange(0, fold.size, step)).astype(np.int32),
        fold_interval_s=step * job.recording.interval_ns / NS_PER_S,
        fold_start_ns=job.recording.start_ns,
        reason=why_not_delivered(job),
    )


def _convergence(unfinished: UnfinishedRun, measures: LineMeasures) -> tuple[Convergence, ...]:
    numbers = unfinished.job.recording.channel_numbers
    curves = []
    for block, history in enumerate(measures.histories):
        span, channels = unfinished.plan.place(block)
        part = f", span {span + 1}" if len(unfinished.plan.spans) > 1 else ""
        curves.append(
            Convergence(
                iteration=np.array([record.iteration for record in history]),
                residual_db=np.array([record.residual_db for record in history]),
                strictness=np.array([record.strictness for record in history]),
                label=f"channels {numbers[channels.start]} to {numbers[channels.stop - 1]}{part}",
            )
        )
    return tuple(curves)
