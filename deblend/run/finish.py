"""From finished blocks to results: delivered gathers, findings, maps, report, manifest."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deblend.deliver.segy import DeliveredFile
from deblend.files import write_text
from deblend.line.open_line import with_new
from deblend.memory import give_back_freed_memory
from deblend.model.findings import Finding, findings_csv
from deblend.progress import Progress, Step
from deblend.qc.group_likeness import GroupLikeness
from deblend.qc.metric import MeasuredLine
from deblend.qc.metrics import LineMeasures, add_blocks, line_findings
from deblend.qc.unknown_samples import recorded_gathers
from deblend.report.contents import Contents, GatherSection, write_contents
from deblend.results.judge import line_limits, read_findings
from deblend.results.output_folder import (
    FINDINGS,
    FIRE_TIMES,
    MANIFEST,
    MAPS,
    PAGE,
    SAMPLES,
    manifest_value,
    publish,
)
from deblend.results.quality_maps import write_maps
from deblend.results.report_extras import read_extras
from deblend.results.report_samples import choose_places, read_sections
from deblend.run.delivery import (
    deliver_sources,
    delivered_sources,
    report_contents,
    write_line_manifest,
)
from deblend.run.line_measures import line_products, line_seams
from deblend.run.run_folder import RunFolder
from deblend.run.run_plan import read_plan, refuse_altered, utc_now
from deblend.run.unfinished import UnfinishedRun
from deblend.separation.fire_times import shift_findings, shifts_csv


def write_results(
    unfinished: UnfinishedRun, folder: Path, progress: Progress
) -> tuple[list[DeliveredFile], tuple[Finding, ...]]:
    """Write all results of a run whose blocks are finished, and remove the unfinished work.

    Raises
    ------
    OutputError
        If a result does not fit its format or cannot be written; the blocks are kept then.
    """
    give_back_freed_memory()
    job, results = unfinished.job, unfinished.folder.results
    shutil.rmtree(results, ignore_errors=True)
    results.mkdir()
    measures = add_blocks(unfinished.measured(block) for block in range(unfinished.plan.count))
    files = deliver_sources(unfinished, measures, results, progress)
    give_back_freed_memory()
    progress(Step("report", 0, 0, "quality maps and findings"))
    products = line_products(unfinished.plan, unfinished.measured, len(job.shots))
    numbers = job.recording.channel_numbers
    likeness = write_maps(results / MAPS, unfinished.measures, products, numbers)
    measured = _measured(unfinished, measures, likeness)
    # Which channels are dead is known of the whole record by now.
    verified = [
        one for one in read_findings(unfinished.folder.verified) if one.metric != "dead_channel"
    ]
    findings = (*with_new(unfinished.opened.findings, job.findings), *verified, *measured)
    write_text(results / FINDINGS, findings_csv(findings))
    give_back_freed_memory()
    progress(Step("report", 0, 0, "gathers to look at"))
    sections, left_out = _sections(unfinished, findings)
    contents = report_contents(unfinished, measures, sections, left_out, findings)
    del sections
    give_back_freed_memory()
    progress(Step("report", 0, 0, "pictures and page"))
    _write_report(contents, results)
    others = [results / name for name in (FINDINGS, MAPS, SAMPLES, PAGE)]
    if unfinished.shifts is not None:
        others.append(results / FIRE_TIMES)
        write_text(others[-1], shifts_csv(unfinished.shifts, unfinished.job))
    write_line_manifest(results / MANIFEST, folder, unfinished, files, others, findings, utc_now())
    refuse_altered(unfinished.inputs)  # the manifest holds their checksums now
    publish(results, folder)
    _remove_run_folder(unfinished.folder)
    return files, findings


def is_published(folder: Path) -> bool:
    """Whether the unfinished run in an output folder has ended but for the removal of its work."""
    plan = RunFolder.of(folder).plan
    return plan.exists() and manifest_value(folder, "started_utc") == read_plan(plan).started_utc


def published_results(
    unfinished: UnfinishedRun, folder: Path
) -> tuple[list[DeliveredFile], tuple[Finding, ...]]:
    """The results of a run that has published them; removes the work that it left.

    Parameters and returns as for `write_results`.

    Raises
    ------
    OutputError
        If what is left cannot be removed.
    """
    job = unfinished.job
    records = {record["path"]: record for record in manifest_value(folder, "outputs")}
    files = []
    for number, path, rows in delivered_sources(unfinished, folder):
        record = records[path.relative_to(folder).as_posix()]
        size_bytes, sha256 = record["size_bytes"], record["sha256"]
        traces = len(rows) * job.recording.shape[0]
        source = job.shots.sources[number]
        files.append(DeliveredFile(path, size_bytes, sha256, source, len(rows), traces))
    findings = tuple(read_findings(folder / FINDINGS))
    _remove_run_folder(unfinished.folder)
    return files, findings


def _remove_run_folder(folder: RunFolder) -> None:
    """Throw the work of a published run away, the plan last.

    Beside the manifest it says that the result is complete and this is what was left of it.
    """
    folder.empty()
    folder.remove()


def _measured(
    unfinished: UnfinishedRun, measures: LineMeasures, likeness: GroupLikeness
) -> list[Finding]:
    recording = unfinished.job.recording
    line = MeasuredLine(
        setup=unfinished.measures,
        channel_numbers=recording.channel_numbers,
        sample_count=recording.shape[1],
        limits=line_limits(unfinished.opened),
        counts=unfinished.counts,
        likeness=likeness,
        seams=line_seams(unfinished),
        truth=unfinished.truth,
        error_trial=unfinished.error_trial,
    )
    times = [] if unfinished.shifts is None else shift_findings(unfinished.shifts, unfinished.job)
    return [*unfinished.impossible_samples(), *line_findings(line, measures), *times]


def _write_report(contents: Contents, folder: Path) -> None:
    from deblend.report.page import write_report

    write_contents(contents, folder / SAMPLES)
    write_report(contents, folder / PAGE, read_extras(folder))


def _sections(
    unfinished: UnfinishedRun, findings: Sequence[Finding]
) -> tuple[tuple[GatherSection, ...], int]:
    """Gathers for the report, and how many that findings name found no room."""
    job, truth = unfinished.job, unfinished.truth
    choice = choose_places(
        job.shots,
        job.delivered,
        unfinished.opened.geometry,
        job.recording.channel_numbers,
        length=job.length,
        findings=findings,
    )
    reader = LineReader(unfinished)

    def answer(rows: NDArray[np.int64], channels: NDArray[np.int64]) -> NDArray[np.float32]:
        assert truth is not None
        return truth.gathers.read(rows, channels, job.length)

    sections = read_sections(
        choice.places,
        reader.before,
        reader.after,
        None if truth is None else answer,
        job.recording.interval_s,
        unfinished.counts.dead,
    )
    return sections, choice.left_out


@dataclass(frozen=True, eq=False)
class LineReader:
    """Gathers of a finished line, some rows of the shot table and some channels at a time."""

    unfinished: UnfinishedRun

    def before(self, rows: NDArray[np.int64], channels: NDArray[np.int64]) -> NDArray[np.float32]:
        """Pseudo-deblended gathers, shape (row, channel, time); cut from the record.

        Samples that the record does not know are NaN, as Section has them.
        """
        job = self.unfinished.staged_job
        return recorded_gathers(job.recording, job.shots.take(rows), channels, job.length)

    def after(self, rows: NDArray[np.int64], channels: NDArray[np.int64]) -> NDArray[np.float32]:
        """Separated gathers, shape (row, channel, time); the rows are of one source."""
        shots = self.unfinished.job.shots
        source = shots.sources.index(shots.source[rows[0]].item())
        stored = self.unfinished.estimates(source, rows)
        return stored.read(np.arange(len(rows)), channels)
