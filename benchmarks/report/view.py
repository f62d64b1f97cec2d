"""`deblend view` on a line whose record and delivered files hold more than 10 GB each.

    python -m benchmarks.report.view

The files are sparse: three hours of 480 channels at 2 ms, two sources, gathers of 8 s. One channel
and some shots hold noise, the rest reads as zeros. Timed in headless Chromium: from the command to
its address, from the address to the first picture, from a key to the next frame after the picture
has changed. `flip` is before, after and removed of one gather; other keys bring a new gather, each
for the first time. The memory is the peak of the process that serves.
"""

from __future__ import annotations

import json
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any, Final

import numpy as np
from playwright.sync_api import Page, sync_playwright

from benchmarks.result import Number, keep
from deblend.deliver.manifest import file_record
from deblend.deliver.segy import _binary_header, _textual_header
from deblend.deliver.trace_headers import coordinate_scale, fill_headers
from deblend.line.line_file import read_line_file
from deblend.line.open_line import open_line
from deblend.line.prepare_line import prepare_line
from deblend.model.findings import Finding, findings_csv
from deblend.model.segy_layout import TRACE_HEADER, encode_textual_header
from deblend.model.shots import Shots, make_shots
from deblend.model.timebase import parse_instant
from deblend.records.shot_table import write_shots
from deblend.results.deliverable import source_gathers
from deblend.run.delivery import file_name
from deblend.synth.segy_write import _binary_header as _record_header
from deblend.synth.segy_write import _trace_headers

CHANNELS: Final = 480
INTERVAL_NS: Final = 2_000_000
FILE_SAMPLES, FILES = 30_000, 181
LENGTH_S: Final = 8.0
SHOT_COUNT: Final = 890
START: Final = parse_instant("2025-02-03T04:05:06", "utc")
NOISY_CHANNEL: Final = CHANNELS // 2
LINE: Final = """\
name = "Ten gigabytes"
[records]
files = ["records/*.sgy"]
time_scale = "utc"
[shots]
file = "shots.csv"
[geometry]
nearest_offset_m = 120.0
group_interval_m = 12.5
[separation]
length_s = 8.0
method = "joint"
[output]
folder = "separated"
"""


def made_shots() -> Shots:
    """Two sources in turn, every 12 s each, with random delays."""
    rng = np.random.default_rng(1)
    number = np.arange(2 * SHOT_COUNT)
    delay_s = 4.0 + 6.0 * number + rng.uniform(-0.5, 0.5, number.size)
    return make_shots(
        1 + number % 2,
        1001 + number,
        START + (delay_s * 1e9).astype(np.int64),
        "utc",
        x_m=450_000 + 15.0 * number,
        y_m=np.where(number % 2, 6_000_050.0, 6_000_000.0),
    )


def write_record(folder: Path) -> None:
    """Files of a minute, headers whole, samples of one channel."""
    folder.mkdir()
    rng = np.random.default_rng(2)
    channels = np.arange(1, CHANNELS + 1)
    text = encode_textual_header(["Sparse record"], revision=2)
    binary = _record_header((CHANNELS, FILE_SAMPLES), INTERVAL_NS, "utc", 2, 5).tobytes()
    for number in range(FILES):
        begin = START + number * FILE_SAMPLES * INTERVAL_NS
        headers = _trace_headers(FILE_SAMPLES, INTERVAL_NS, begin, "utc", channels, 2)
        with (folder / f"{number:04d}.sgy").open("wb") as file:
            file.write(text + binary)
            for row, header in enumerate(headers):
                file.write(header.tobytes())
                if row == NOISY_CHANNEL:
                    file.write(rng.standard_normal(FILE_SAMPLES).astype(">f4").tobytes())
                else:
                    file.seek(4 * FILE_SAMPLES, 1)
            file.truncate(file.tell())


