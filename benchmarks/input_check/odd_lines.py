"""What `check --with-samples` and `separate` say of lines that hold what real ones do.

    python -m benchmarks.input_check.odd_lines

One small line of sums of events, written to disk and spoilt in one way after another; both commands
as a user calls them, their exit status and the first thing that they say about what is wrong. The
report is not drawn, which would take most of the two minutes. The table of README.md here is made
from what this keeps. Exit status 0: nothing to look at, 1: a look is asked for, 3: done, and
something fails, 2: refused.
"""

from __future__ import annotations

import csv
import json
import re
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final
from unittest.mock import patch

import numpy as np
from click.testing import CliRunner, Result
from numpy.typing import NDArray
from scipy.signal import resample_poly

from benchmarks.input_check.input_faults import FaultyLine, plant_fault
from benchmarks.result import RESULTS, keep
from deblend.cli.main import main as deblend
from deblend.model.recording import Gap
from deblend.model.shots import Shots
from deblend.records.shot_table import read_shots, write_shots
from deblend.report.contents import Contents
from deblend.results.judge import read_findings
from deblend.synth.build import build_line
from deblend.synth.line import MadeLine
from deblend.synth.scenes import Extent, scene_design
from deblend.synth.write import line_file_text, write_records

NAME: Final = "input_check.odd_lines"
EXTENT: Final = Extent(28, 8, 1.6)
SLICE_S: Final = 25.0
SETTINGS: Final = "iterations = 15\n"
LONGEST: Final = 230
"""Characters of what is quoted."""
NOTHING: Final = "nothing about it"

Make = Callable[[MadeLine], FaultyLine]
Edit = Callable[[Path], None]


@dataclass(frozen=True)
class OddLine:
    """One way in which a line is spoilt, and where to look for what is said about it."""

    item: int
    """Of the list that asked for it."""
    holds: str
    """In words."""
    metrics: tuple[str, ...] = ()
    """Of findings that are about it; of an error all is quoted."""
    make: Make = lambda line: faulty(line)
    """What the line holds."""
    edit: Edit = lambda folder: None
    """What is done to its folder."""
    between: Edit | None = None
    """What is done between the first job of a batch queue and the last."""


def record_of(line: MadeLine) -> NDArray[np.float32]:
    """All samples."""
    recording = line.recording
    samples: NDArray[np.float32] = recording.read(
        range(recording.shape[0]), 0, recording.shape[1]
    ).copy()
    return samples


def faulty(line: MadeLine, shots: Shots | None = None, **recording: Any) -> FaultyLine:
    """The line with another table, or something else in its record."""
    changed = replace(line.recording, **recording)
    return FaultyLine(changed, line.shots if shots is None else shots, line.geometry)


def silent_channels(line: MadeLine) -> FaultyLine:
    samples = record_of(line)
    samples[2:] = 0.0
    return faulty(line, samples=samples)


