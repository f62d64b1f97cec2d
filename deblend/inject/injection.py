"""Known-event injection: weak events into the record, separated, and what comes back of them.

The line is separated as it is, then with events in all sources, then with events in one source. The
differences between these results are the response of the whole separation to weak signal, which is
what no comparison of a result with itself can tell.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError, SettingsError
from deblend.files import write_text
from deblend.inject.event_design import design_events
from deblend.inject.event_response import Response, measure_response, offset_classes
from deblend.inject.injected_events import EventGathers, Events, inject
from deblend.inject.injection_findings import injection_findings, injection_rows
from deblend.inject.unfinished import (
    PAGE,
    BlockResponse,
    UnfinishedInjection,
    begin_or_resume,
    refuse_other_content,
)
from deblend.line.line_file import LineFile
from deblend.line.open_line import OpenLine, open_line
from deblend.line.prepare_line import prepare_line
from deblend.model.findings import Finding, findings_csv
from deblend.progress import Progress, Step, silent
from deblend.qc.injected_rows import InjectedRow, injected_csv
from deblend.qc.measure_setup import sample_windows
from deblend.results.checked_manifest import line_identity
from deblend.results.judge import line_limits
from deblend.results.output_folder import INJECTION, INJECTION_FINDINGS, INJECTION_LINE
from deblend.run.delivery import input_paths
from deblend.run.run_plan import input_files, refuse_altered
from deblend.separation.block_progress import BlockProgress
from deblend.separation.job import Job, separate_channels, with_usual_amplitudes
from deblend.separation.learned_floor import LEARNING, LearnedFloor, with_learned_floor
from deblend.separation.loop import Callback, IterationRecord

LEVEL_DB: Final = -6.0
WEAKEST_DB: Final = -100.0
STRONGEST_DB: Final = 40.0
SHOTS_FOR_DESIGN: Final = 12
Source = int | str


@dataclass(frozen=True, eq=False)
class Injection:
    """What came back."""

    events: Events
    """What was put in."""
    responses: Mapping[Source, Response]
    """With events in all sources."""
    one_source: Source
    """The source that alone got events in the last separation."""
    elsewhere: Mapping[Source, NDArray[np.float64]]
    """(2, window): Energy that then appeared in the gathers of each source, and energy that was put
    in."""
    copied: Mapping[Source, Response]
    """What then looked like the events, at the times after firing where they would lie."""
    rows: tuple[InjectedRow, ...]
    """All as a table."""
    findings: tuple[Finding, ...]
    """What came back, held against limits."""


def inject_line(
    line: LineFile,
    folder: Path,
    progress: Progress = silent,
    *,
    level_db: float = LEVEL_DB,
    one_source: str | None = None,
    seed: int = 0,
    memory_bytes: int | None = None,
    restart: bool = False,
) -> Injection:
    """Inject events into a line and write what came back, or go on with what was not finished.

    The output of the line is not touched.

    Parameters
    ----------
    folder : Path
        Gets two tables and a page; made if absent. Must be empty, or hold an injection that was
        stopped: finished blocks are kept, and the same call goes on.
    level_db : float, optional
        Strength of the events relative to the separated data around them, octave by octave.
    one_source : str, optional
        Source that gets events alone; the first by default.
    restart : bool, optional
        Throw away an unfinished injection instead of going on with it.

    Raises
    ------
    InputError
        If the line cannot be read, the source is none of it, the level is no use, or the
        unfinished injection was begun with something else.
    OutputError
        If the folder holds something, or the tables cannot be written.
    """
    if not WEAKEST_DB <= level_db <= STRONGEST_DB:
        raise SettingsError(
            f"events of {level_db:g} dB against the data around them were asked for",
            remedy=f"Give a level from {WEAKEST_DB:g} to {STRONGEST_DB:g} dB.",
        )
    refuse_other_content(folder)
    opened = open_line(line)
    inputs = input_files(input_paths(opened))
    job = with_usual_amplitudes(prepare_line(opened, memory_bytes))
    source = _named_source(opened, one_source)
    from deblend.report.injection_page import render_injection
    from deblend.report.page_frame import write_page

    asked = {"level_db": level_db, "one_source": str(source), "seed": seed}
    with begin_or_resume(folder, opened, job, asked, progress, restart=restart) as unfinished:
        blocks = tuple(range(*block) for block in unfinished.plan.channels)
        job = _with_kept_floor(replace(job, blocks=blocks), unfinished, progress)
        result = _inject(opened, job, source, unfinished, progress, level_db, seed)
        refuse_altered(inputs)
        shots = job.shots
        identity = line_identity(shots.source, shots.shot_point, job.recording.start_ns)
        write_text(folder / INJECTION_LINE, identity + "\n")
        write_text(folder / INJECTION, injected_csv(result.rows))
        write_text(folder / INJECTION_FINDINGS, findings_csv(result.findings))
        page = render_injection(line.name, level_db, result.rows, result.findings)
        write_page(page, folder / PAGE)
    return result


def _with_kept_floor(job: Job, unfinished: UnfinishedInjection, progress: Progress) -> Job:
    """The job with what is learned of the noise, now or before a stop."""
    if (learned := unfinished.learned) is not None:
        return replace(job, noise_share=learned.noise_share)
    job = with_learned_floor(job, _learning(job, progress))
    if not isinstance(job.noise_share, float):
        unfinished.keep_learned(LearnedFloor(job.noise_share))
    return job


def _learning(job: Job, progress: Progress) -> Callback:
    """Progress of what is learned of the noise before the separations."""
    count = job.settings.iterations

    def on_iteration(record: IterationRecord) -> None:
        progress(Step("prepare", record.iteration, count, LEARNING))

    return on_iteration


def _named_source(opened: OpenLine, name: str | None) -> Source:
    known = {str(source): source for source in opened.shots.sources}
    if name is None:
        return opened.shots.sources[0]
    if name not in known:
        raise InputError(
            f"source {name!r} is none of this line", remedy=f"Name one of {', '.join(known)}."
        )
    return known[name]


def _inject(
    opened: OpenLine,
    job: Job,
    one_source: Source,
    unfinished: UnfinishedInjection,
    progress: Progress,
    level_db: float,
    seed: int,
) -> Injection:
    block_progress = _block_progress(job, one_source, progress)
    before = _baseline(job, unfinished, block_progress)
    known = bool(np.isfinite(opened.geometry.offset_m).all())
    offset_m = opened.geometry.offset_m if known else np.zeros(opened.geometry.offset_m.shape)
    events = _design(job, before, offset_m if known else None, level_db, seed)
    added = EventGathers(events, job.shots, offset_m, job.recording.interval_s, job.length)
    classes = offset_classes(offset_m)
    windows = sample_windows(job.length)
    respond = _Responder(job, before, classes, windows, unfinished, block_progress)
    responses, _ = respond.to(added, _rows(job), 1)
    only = replace(added, only=one_source)
    others = {source: rows for source, rows in _rows(job).items() if source != one_source}
    copies, elsewhere = respond.to(only, others, 2)
    rows = injection_rows(
        events, responses, one_source, copies, _class_offsets_m(offset_m, classes, known)
    )
    windows_s = [(a * added.interval_s, b * added.interval_s) for a, b in windows]
    findings = injection_findings(
        rows, line_limits(opened), elsewhere, one_source, windows_s, level_db, known
    )
    return Injection(events, responses, one_source, elsewhere, copies, rows, tuple(findings))


def _class_offsets_m(
    offset_m: NDArray[np.float64], classes: NDArray[np.int64], known: bool
) -> list[float]:
    """Mean offset of all channels, then of each class of them."""
    distance = np.abs(offset_m).mean(axis=0)
    own = [distance, *(distance[classes == number] for number in range(int(classes.max()) + 1))]
    return [float(part.mean()) if known else float("nan") for part in own]


def _rows(job: Job) -> dict[Source, NDArray[np.int64]]:
    """Delivered shots of each source, in fire order."""
    found = {}
    for source in job.shots.sources:
        rows = np.flatnonzero(job.delivered & (job.shots.source == source))
        if len(rows):
            found[source] = rows[np.argsort(job.shots.fire_time_ns[rows], kind="stable")]
    return found


def _block_progress(job: Job, one_source: Source, progress: Progress) -> BlockProgress:
    """Progress of the three separations, whose blocks are numbered one after the other."""
    count = len(job.blocks)
    notes = ("as recorded", "events in all sources", f"events in source {one_source}")
    traces = int((job.layout.row >= 0).sum())
    samples = {
        times * count + number: traces * len(block) * job.length
        for times in range(len(notes))
        for number, block in enumerate(job.blocks)
    }

    def name(block: int) -> str:
        return f"{notes[block // count]}, block {block % count + 1} of {count}"

    return BlockProgress(job.settings.iterations, samples, progress, name)


def _separated(
    job: Job, times: int, unfinished: UnfinishedInjection, block_progress: BlockProgress
) -> Iterator[tuple[int, range, NDArray[np.float32] | None]]:
    """Estimates block by block in the separation numbered `times`, from 0.

    None for blocks that are finished. Whoever gets an estimate keeps what comes of it.
    """
    for number, block in enumerate(job.blocks, times * len(job.blocks)):

        def on_iteration(record: IterationRecord, number: int = number) -> None:
            block_progress.on_iteration(number, record)

        done = unfinished.folder.is_done(number)
        kept = unfinished.checkpoints(number)
        yield (
            number,
            block,
            (None if done else separate_channels(job, block, on_iteration, None, kept).estimate),
        )
        block_progress.on_done(number)


def _baseline(
    job: Job, unfinished: UnfinishedInjection, block_progress: BlockProgress
) -> NDArray[np.float32]:
    """Estimate without events, on disk, shape (shot, channel, time)."""
    before = unfinished.baseline
    for number, block, estimate in _separated(job, 0, unfinished, block_progress):
        if estimate is not None:
            before[:, block.start : block.stop] = estimate
            unfinished.keep_block(number, BlockResponse({}, {}, np.zeros(0)))
    return before


def _design(
    job: Job,
    before: NDArray[np.float32],
    offset_m: NDArray[np.float64] | None,
    level_db: float,
    seed: int,
) -> Events:
    numbers = {source: number for number, source in enumerate(job.shots.sources)}
    some = np.concatenate(
        [
            rows[np.unique(np.linspace(0, len(rows) - 1, SHOTS_FOR_DESIGN).astype(int))]
            for rows in _rows(job).values()
        ]
    )
    return design_events(
        np.asarray(before[some]),
        np.array([numbers[source] for source in job.shots.source[some].tolist()]),
        None if offset_m is None else offset_m[some],
        job.recording.interval_s,
        level_db=level_db,
        seed=seed,
    )


@dataclass(frozen=True, eq=False)
class _Responder:
    """The separations with events, and what they show."""

    job: Job
    before: NDArray[np.float32]
    classes: NDArray[np.int64]
    windows: list[tuple[int, int]]
    unfinished: UnfinishedInjection
    block_progress: BlockProgress

    def to(
        self, added: EventGathers, rows: Mapping[Source, NDArray[np.int64]], times: int
    ) -> tuple[dict[Source, Response], dict[Source, NDArray[np.float64]]]:
        """Responses of each source in `rows`, and energies there and of what was put in."""
        job = replace(self.job, recording=inject(self.job.recording, added))
        responses: dict[Source, Response] = {}
        energies = {source: np.zeros((2, len(self.windows))) for source in rows}
        for number, block, after in _separated(job, times, self.unfinished, self.block_progress):
            if after is not None:
                self.unfinished.keep_block(number, self._response(added, rows, block, after))
            found = self.unfinished.block(number)
            for source, response in found.responses.items():
                so_far = responses.get(source)
                responses[source] = response if so_far is None else so_far + response
                energies[source] += (found.appeared[source], found.put_in)
        return responses, energies

    def _response(
        self,
        added: EventGathers,
        rows: Mapping[Source, NDArray[np.int64]],
        block: range,
        after: NDArray[np.float32],
    ) -> BlockResponse:
        """What a block shows that was separated with events."""
        responses, appeared = {}, {}
        for source, own in rows.items():
            difference = after[own] - self.before[own, block.start : block.stop]
            responses[source] = measure_response(difference, added, own, block, self.classes)
            appeared[source] = _energy(difference, self.windows)
        put_in = np.zeros(len(self.windows))
        if added.only is not None:
            put_in = _energy(added.gathers(_rows(self.job)[added.only], block), self.windows)
        return BlockResponse(responses, appeared, put_in)


def _energy(gathers: NDArray[np.float32], windows: list[tuple[int, int]]) -> NDArray[np.float64]:
    power = np.einsum("sct,sct->t", gathers, gathers, dtype=np.float64)
    return np.array([power[start:stop].sum() for start, stop in windows])
