"""Tables of the command line."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Final

from rich.console import Console
from rich.markup import escape
from rich.table import Column, Table

from deblend.check.words import with_many_as_one
from deblend.model.findings import Finding, nothing_to_separate
from deblend.model.place import Place, place_of_finding
from deblend.qc.limits import EXPECTED_ERROR, UNDECIDED, worst_of_each_metric
from deblend.results.output_folder import PAGE
from deblend.words import counted

if TYPE_CHECKING:
    from deblend.check.check import Check
    from deblend.check.noise_levels import NoiseLevels
    from deblend.check.tables import FileRow, SourceRow
    from deblend.model.key_table import Key
    from deblend.run.pipeline import Outcome

MOST_FINDINGS: Final = 25
MOST_LINES: Final = 10
"""Of what looks or fails after a run."""
MOST_FILES: Final = 40


def show_outcome(outcome: Outcome) -> None:
    """Summary of a run."""
    console = Console(soft_wrap=True)
    _show_nothing_to_separate(console, outcome.findings)
    delivered = _table("source", "shots", "traces", "file", title="delivered")
    for file in outcome.delivered:
        delivered.add_row(
            str(file.source), str(file.shot_count), str(file.trace_count), file.path.name
        )
    console.print(delivered)
    for reason, count in outcome.shots_not_delivered.items():
        console.print(f"not delivered: {count} ({reason})")
    _show_expected_error(console, outcome.findings)
    _show_undecided(console, outcome.findings)
    _show_scores(console, outcome.findings)
    _show_worst(console, outcome.findings, outcome.folder)
    console.print(f"results in {outcome.folder} after {outcome.elapsed_s:.1f} s", highlight=False)


def show_check(result: Check) -> None:
    """What is there, what would be done, what is wrong."""
    console = Console(soft_wrap=True)
    _show_nothing_to_separate(console, result.findings)
    table = Table(show_header=False)
    for name, value in result.rows:
        table.add_row(name, escape(value))
    console.print(table)
    _show_files(console, result.files)
    _show_sources(console, result.sources)
    if result.noise is not None:
        _show_noise(console, result.noise)
    _show_findings(console, result.findings, with_many_as_one(result.findings))


def _show_files(console: Console, files: Sequence[FileRow]) -> None:
    if not files:
        return
    table = _table("file", "start", "samples", "s", "jump before it (ms)", title="records")
    for row in files[:MOST_FILES]:
        jump = "" if row.jump_ms is None else f"{row.jump_ms:+.6f}" if row.jump_ms else "0"
        table.add_row(escape(row.name), row.start, str(row.samples), f"{row.duration_s:.3f}", jump)
    console.print(table)
    if len(files) > MOST_FILES:
        console.print(f"the first {MOST_FILES} of {len(files)} files shown; --json has all")


def _show_sources(console: Console, sources: Sequence[SourceRow]) -> None:
    table = _table(
        "source",
        "shots",
        "misfires",
        "not wanted",
        "interval, shortest / median / longest (s)",
        "dither spread (s)",
        title="sources",
    )
    for row in sources:
        intervals = " / ".join(map(_seconds, (row.shortest_s, row.median_s, row.longest_s)))
        counts = (str(row.shots), str(row.misfires), str(row.not_wanted))
        table.add_row(escape(row.source), *counts, intervals, _seconds(row.spread_s))
    console.print(table)


def _seconds(value: float) -> str:
    """To the millisecond; a dash where too few shots tell."""
    return "–" if value != value else f"{value:.3f}"


def _table(*headings: str, title: str) -> Table:
    """A table that shows every word: what is too long for its column goes on in the next line."""
    columns = (Column(heading, overflow="fold") for heading in headings)
    return Table(*columns, title=title, title_justify="left")


def _show_noise(console: Console, noise: NoiseLevels) -> None:
    """Quietest, median and loudest channel of each band; --json has all of them."""
    title = f"noise in {noise.duration_s:.1f} s without shots, rms ({noise.unit})"
    table = _table("band (Hz)", "quietest", "median", "loudest", title=title)
    for (low, high), rms in zip(noise.bands_hz, noise.rms.T, strict=True):
        known = [(value, number) for value, number in zip(rms, noise.channels, strict=True)]
        known = sorted(pair for pair in known if pair[0] == pair[0])
        if not known:
            continue
        ends = (known[0], known[-1])
        quiet, loud = (f"{value:.3g} (channel {number})" for value, number in ends)
        middle = f"{median(value for value, _ in known):.3g}"
        table.add_row(f"{low:.3g} to {high:.3g}", quiet, middle, loud)
    console.print(table)


def show_keys(keys: Sequence[Key]) -> None:
    """Every key of the line file, table by table, as Markdown."""
    print("| table | key | value | unit | default | meaning |")
    print("|---|---|---|---|---|---|")
    for key in keys:
        table = f"[{key.table}]" if key.table else ""
        cells = (table, key.name, key.kind, key.unit, key.default, key.description)
        print(f"| {' | '.join(cells)} |")


def _show_nothing_to_separate(console: Console, findings: Sequence[Finding]) -> None:
    """The first sentence, where there was nothing to separate."""
    if message := nothing_to_separate(findings):
        console.print(escape(message), highlight=False)


def _show_expected_error(console: Console, findings: Sequence[Finding]) -> None:
    """Whole trace and worst window of each source."""
    rows = [row for row in findings if row.metric == EXPECTED_ERROR and row.value == row.value]
    if not rows and nothing_to_separate(findings):
        return
    if not rows:
        console.print("nothing is known of the error: no expected error is among the findings")
        return
    title = "expected error over the true signal, without its answer"
    table = _table("source", "whole trace (dB)", "worst window (dB)", title=title)
    for source in dict.fromkeys(row.source for row in rows):
        whole = [row for row in rows if row.source == source and row.window_s is None]
        windows = [row for row in rows if row.source == source and row.window_s is not None]
        worst = max(windows, key=lambda row: row.value, default=None)
        cells = (_give_or_take(row) for row in (*whole[:1], worst) if row is not None)
        table.add_row(str(source), *cells)
    console.print(table)


def _show_undecided(console: Console, findings: Sequence[Finding]) -> None:
    """How many tests could not judge, whatever the verdict."""
    for row in findings:
        if row.metric == UNDECIDED:
            console.print(escape(row.message), highlight=False)


def _give_or_take(row: Finding) -> str:
    return f"{row.value:.1f} ± {row.error:.1f}" if row.error else f"{row.value:.1f}"


def _show_scores(console: Console, findings: Sequence[Finding]) -> None:
    """Signal-to-noise ratio against the truth, where it is known: start and result."""
    whole = {
        (finding.metric, finding.source): finding.value
        for finding in findings
        if finding.metric in ("snr", "snr_start")
        and finding.window_s is None
        and finding.band_hz is None
    }
    sources = [source for metric, source in whole if metric == "snr"]
    if not sources:
        return
    title = "truth over error, whole gathers (windows are in the report)"
    table = _table("source", "before (dB)", "after (dB)", title=title)
    for source in sources:
        start = whole.get(("snr_start", source), float("nan"))
        table.add_row(str(source), f"{start:.1f}", f"{whole['snr', source]:.1f}")
    console.print(table)


def show_findings(findings: Sequence[Finding], run: Path | None = None) -> None:
    """Expected error, what could not judge, findings that want a look, and how many there are.

    Those of a `run` in a folder are said in a line each, with the command that shows them.
    """
    console = Console(soft_wrap=True)
    _show_nothing_to_separate(console, findings)
    _show_expected_error(console, findings)
    _show_undecided(console, findings)
    if run is None:
        _show_findings(console, findings)
    else:
        _show_worst(console, findings, run)


def _show_worst(console: Console, findings: Sequence[Finding], folder: Path) -> None:
    """The worst of each metric that looks or fails, and the command that shows it."""
    worst = worst_of_each_metric(findings)
    shown = worst if len(worst) <= MOST_LINES else worst[: MOST_LINES - 1]
    for finding, count in shown:
        more = f" and {count - 1} more" if count > 1 else ""
        console.print(
            f"{finding.verdict}  {_heading(finding)}{more}; {escape(_command(finding, folder))}",
            highlight=False,
        )
    if len(worst) > len(shown):
        rest = counted(len(worst) - len(shown), "more metric")
        console.print(f"{rest} to look at in {escape(str(folder / PAGE))}", highlight=False)
    _show_counts(console, findings)


def _command(finding: Finding, folder: Path) -> str:
    """What shows the gather that a finding speaks of."""
    place = place_of_finding(finding)
    if place is None and finding.source is not None:
        place = Place(source=str(finding.source))
    at = "" if place is None else f" --at {shlex.quote(place.text())}"
    return f"deblend view {shlex.quote(str(folder))}{at}"


def _show_findings(
    console: Console, findings: Sequence[Finding], shown: Sequence[Finding] | None = None
) -> None:
    """Findings that want a look, or those of `shown` in their place."""
    wanted = _wanted(findings)
    shown = wanted if shown is None else _wanted(shown)
    if shown:
        console.print("[bold]findings that want a look[/bold]")
        rows = Table.grid(padding=(0, 2, 1, 0))
        for finding in shown[:MOST_FINDINGS]:
            rows.add_row(finding.verdict, f"{_heading(finding)}\n{escape(finding.message)}")
        console.print(rows)
    more = f", the first {MOST_FINDINGS} shown" if len(shown) > MOST_FINDINGS else ""
    more += f", shown as {len(shown)}; --json has all" if len(shown) < len(wanted) else ""
    _show_counts(console, findings, more)


def _show_counts(console: Console, findings: Sequence[Finding], more: str = "") -> None:
    """How many findings there are; `more` is about those to look at."""
    verdicts = Counter(finding.verdict for finding in findings)
    console.print(
        f"{counted(len(findings), 'finding')}: {len(_wanted(findings))} to look at{more}, "
        f"{verdicts['pass']} within limits, {counted(verdicts['note'], 'note')}",
        highlight=False,
    )


def _wanted(findings: Sequence[Finding]) -> list[Finding]:
    """What makes shots come out wrong first."""
    return [f for verdict in ("fail", "look") for f in findings if f.verdict == verdict]


def _heading(finding: Finding) -> str:
    """What was found, where and how much."""
    name = finding.metric.replace("_", " ")
    value = f"{finding.value:.4g} {finding.unit}".strip() if finding.value == finding.value else ""
    place = ", ".join(part for part in (name, _place(finding)) if part)
    return f"[bold]{place}[/bold]: {escape(value)}" if value else f"[bold]{place}[/bold]"


def _place(finding: Finding) -> str:
    parts = {
        "source": finding.source,
        "shot point": finding.shot_point,
        "channel": finding.channel,
    }
    words = [f"{name} {value}" for name, value in parts.items() if value is not None]
    if finding.window_s is not None:
        start, stop = finding.window_s
        words.append(f"{start:.4g} to {stop:.4g} s" if stop > start else f"{start:.4g} s")
    if finding.band_hz is not None:
        words.append(f"{finding.band_hz[0]:.3g} to {finding.band_hz[1]:.3g} Hz")
    return escape(", ".join(words))