def silent_stretch(line: MadeLine) -> FaultyLine:
    """A fifth of the record is missing."""
    samples = record_of(line)
    gap = Gap(2 * samples.shape[1] // 5, 3 * samples.shape[1] // 5)
    samples[:, gap.start : gap.stop] = np.nan
    return faulty(line, samples=samples, gaps=(gap,))


def impossible_sample(line: MadeLine) -> FaultyLine:
    samples = record_of(line)
    samples[3, samples.shape[1] // 2] = 1e30
    return faulty(line, samples=samples)


def odd_interval(line: MadeLine) -> FaultyLine:
    """From 4 ms, so that the shots stay where they were."""
    samples = resample_poly(record_of(line), 6, 5, axis=1).astype(np.float32)
    return faulty(line, samples=samples, interval_s=0.003333333)


def reversed_channel(line: MadeLine) -> FaultyLine:
    samples = record_of(line)
    samples[4] *= -1.0
    return faulty(line, samples=samples)


def silent_in_one_file(line: MadeLine) -> FaultyLine:
    samples = record_of(line)
    samples[4, : round(SLICE_S / line.recording.interval_s)] *= 1e-6
    return faulty(line, samples=samples)


def dead_channel(line: MadeLine) -> FaultyLine:
    samples = record_of(line)
    samples[4] = 0.0
    return faulty(line, samples=samples)


def planted(fault: str) -> Make:
    """A fault of the benchmarks of the input check."""
    return lambda line: plant_fault(line, fault)


def moved(late_ms: float, *, one: bool = False) -> Make:
    """Fire times of the table are so much later than they were, of one shot or of all."""

    def make(line: MadeLine) -> FaultyLine:
        late_ns = np.full(len(line.shots), round(late_ms * 1e6), dtype=np.int64)
        if one:
            late_ns[np.arange(len(late_ns)) != len(late_ns) // 3] = 0
        shots = replace(line.shots, fire_time_ns=line.shots.fire_time_ns + late_ns)
        return faulty(line, shots)

    return make


def without_points(line: MadeLine) -> FaultyLine:
    """Three shots of the middle have neither row nor trace in the record."""
    kept = np.setdiff1d(np.arange(len(line.shots)), len(line.shots) // 3 + np.arange(3))
    return faulty(line, line.shots.take(kept))


def edited(old: str, new: str) -> Edit:
    """Of the line file."""

    def edit(folder: Path) -> None:
        path = folder / "line.toml"
        text = path.read_text(encoding="utf-8")
        if old not in text:
            raise ValueError(f"the line file does not hold {old!r}")
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    return edit


def foreign_folder(folder: Path) -> None:
    place = folder / "separated" / "unfinished"
    place.mkdir(parents=True)
    (place / "thesis.txt").write_text("years of work", encoding="utf-8")


def changed_table(folder: Path) -> None:
    shots = read_shots(folder / "shots.csv", time_scale="utc")
    write_shots(folder / "shots.csv", replace(shots, fire_time_ns=shots.fire_time_ns + 1_000_000))


def lost_chunk(folder: Path) -> None:
    stored = folder / "separated" / "unfinished" / "estimates.zarr"
    next(iter(sorted(path for path in stored.rglob("c/*/*/*") if path.is_file()))).unlink()


def kept_results(folder: Path) -> None:
    (folder / "separated").mkdir()
    text = '{"ended_utc": "2025-02-03T04:05:06Z"}'
    (folder / "separated" / "manifest.json").write_text(text, encoding="utf-8")


PULSE: Final = edited("[shots]\n", "[shots]\npulse_delay_ms = 60\n")
LINES: Final = (
    OddLine(0, "nothing wrong", ("clock_offset", "expected_error", "shots_verified")),
    OddLine(1, "a fifth of the record missing", ("gap", "shots_in_gap"), silent_stretch),
    OddLine(1, "6 dead channels of 8", ("dead_channel",), silent_channels),
    OddLine(1, "a file of the store lost before delivery", between=lost_chunk),
    OddLine(
        2, "one shot a month later", ("shot_far_outside", "shots_outside"), moved(2.6e9, one=True)
    ),
    OddLine(3, "one sample of 1e30", ("impossible_sample",), impossible_sample),
    OddLine(4, "samples every 1/300 s", ("clock_offset",), odd_interval),
    OddLine(6, "a shot table changed between two jobs", between=changed_table),
    OddLine(7, "somebody's folder `unfinished`", edit=foreign_folder),
    OddLine(9, "keys 5,000 deep", edit=lambda folder: deep_keys(folder)),
    OddLine(10, "a misfire marked live", ("misfire_not_marked",), planted("misfire")),
    OddLine(10, "a row missing", ("shot_not_in_table",), planted("autofire")),
    OddLine(10, "a shot 20 ms late", ("fire_time_error",), moved(-20.0, one=True)),
    OddLine(10, "two swapped source numbers", ("source_number",), planted("swapped_sources")),
    OddLine(11, "a channel of reversed polarity", ("channel_reversed",), reversed_channel),
    OddLine(11, "a channel silent in one file", ("channel_silent",), silent_in_one_file),
    OddLine(11, "a channel of zeros", ("dead_channel",), dead_channel),
    OddLine(12, "all fire times 37 ms early", ("clock_offset",), moved(-37.0)),
    OddLine(12, "a pulse 60 ms after the fire time", ("clock_offset",), moved(-60.0)),
    OddLine(12, "the same, stated", ("clock_offset",), moved(-60.0), PULSE),
    OddLine(13, "results of an earlier run", ("output",), edit=kept_results),
    OddLine(13, "three rows missing", ("missing_shot_points",), without_points),
    OddLine(14, "first and last shots", ("run_in",)),
)


def deep_keys(folder: Path) -> None:
    text = "a = " + "[" * 5000 + "]" * 5000
    (folder / "line.toml").write_text(text, encoding="utf-8")


def measure(line: MadeLine, odd: OddLine, folder: Path) -> dict[str, Any]:
    """Both commands on one line, in a folder that is not there yet."""
    path = folder / "line.toml"
    spoilt = odd.make(line)
    (folder / "records").mkdir(parents=True)
    write_records(spoilt.recording, folder / "records", line.name, slice_s=SLICE_S)
    write_shots(folder / "shots.csv", spoilt.shots)
    path.write_text(line_file_text(line), encoding="utf-8")
    edited('[truth]\nfolder = "truth"\n', "")(folder)
    edited("[separation]\n", f"[separation]\n{SETTINGS}")(folder)
    odd.edit(folder)
    checked = call("check", path, "--with-samples", "--json")
    if odd.between is None:
        separated = call("separate", path)
    else:
        call("separate", path, "--prepare")
        call("separate", path, "--block", "0")
        odd.between(folder)
        separated = call("separate", path, "--finish")
    return {
        "item": odd.item,
        "line": odd.holds,
        "check": said(odd, checked, found_by_check(checked), folder),
        "check_status": checked.exit_code,
        "separate": said(odd, separated, found_by_run(folder), folder),
        "separate_status": separated.exit_code,
    }


def undrawn(contents: Contents, path: Path, extras: object) -> None:
    """In place of the page."""
    path.write_text(contents.title, encoding="utf-8")


def call(*arguments: object) -> Result:
    """The command line."""
    return CliRunner().invoke(deblend, [str(one) for one in arguments])


def found_by_check(result: Result) -> list[tuple[str, str]]:
    """Metric and message of every finding."""
    if result.exit_code == 2:
        return []
    found = json.loads(result.stdout)["findings"]
    return [(one["metric"], f"{one['verdict']}: {one['message']}") for one in found]


def found_by_run(folder: Path) -> list[tuple[str, str]]:
    path = folder / "separated" / "findings.csv"
    if not path.exists():
        return []
    return [(one.metric, f"{one.verdict}: {one.message}") for one in read_findings(path)]


def said(odd: OddLine, result: Result, found: list[tuple[str, str]], folder: Path) -> str:
    """The error, or the finding about what is wrong, cut to a length."""
    if result.exit_code == 2:
        text = " ".join(result.stderr.split("error: ")[-1].split())
    else:
        own = (text for metric, text in found if metric.startswith(odd.metrics))
        text = next(own, NOTHING) if odd.metrics else NOTHING
    text = re.sub(r" \(agreement [^)]*\)", "", text)
    text = text.replace(f"{folder.resolve()}/", "").replace(f"{folder}/", "")
    return text if len(text) <= LONGEST else f"{text[:LONGEST].rsplit(' ', 1)[0]} ..."


def measure_all() -> Iterator[dict[str, Any]]:
    """All lines."""
    line = build_line(scene_design("two-sources", EXTENT), 0)
    drawn = patch("deblend.report.page.write_report", undrawn)
    with tempfile.TemporaryDirectory() as place, drawn:
        for number, odd in enumerate(LINES):
            yield measure(line, odd, Path(place) / f"line-{number}")


def table() -> str:
    """What was kept, for benchmarks/README.md."""
    lines = ["| item | the line holds | `check` says | exit | `separate` says | exit |"]
    lines += ["|---" * 6 + "|"]
    with (RESULTS / f"{NAME}.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            cells = [cell.replace("|", "\\|") for cell in row.values()]
            cells[0] = "" if cells[0] == "0" else cells[0]
            lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


def main() -> None:
    """Measure, print, keep."""
    rows = []
    for row in measure_all():
        print(*row.values(), sep=" | ", flush=True)
        rows.append(row)
    with (RESULTS / f"{NAME}.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    heads = "exit status of check, of separate"
    keep(
        NAME,
        {
            f"{row['line']}: {heads}": [float(row["check_status"]), float(row["separate_status"])]
            for row in rows
        },
    )


if __name__ == "__main__":
    main()
