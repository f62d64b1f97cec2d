"""A small line on disk: two sources that overlap, written as field data would come."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from click.testing import Result
from numpy.typing import NDArray

from deblend.blending.operator import make_operator
from deblend.model.shots import Shots, make_shots
from deblend.model.timebase import parse_instant
from deblend.records.shot_table import write_shots
from deblend.synth.segy_write import write_continuous_segy

PASS, LOOK, FAIL = 0, 1, 3
"""Exit statuses of a run that wrote its results; one of a few iterations fails."""
Call = Callable[..., Result]
"""Calls the command line with arguments."""

INTERVAL_NS = 4_000_000
LENGTH = 160  # 0.64 s
SHOT_COUNT = 20  # of each source
CHANNEL_COUNT = 4
START = "2025-02-03T04:05:06.250"

LINE = """\
name = "Small line"

[records]
files = ["records/*.sgy"]
time_scale = "utc"

[shots]
file = "shots.csv"
pulse_delay_ms = 40

[geometry]
nearest_offset_m = 80.0
group_interval_m = 12.5
streamer_depth_m = 7.0

[separation]
length_s = 0.64
iterations = 25

[separation.settings]
patch = [20, 1, 32]

[truth]
folder = "truth"

[output]
folder = "separated"
"""


@dataclass(frozen=True, eq=False)
class SmallLine:
    """Where the line is and what it is made of."""

    folder: Path
    shots: Shots
    gathers: NDArray[np.float32]
    samples: NDArray[np.float32]
    start_ns: int

    @property
    def line_file(self) -> Path:
        return self.folder / "line.toml"

    @property
    def out(self) -> Path:
        return self.folder / "separated"

    def rewrite(self, old: str, new: str) -> None:
        """Change the line file."""
        text = self.line_file.read_text()
        assert old in text
        self.line_file.write_text(text.replace(old, new))

    def spoil_times(self) -> None:
        """Fire times that are wrong by a millisecond, to be refined; the truth is none any more."""
        late_ns = np.rint(1e6 * np.random.default_rng(3).standard_normal(len(self.shots)))
        wrong = replace(self.shots, fire_time_ns=self.shots.fire_time_ns + late_ns.astype(np.int64))
        write_shots(self.folder / "shots.csv", wrong)
        self.rewrite('[truth]\nfolder = "truth"\n', "")
        self.rewrite("iterations =", "refine_times = true\niterations =")

    def write_records(self, samples: NDArray[np.float32], pieces: int = 2) -> None:
        """Write the record anew, in time slices."""
        folder = self.folder / "records"
        edges = np.linspace(0, samples.shape[1], pieces + 1).astype(int).tolist()
        for number in range(pieces):
            begin, end = edges[number : number + 2]
            write_continuous_segy(
                folder / f"{number}.sgy",
                samples[:, begin:end],
                interval_ns=INTERVAL_NS,
                start_ns=self.start_ns + begin * INTERVAL_NS,
                time_scale="utc",
                channel_numbers=np.arange(1, CHANNEL_COUNT + 1),
            )


def make_small_line(folder: Path) -> SmallLine:
    """Write a line whose answer is known."""
    start_ns = parse_instant(START, "utc")
    random = np.random.default_rng(11)
    along = np.arange(2 * SHOT_COUNT) // 2
    delay_ns = random.integers(0, 300_000_000, 2 * SHOT_COUNT)
    shots = make_shots(
        np.arange(2 * SHOT_COUNT) % 2 + 1,
        1000 + along,
        start_ns + 200_000_000 + along * 700_000_000 + delay_ns,
        "utc",
        x_m=500_000.0 + 1.6 * along,
        y_m=np.full(2 * SHOT_COUNT, 6_500_000.0),
        depth_m=np.full(2 * SHOT_COUNT, 6.0),
    )
    gathers = _reflections(along)
    sample_count = int((shots.fire_time_ns.max() - start_ns) // INTERVAL_NS) + LENGTH + 50
    operator = make_operator(
        shots,
        start_ns=start_ns,
        interval_ns=INTERVAL_NS,
        sample_count=sample_count,
        length=LENGTH,
    )
    samples = operator.blend(gathers)
    (folder / "records").mkdir(parents=True)
    (folder / "truth").mkdir()
    line = SmallLine(folder, shots, gathers, samples, start_ns)
    line.line_file.write_text(LINE)
    line.write_records(samples)
    write_shots(folder / "shots.csv", shots)
    for source in shots.sources:
        np.save(folder / "truth" / f"source-{source}.npy", gathers[shots.rows_of(source)])
    return line


def _reflections(along: NDArray[np.int64]) -> NDArray[np.float32]:
    """A direct arrival and three gently dipping events with a 25 Hz wavelet."""
    time = np.arange(LENGTH) * INTERVAL_NS * 1e-9
    shape = (len(along), CHANNEL_COUNT, LENGTH)
    gathers = np.zeros(shape)
    source = np.arange(len(along)) % 2
    for event, (at, dip, amplitude) in enumerate(
        [(0.12, 0.0, 1.0), (0.26, -0.0006, 0.6), (0.38, 0.0008, -0.4), (0.48, 0.0, 0.3)]
    ):
        moveout_s = 0.004 if event else 12.5 / 1500.0
        arrival = at + dip * along[:, None] + moveout_s * np.arange(CHANNEL_COUNT)
        arrival = arrival + 0.006 * event * source[:, None]
        phase = (np.pi * 25.0 * (time - arrival[..., None])) ** 2
        gathers += amplitude * (1 - 2 * phase) * np.exp(-phase)
    return gathers.astype(np.float32)
