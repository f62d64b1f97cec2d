"""Where a run stands, on the standard error stream: bars on a terminal, lines elsewhere."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from rich.console import Console
from rich.markup import escape
from rich.progress import (
    BarColumn,
    Progress,
    ProgressColumn,
    Task,
    TaskID,
    TaskProgressColumn,
    TextColumn,
)
from rich.table import Column
from rich.text import Text

from deblend.progress import Progress as ReportProgress
from deblend.progress import Stage, Step

STAGES: Final[dict[Stage, str]] = {
    "make": "make the line",
    "open": "open the line",
    "stage": "read records",
    "prepare": "measure",
    "separate": "separate",
    "judge": "measure error",
    "deliver": "deliver",
    "compare": "compare lines",
    "report": "report",
}
LINE_EVERY_S: Final = 30.0
"""Where no terminal is, a line this often at most, and one for every stage."""


@dataclass
class Pace:
    """Mean speed of a stage since its beginning, and when it will end.

    The mean over all of it is steady, and pauses between iterations, such as the writing of
    blocks, count in it.
    """

    begun_s: float
    rate: float | None = None
    ends_s: float | None = None

    def update(self, step: Step, now_s: float) -> None:
        """Take in a step of the stage."""
        worked, remaining = step.done, step.total - step.done
        if step.worked:
            worked, remaining = step.worked, step.remaining
        if worked > 0 and now_s > self.begun_s:
            rate = worked / (now_s - self.begun_s)
            self.rate = rate if step.worked else None
            self.ends_s = now_s + remaining / rate

    def words(self, now_s: float) -> str:
        """What remains and the rate; nothing before anything is done."""
        if self.ends_s is None:
            return ""
        remains = self.ends_s - now_s
        parts = [f"{timedelta(seconds=round(remains))} left" if remains >= 1 else "ends soon"]
        if self.rate is not None:
            parts.append(f"{self.rate / 1e6:.1f} M sample-it./s")
        return ", ".join(parts)


@contextmanager
def progress_display() -> Iterator[ReportProgress]:
    """A function that shows the steps of a run."""
    console = Console(stderr=True)
    with _bars(console) if console.is_terminal else _lines(console) as report:
        yield report


@contextmanager
def _lines(
    console: Console, clock: Callable[[], float] = time.monotonic
) -> Iterator[ReportProgress]:
    """A line for every stage and now and then, for the log of a batch queue."""
    stage: Stage | None = None
    pace = Pace(0.0)
    shown_s = 0.0

    def report(step: Step) -> None:
        nonlocal stage, pace, shown_s
        now_s = clock()
        if step.stage == "plan":
            console.print(step.note, markup=False, highlight=False, soft_wrap=True)
            return
        if step.stage != stage:
            pace = Pace(now_s)
        pace.update(step, now_s)
        if step.stage == stage and now_s - shown_s < LINE_EVERY_S:
            return
        stage, shown_s = step.stage, now_s
        part = f"{100 * step.done / step.total:.0f} %" if step.total and step.done else ""
        words = ", ".join(word for word in (part, pace.words(now_s), step.note) if word)
        line = f"{STAGES[stage]}: {words}" if words else STAGES[stage]
        console.print(line, markup=False, highlight=False, soft_wrap=True)

    yield report


@contextmanager
def _bars(console: Console) -> Iterator[ReportProgress]:
    """A bar for every stage."""
    tasks: dict[Stage, tuple[TaskID, Pace]] = {}
    display = Progress(
        TextColumn("{task.description}"),
        BarColumn(bar_width=12),
        TaskProgressColumn(),
        _PaceColumn(),
        # The rest of a line is for the note; a long one must not squeeze what stands before it.
        TextColumn("{task.fields[note]}", table_column=Column(no_wrap=True, ratio=1)),
        console=console,
        expand=True,
    )

    def report(step: Step) -> None:
        display.start()
        if step.stage == "plan":
            display.console.print(step.note, markup=False, highlight=False)
            return
        now_s = display.get_time()
        total = step.total or None
        if step.stage not in tasks:
            _finish_all(display)
            pace = Pace(now_s)
            task = display.add_task(STAGES[step.stage], total=total, note="", pace=pace)
            tasks[step.stage] = task, pace
        task, pace = tasks[step.stage]
        pace.update(step, now_s)
        display.update(task, completed=step.done, total=total, note=escape(step.note))

    try:
        yield report
        _finish_all(display)
    finally:
        if display.live.is_started:  # one that never began would leave an empty line
            display.stop()


class _PaceColumn(ProgressColumn):
    def __init__(self) -> None:
        super().__init__(table_column=Column(no_wrap=True, min_width=12))

    def render(self, task: Task) -> Text:
        """How long a stage took, or what remains of it."""
        if task.finished:
            return Text(f"took {timedelta(seconds=round(task.finished_time or 0))}")
        return Text(task.fields["pace"].words(task.get_time()))


def _finish_all(display: Progress) -> None:
    for task in display.tasks:
        if not task.finished:
            display.update(task.id, total=1, completed=1, note="")