def write_results(folder: Path, line_path: Path) -> None:
    """What a run would leave, as far as `deblend view` reads it."""
    opened = open_line(read_line_file(line_path))
    job = prepare_line(opened)
    (folder / "delivered").mkdir(parents=True)
    rng = np.random.default_rng(3)
    dead = np.zeros(CHANNELS, np.bool_)
    for number, source in enumerate(job.shots.sources):
        rows = np.flatnonzero(job.delivered & (job.shots.source == source))
        gathers = source_gathers(opened, job, rows, dead, ("Made for a benchmark.",))
        scale, trace_bytes = coordinate_scale(gathers), TRACE_HEADER.itemsize + 4 * job.length
        with (folder / "delivered" / file_name(source, number)).open("wb") as file:
            file.write(_textual_header(gathers) + _binary_header(gathers))
            for shot in range(len(rows)):
                header = np.zeros((1, CHANNELS), TRACE_HEADER)
                fill_headers(header, gathers, shot, scale)
                at = 3600 + shot * CHANNELS * trace_bytes
                for channel in (0, NOISY_CHANNEL):
                    file.seek(at + channel * trace_bytes)
                    file.write(header[0, channel].tobytes())
                    file.write(rng.standard_normal(job.length).astype(">f4").tobytes())
            file.truncate(3600 + len(rows) * CHANNELS * trace_bytes)
    found = Finding("shot_delay", 4.0, "ms", "look", "Late.", source=1, shot_point=1501, channel=7)
    (folder / "findings.csv").write_text(findings_csv([found]))
    inputs = [line_path, line_path.parent / "shots.csv"]
    records = [file_record(path, relative_to=folder) for path in inputs]
    sizes = [
        {"path": f"../records/{path.name}", "size_bytes": path.stat().st_size, "sha256": ""}
        for path in sorted((line_path.parent / "records").iterdir())
    ]
    named = [vars(record) for record in records] + sizes
    (folder / "manifest.json").write_text(json.dumps({"inputs": named, "outputs": []}))


def made_line(folder: Path) -> Path:
    """The folder of results of the line."""
    write_record(folder / "records")
    write_shots(folder / "shots.csv", made_shots())
    (folder / "line.toml").write_text(LINE)
    write_results(folder / "separated", folder / "line.toml")
    return folder / "separated"


def timed(page: Page, key: str) -> float:
    """Seconds from a key to the frame after the picture has changed."""
    page.wait_for_timeout(600)  # a person looks before pressing another key
    shown = page.get_attribute("body", "data-shown")
    begin = time.perf_counter()
    page.keyboard.press(key)
    page.wait_for_selector(f"body:not([data-shown='{shown}'])")
    page.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
    return time.perf_counter() - begin


def measure(folder: Path) -> dict[str, Number]:
    """Seconds and memory of a server and a browser that looks at it."""
    begin = time.perf_counter()
    command = [sys.executable, "-c", "from deblend.cli.main import main; main()", "view"]
    with subprocess.Popen(
        [*command, str(folder), "--no-browser"], stdout=subprocess.PIPE, text=True
    ) as server:
        assert server.stdout is not None
        said = server.stdout.readline()
        address_s = time.perf_counter() - begin
        found = re.search(r"http://\S+", said)
        assert found is not None, said
        try:
            return {"address_s": round(address_s, 2), **in_browser(found.group(), server.pid)}
        finally:
            server.terminate()


def in_browser(address: str, process: int) -> dict[str, Number]:
    """Times of a reader, and the peak memory of the server when that has gone."""
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"]
        )
        page = browser.new_page(viewport={"width": 1400, "height": 1000})
        begin = time.perf_counter()
        page.goto(f"{address.partition('?')[0]}?source=1&channel={NOISY_CHANNEL + 1}")
        page.wait_for_selector("body[data-ready=yes]")
        first_s = time.perf_counter() - begin
        flips = [timed(page, key) for key in "arbarb"]
        steps = {
            "channel": [timed(page, "ArrowRight") for _ in range(4)],
            "shot": [timed(page, key) for key in ("s", *("ArrowRight",) * 3)],
            "offset": [timed(page, key) for key in ("o", *("ArrowRight",) * 3)],
            "midpoint": [timed(page, key) for key in ("m", *("ArrowRight",) * 3)],
            "record": [timed(page, key) for key in ("t", *("ArrowRight",) * 3)],
        }
        browser.close()
    numbers: dict[str, Number] = {
        "first_picture_s": round(first_s, 2),
        "flip_median_s": round(statistics.median(flips), 3),
        "flip_longest_s": round(max(flips), 3),
    }
    for name, seconds in steps.items():
        numbers[f"new_{name}_median_s"] = round(statistics.median(seconds), 2)
        numbers[f"new_{name}_longest_s"] = round(max(seconds), 2)
    return numbers | {"server_peak_mb": peak_mb(process)}


def peak_mb(process: int) -> int:
    """Largest memory that a process has had."""
    status = Path(f"/proc/{process}/status").read_text(encoding="utf-8")
    found: Any = re.search(r"VmHWM:\s*(\d+) kB", status)
    return int(found.group(1)) // 1000


def main() -> None:
    """Make the line, look at it, keep the numbers."""
    with tempfile.TemporaryDirectory(prefix="deblend-view-") as name:
        folder = made_line(Path(name))
        delivered = sum(path.stat().st_size for path in (folder / "delivered").iterdir())
        record = sum(path.stat().st_size for path in (Path(name) / "records").iterdir())
        sizes: dict[str, Number] = {
            "record_gb": round(record / 1e9, 1),
            "delivered_gb": round(delivered / 1e9, 1),
        }
        keep("report.view", sizes | measure(folder))


if __name__ == "__main__":
    main()
