"""A child process that carries out runs, and what starts, asks and ends it.

The process is a plain Python program that reads runs from its standard input and answers on what
was its standard output, so that it can be ended at any time, and so that it works below a dask
worker too, which may not have children of multiprocessing. Runs are sent by cloudpickle,
between these two processes only: a method may be a function of a notebook.
"""

from __future__ import annotations

import base64
import json
import os
import selectors
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Final

import cloudpickle

from deblend.cluster import thread_variables
from deblend.separation.own_code import file_of, load_file
from deblend.study.one_run import LineCache, carry_out, first_columns
from deblend.study.results import Row
from deblend.study.study import StudyRun

START_S: Final = 120.0
"""Time for the process to begin to answer, on a busy machine."""
_TAIL: Final = 300
_WATCH_S: Final = 1.0


class Child:
    """One process that carries out runs, one after the other; a context manager.

    Relative names of the study count from `folder`; so many `processes` share the cores;
    modules are looked for in `more_path` first.
    """

    def __init__(self, folder: Path, processes: int = 1, more_path: Path | None = None) -> None:
        self._folder = folder.resolve()
        self._environment = os.environ | thread_variables(processes)
        if more_path is not None:
            places = (str(more_path), os.environ.get("PYTHONPATH", ""))
            self._environment["PYTHONPATH"] = os.pathsep.join(filter(None, places))
        self._process: subprocess.Popen[bytes] | None = None
        self._output: IO[bytes] | None = None
        self._unread = b""

    def __enter__(self) -> Child:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.end()

    def row(self, run: StudyRun, limit_s: float) -> Row:
        """The row of a run; a process that hangs or dies is replaced by a new one."""
        if self._process is None or self._process.poll() is not None:
            self._start()
        process = self._process
        assert process is not None
        assert process.stdin is not None
        file = file_of(run.method.choice)
        packed = base64.b64encode(cloudpickle.dumps(run)).decode("ascii")
        request = {"folder": str(self._folder), "file": file and str(file), "run": packed}
        sent = json.dumps(request).encode("ascii")
        try:
            process.stdin.write(sent + b"\n")
            process.stdin.flush()
        except OSError:
            return self._lost(run)
        deadline, phase = time.monotonic() + START_S + limit_s, "start"
        while True:
            line = self._next_line(deadline)
            if line is None:
                self.end()
                message = f"{phase}: more than the {limit_s:g} s allowed"
                return first_columns(run) | {"status": "timeout", "message": message}
            if not line:
                return self._lost(run)
            answer = json.loads(line)
            if "row" in answer:
                row: Row = answer["row"]
                return row
            phase = answer["phase"]
            deadline = time.monotonic() + limit_s

    def end(self) -> None:
        """End the process, whatever it does."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            for stream in (self._process.stdin, self._process.stdout, self._output):
                if stream is not None:
                    stream.close()
            self._process = None

    def _start(self) -> None:
        self.end()
        self._unread = b""
        self._output = tempfile.TemporaryFile()  # noqa: SIM115 -- closed by `end`
        self._process = subprocess.Popen(
            [sys.executable, "-m", "deblend.study.child"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._output,
            env=self._environment,
        )

    def _next_line(self, deadline: float) -> bytes | None:
        """The next answer; empty where the process has ended, None where it is too late."""
        assert self._process is not None
        stream = self._process.stdout
        assert stream is not None
        with selectors.DefaultSelector() as selector:
            selector.register(stream, selectors.EVENT_READ)
            while b"\n" not in self._unread:
                remaining_s = deadline - time.monotonic()
                if remaining_s <= 0 or not selector.select(remaining_s):
                    return None
                read = os.read(stream.fileno(), 1 << 16)
                if not read:
                    return b""
                self._unread += read
        line, _, self._unread = self._unread.partition(b"\n")
        return line

    def _lost(self, run: StudyRun) -> Row:
        """Row of a run whose process ended by itself, with the end of its output."""
        assert self._process is not None
        status = self._process.wait()
        output = ""
        if self._output is not None:
            self._output.seek(0)
            output = " ".join(self._output.read().decode("utf-8", "replace").split())[-_TAIL:]
        self.end()
        message = f"the process ended with status {status}. {output}".strip()
        return first_columns(run) | {"status": "failed", "message": message}


def answer_runs() -> None:
    """Read runs and answer with rows, until the input of this process ends."""
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # what a method prints is no answer
    threading.Thread(target=_end_with_parent, args=(os.getppid(),), daemon=True).start()

    def send(content: dict[str, Any]) -> None:
        answers.write(json.dumps(content) + "\n")
        answers.flush()

    lines, warmed = None, set()
    for line in sys.stdin.buffer:
        request = json.loads(line)
        if request["file"]:
            load_file(Path(request["file"]))
        run = cloudpickle.loads(base64.b64decode(request["run"]))
        lines = lines or LineCache(Path(request["folder"]))
        row = carry_out(
            run,
            lines,
            lambda phase: send({"phase": phase}),
            warm=run.method.label not in warmed,
        )
        warmed.add(run.method.label)
        send({"row": row})


def _end_with_parent(parent: int) -> None:
    """End with the process that asked, also where that was killed."""
    while os.getppid() == parent:
        time.sleep(_WATCH_S)
    os._exit(1)


if __name__ == "__main__":
    answer_runs()
