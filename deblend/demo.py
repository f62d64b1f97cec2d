"""The demonstration: a made line on disk as SEG-D, then the path of field data, truth scored."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Final

from deblend.files import filling
from deblend.line.line_file import read_line_file
from deblend.progress import Progress, Step, silent
from deblend.run.pipeline import Outcome, run_line

LINE_FOLDER: Final = "line"
SMALL_CHANNELS: Final = 4
SMALL_SHOTS: Final = 16


def run_demo(folder: Path, progress: Progress = silent, *, small: bool = False) -> Outcome:
    """Make a line in ``folder/line`` and separate it into `folder`, made if absent, else empty.

    `small` makes a short line of a few channels, to see the path work; its figures mean little.
    """
    try:
        with filling(folder):
            progress(Step("make", 0, 0, "earth, shots and noise"))
            line = read_line_file(_write_demo_line(folder / LINE_FOLDER, small=small))
            return run_line(line.with_output(folder), progress)
    except KeyboardInterrupt:  # a run that is stopped says that it goes on; this one does not
        raise KeyboardInterrupt("nothing of the demonstration is kept") from None


def _write_demo_line(folder: Path, *, small: bool) -> Path:
    from deblend.synth.build import build_line
    from deblend.synth.demo_line import demo_design
    from deblend.synth.write import write_line

    plan = demo_design()
    if small:
        acquisition = plan.acquisition
        streamer = replace(acquisition.streamer, channel_count=SMALL_CHANNELS)
        firing = replace(acquisition.firing, shots_per_source=SMALL_SHOTS)
        plan = replace(
            plan,
            name=f"{plan.name}-small",
            acquisition=replace(acquisition, streamer=streamer, firing=firing),
        )
    return write_line(build_line(plan), folder, record_format="segd")
