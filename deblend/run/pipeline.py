"""One line from its line file to its results: the whole job."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from deblend.deliver.segy import DeliveredFile
from deblend.errors import SettingsError
from deblend.files import write_text
from deblend.model.findings import Finding, findings_csv
from deblend.report.contents import Contents, read_contents, write_contents
from deblend.run.hand_over import (
    count_reasons,
    deliver_sources,
    report_contents,
    write_line_manifest,
)
from deblend.run.line_file import Line
from deblend.run.method_settings import line_method
from deblend.run.open_line import OpenLine, open_line, with_new
from deblend.run.output_folder import (
    DELIVERED,
    FINDINGS,
    MANIFEST,
    MAPS,
    PAGE,
    SAMPLES,
    check_output_folder,
    publish,
    unfinished,
)
from deblend.run.progress import Progress, Step, silent
from deblend.run.quality_maps import write_maps
from deblend.run.separate_blocks import sample_windows, separate_blocks
from deblend.run.truth import TruthScores
from deblend.separation.job import MEMORY_BYTES, Job, prepare


@dataclass(frozen=True)
class Outcome:
    """What a run left behind.

    Parameters
    ----------
    folder : Path
        Folder of the results.
    delivered : tuple of DeliveredFile
        One SEG-Y file a source; paths as they are now.
    shots_not_delivered : dict of str to int
        Other shots by reason.
    findings : tuple of Finding
        The findings table.
    elapsed_s : float
        Wall time of the run in seconds.
    """

    folder: Path
    delivered: tuple[DeliveredFile, ...]
    shots_not_delivered: dict[str, int]
    findings: tuple[Finding, ...]
    elapsed_s: float


def prepare_line(opened: OpenLine, memory_bytes: int = MEMORY_BYTES) -> Job:
    """Settle method, delivered shots and blocks of channels; reads no samples.

    Parameters
    ----------
    opened : OpenLine
        The line.
    memory_bytes : int, optional
        What the arrays of one block may take.

    Raises
    ------
    InputError
        If line file, records and shots do not fit together.
    """
    keys = opened.line.keys.separation
    try:
        return prepare(
            opened.recording,
            opened.shots,
            length_s=keys.length_s,
            method=line_method(opened.line, len(opened.shots.sources), opened.recording.shape[0]),
            iterations=keys.iterations,
            seed=keys.seed,
            refine_times=keys.refine_times,
            residual=keys.residual,
            device=keys.device,
            memory_bytes=memory_bytes,
        )
    except SettingsError as error:
        if error.where:
            raise
        where = f"{opened.line.path}, table [separation]"
        raise SettingsError(error.what, where=where, remedy=error.remedy) from error


def run_line(
    line: Line,
    progress: Progress = silent,
    *,
    overwrite: bool = False,
    memory_bytes: int = MEMORY_BYTES,
) -> Outcome:
    """Separate a line and write its results.

    Results appear in the output folder only when all of them are complete; an error or an
    interruption leaves nothing.

    Parameters
    ----------
    line : Line
        From `read_line_file`.
    progress : callable, optional
        Told where the run stands.
    overwrite : bool, optional
        Replace the results of an earlier run.
    memory_bytes : int, optional
        What the arrays of one block of channels may take.

    Returns
    -------
    Outcome

    Raises
    ------
    OutputError
        If the output folder holds something, or results cannot be written.
    InputError
        If the line cannot be read or its parts do not fit together.
    SeparationError
        If the method breaks its contract.
    """
    begin = time.monotonic()
    started_utc = _utc()
    folder = line.output_folder
    check_output_folder(folder, line.path, overwrite=overwrite)
    progress(Step("prepare", 0, 0, "reading headers"))
    opened = open_line(line)
    job = prepare_line(opened, memory_bytes)
    truth = None
    if line.keys.truth is not None:
        folder_of_truth = line.resolve(line.keys.truth.folder)
        truth = TruthScores(folder_of_truth, job, sample_windows(job.length))
    with unfinished(folder) as work:
        separated = separate_blocks(opened, job, truth, work, progress)
        files = deliver_sources(opened, job, separated, work, progress)
        progress(Step("report", 0, 0, "findings, manifest and report"))
        findings = (*with_new(opened.findings, job.findings), *separated.findings)
        write_text(work / FINDINGS, findings_csv(findings))
        write_maps(work / MAPS, separated.measures, separated.products, job)
        contents = report_contents(opened, job, separated, findings, started_utc)
        _write_report(contents, work)
        others = [work / name for name in (FINDINGS, MAPS, SAMPLES, PAGE)]
        times = (started_utc, _utc())
        write_line_manifest(work / MANIFEST, opened, job, files, others, findings, times)
        publish(work, folder)
    return Outcome(
        folder=folder,
        delivered=tuple(replace(file, path=folder / DELIVERED / file.path.name) for file in files),
        shots_not_delivered=count_reasons(opened, job),
        findings=findings,
        elapsed_s=time.monotonic() - begin,
    )


def rebuild_report(folder: Path) -> Path:
    """Draw the report of a finished run again, from the samples kept beside it.

    Parameters
    ----------
    folder : Path
        Folder of the results.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    InputError
        If the samples are missing or damaged.
    OutputError
        If the page cannot be written.
    """
    from deblend.report.page import write_report

    path = folder / PAGE
    write_report(read_contents(folder / SAMPLES), path)
    return path


def _write_report(contents: Contents, folder: Path) -> None:
    from deblend.report.page import write_report

    write_contents(contents, folder / SAMPLES)
    write_report(contents, folder / PAGE)


def _utc() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
