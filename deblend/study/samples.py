"""Small samples of what was separated, for figures: one channel of one source a row."""

from __future__ import annotations

import base64
import io
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.array_file import json_array, json_value, read_arrays, write_arrays
from deblend.files import make_folder
from deblend.report.contents import GatherSection
from deblend.study.scores import pseudo_deblended
from deblend.synth.line import MadeLine

SAMPLES: Final = "samples"
"""Folder of the samples, beside the results."""
MOST_SHOTS: Final = 120


def sample_of(line: MadeLine, estimate: NDArray[np.float32]) -> dict[str, Any]:
    """One channel of the first source, packed for the way from process to process."""
    rows = line.shots.rows_of(line.shots.sources[0])[:MOST_SHOTS]
    channel = line.recording.shape[0] // 2
    truth, start = line.gathers, pseudo_deblended(line)
    parts = np.stack([part[rows, channel] for part in (truth, start, estimate)])
    stream = io.BytesIO()
    np.save(stream, parts.astype(np.float32), allow_pickle=False)
    return {
        "parts": base64.b64encode(stream.getvalue()).decode("ascii"),
        "source": str(line.shots.sources[0]),
        "channel": int(line.recording.channel_numbers[channel]),
        "shot_points": line.shots.shot_point[rows].tolist(),
        "live": line.shots.live[rows].tolist(),
        "interval_s": line.recording.interval_s,
    }


def keep_sample(packed: dict[str, Any], folder: Path, key: str) -> None:
    """Write the sample of a row into the folder of the results."""
    parts = np.load(io.BytesIO(base64.b64decode(packed.pop("parts"))), allow_pickle=False)
    make_folder(folder / SAMPLES)
    write_arrays({"parts": parts, "about": json_array(packed)}, folder / SAMPLES / f"{key}.npz")


def sample_section(folder: Path, key: str) -> GatherSection | None:
    """The sample of a row; None where there is none."""
    path = folder / SAMPLES / f"{key}.npz"
    if not path.exists():
        return None
    arrays = read_arrays(path, ("parts", "about"))
    about, (truth, before, after) = json_value(arrays["about"]), arrays["parts"]
    return GatherSection(
        source=about["source"],
        kind="common channel",
        number=about["channel"],
        axis=np.array(about["shot_points"], np.float64),
        axis_label="shot point",
        before=before,
        after=after,
        truth=truth,
        interval_s=about["interval_s"],
        live=np.array(about["live"], np.bool_),
    )
