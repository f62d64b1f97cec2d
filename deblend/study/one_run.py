"""One run: a line, a separation with the clock running, its scores."""

from __future__ import annotations

import json
import os
import platform
import resource
import subprocess
import time
import traceback
from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any, Final

import numpy as np

from deblend.arrays import thread_count
from deblend.cluster import software_versions
from deblend.errors import DeblendError
from deblend.memory import give_back_freed_memory
from deblend.study.lines import make_line
from deblend.study.results import Row, settings_text
from deblend.study.samples import sample_of
from deblend.study.scores import about_line, score
from deblend.study.study import StudyRun
from deblend.synth.line import MadeLine

DIVERGED_DB: Final = 0.0
"""Residual over record above which a separation has diverged."""

SAMPLE: Final = "sample"
"""Beside the columns of a row: a sample of its gathers."""

Phase = Callable[[str], None]


class LineCache:
    """Keeps the last line, which the next run most often needs again."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._key: tuple[str, ...] = ()
        self._line: tuple[MadeLine, dict[str, Any]] | None = None

    def line(self, run: StudyRun) -> tuple[MadeLine, dict[str, Any]]:
        """The line of a run, and what a row says about it."""
        if self._line is None or run.line_labels != self._key:
            self._line = None
            line = make_line(run.scene, run.blend, run.noise, run.seed, self._folder)
            self._line, self._key = (line, about_line(line)), run.line_labels
        return self._line


def carry_out(run: StudyRun, lines: LineCache, phase: Phase, *, warm: bool = True) -> Row:
    """The row of a run, whatever happens to it in Python.

    `phase` gets ``"line"``, ``"separate"`` and ``"score"`` as each begins; `warm` runs one
    iteration first, so that no compiler is timed.
    """
    row = first_columns(run)
    try:
        phase("line")
        line, about = lines.line(run)
        row |= about
        row["settings"] = settings_text(run.method.all_settings(line))
        phase("separate")
        if warm:
            run.method.separate(line.recording, line.shots, line.length_s, 1)
        reset_peak()
        begin = time.perf_counter()
        result = run.method.separate(line.recording, line.shots, line.length_s, run.iterations)
        seconds = time.perf_counter() - begin
        values = len(line.shots) * line.recording.shape[0] * line.gathers.shape[2]
        row |= {
            "seconds": seconds,
            "peak_mib": peak_mib(),
            "sample_iterations_per_s": values * run.iterations / seconds,
            "settings": settings_text(result.settings),
            "residual_db": result.history[-1].residual_db,
        }
        phase("score")
        row |= score(line, np.asarray(result.estimate.values))
        if run.sampled:
            row[SAMPLE] = sample_of(line, np.asarray(result.estimate.values))
        row["status"] = "done"
        if not row["residual_db"] < DIVERGED_DB:
            residual = f"the residual is {row['residual_db']:+.1f} dB of the record"
            row |= {"status": "diverged", "message": residual}
    except Exception as error:  # methods are code of others: anything may come
        row |= failed(error)
    return row


def failed(error: Exception) -> Row:
    """Columns of a run that ended in an error: what it says, and where it arose."""
    cause = error
    while isinstance(cause, DeblendError) and isinstance(cause.__cause__, Exception):
        cause = cause.__cause__
    frames = traceback.extract_tb(cause.__traceback__)
    known = isinstance(cause, DeblendError)
    place = f" ({Path(frames[-1].filename).name}, line {frames[-1].lineno})" if frames else ""
    message = str(error) if isinstance(error, DeblendError) else f"{type(error).__name__}: {error}"
    return {
        "status": "diverged" if known and _not_finite(error) else "failed",
        "message": message + ("" if known else place),
        "traceback": "".join(traceback.format_exception(error)),
    }


def first_columns(run: StudyRun) -> Row:
    """Columns that are known before anything is done."""
    return {
        "scene": run.scene.name,
        "size": run.scene.size,
        "blend": run.blend.label,
        "noise": run.noise.label,
        "seed": run.seed,
        "method": run.method.label,
        "iterations": run.iterations,
        "message": "",
        "threads": thread_count(),
        "machine": json.dumps(_machine(), sort_keys=True),
        "versions": json.dumps(software_versions()),
        "date": datetime.now(UTC).date().isoformat(),
        "commit": source_commit(),
        "traceback": "",
    }


def _not_finite(error: Exception) -> bool:
    return isinstance(error, DeblendError) and "finite" in error.what


@cache
def source_commit() -> str:
    """Commit of this package where it lies in a repository of its own; empty elsewhere.

    A machine that has a copy without the repository is told it by the variable DEBLEND_COMMIT.
    """
    if os.environ.get("DEBLEND_COMMIT"):
        return os.environ["DEBLEND_COMMIT"]
    here = Path(__file__).parent

    def git(*words: str) -> str:
        found = subprocess.run(
            ["git", "-C", str(here), *words], capture_output=True, text=True, timeout=20, check=True
        )
        return found.stdout.strip()

    try:
        git("ls-files", "--error-unmatch", Path(__file__).name)
        changed = git("status", "--porcelain", "--untracked-files=no", str(here.parent))
        return git("rev-parse", "HEAD") + (" with changes" if changed else "")
    except (OSError, subprocess.SubprocessError):
        return ""


def reset_peak() -> None:
    """Give freed memory back and measure the peak again, where the system can (Linux, proc(5))."""
    give_back_freed_memory()
    try:
        Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    except OSError:
        return


def peak_mib() -> float:
    """Largest resident memory since `reset_peak`, or since the process began."""
    try:
        for row in Path("/proc/self/status").read_text(encoding="utf-8").splitlines():
            if row.startswith("VmHWM:"):
                return float(row.split()[1]) / 1024
    except OSError:
        pass
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _machine() -> dict[str, str | float]:
    """Processor, cores and how busy the machine is: timings on a shared one are rough."""
    name = platform.processor()
    try:
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                name = line.partition(":")[2].strip()
                break
    except OSError:
        pass
    return {
        "processor": name,
        "cores": os.cpu_count() or 1,
        "system": f"{platform.system()} {platform.machine()}",
        "load_average_1_min": round(os.getloadavg()[0], 1),
    }
