"""Sources that fire one after the other: nothing to separate, and every output says so first."""

from __future__ import annotations

import csv
import math
import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from segd_line import SAMPLES, fired, one_set, pulses, write_line

import deblend
from deblend.cli.main import main
from deblend.model.findings import nothing_to_separate
from deblend.records.open import open_recording
from deblend.records.segd.open import read_segd_shots

FIRST = (
    "There is nothing to separate: no sample holds two shots. 33 of 33 delivered shots are cut out"
)
ABOUT_OVERLAP = re.compile(r"overlap(?! 0\.5)|interference|∞|\binf\b|othing is known")


def sequential(folder: Path) -> Path:
    shots = fired(interval_us=3_500_000, dither_us=100_000)
    return write_line(folder, shots, one_set(pulses(shots)))


def command(*words: str) -> Result:
    return CliRunner().invoke(main, list(words))


def first_words(text: str) -> str:
    return " ".join(text.split())[: len(FIRST)]


def test_check_says_it_first(tmp_path: Path) -> None:
    shown = command("check", str(sequential(tmp_path)))
    assert shown.exit_code == 0
    assert first_words(shown.output) == FIRST
    assert not ABOUT_OVERLAP.search(shown.output)


def test_shots_are_as_recorded_and_nothing_is_judged(tmp_path: Path) -> None:
    sequential(tmp_path)
    files = str(tmp_path / "*.segd")
    recording = open_recording(files, time_scale="gps")
    shots = read_segd_shots(files, time_scale="gps")
    line = deblend.separate(recording, shots, length_s=2.5, method="fk", iterations=2, quality=True)
    assert nothing_to_separate(line.findings).startswith(FIRST)
    assert not any(math.isinf(finding.value) for finding in line.findings)
    metrics = {finding.metric for finding in line.findings}
    assert not metrics & {"expected_error", "energy_removed", "undecided_tests", "run_in"}
    # On the sample grid a shot is the very record.
    late = (shots.fire_time_ns - recording.start_ns) % recording.interval_ns
    row = int(np.abs(late - recording.interval_ns / 2).argmax())
    at = round((int(shots.fire_time_ns[row]) - recording.start_ns) / recording.interval_ns)
    record = recording.read(range(4), at, at + 625)
    error = np.abs(line.estimate.values[row] - record)
    assert error.max() < 0.1 * np.abs(record).max()
    assert recording.shape == (4, 10 * SAMPLES)


def test_lines_that_overlap_say_nothing_of_it(tmp_path: Path) -> None:
    shots = fired()
    shown = command("check", str(write_line(tmp_path, shots, one_set(pulses(shots)))))
    assert "nothing to separate" not in shown.output
    assert "told apart" in shown.output


@pytest.mark.slow
def test_run_judgement_table_and_page_say_it_first(tmp_path: Path) -> None:
    path = sequential(tmp_path)
    path.write_text(path.read_text().replace("expected_error = false", "expected_error = true"))
    out = tmp_path / "separated"
    ran = command("separate", str(path))
    judged = command("judge", str(out))
    for shown in (ran, judged):
        assert shown.exit_code == 1  # eleven shots of a source are too few to verify its times by
        assert FIRST in " ".join(shown.output.split())
        assert not ABOUT_OVERLAP.search(shown.output)
    assert first_words(judged.output) == FIRST
    header = next((out / "delivered").glob("*.sgy")).read_bytes()[:3200].decode("cp500")
    assert FIRST[:40] in " ".join(header.split())
    assert "other sources" not in header
    with (out / "findings.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert "nothing_to_separate" in {row["metric"] for row in rows}
    assert not [row for row in rows if "inf" in row["value"]]
    for again in (False, True):
        if again:
            assert command("report", str(out)).exit_code == 0
        page = (out / "report.html").read_text()
        body = re.sub(r"<script.*?</script>|<style.*?</style>", "", page, flags=re.DOTALL)
        body = " ".join(re.sub(r"<[^>]+>", " ", body[body.index("<body") :]).split())
        assert " ".join(body.split()).split("report ", 1)[1].startswith(FIRST)
        # The finding that no two shots overlap, a setting of the method, and what every page asks
        # and cautions.
        asked = ("Is interference left?", "interference is as coherent as signal")
        for known in ("No two shots overlap", "overlapping shots", "method.overlap", *asked):
            body = body.replace(known, "")
        assert not ABOUT_OVERLAP.search(body)
