"""Recorded shots, blended numerically, separated and scored against themselves.

The plan of the two shots is the one of examples/. Each of two air-gun records of a towed streamer
plays one source, its 120 channels the shots (reciprocity), with random delays of 0.3 s either way.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from small_line import LOOK, Call

from deblend.blending.operator import make_operator
from deblend.in_memory import separate
from deblend.model.recording import Recording
from deblend.model.shots import make_shots
from deblend.records.open import open_recording
from deblend.records.shot_table import read_shots
from deblend.synth.write import read_truth

ROOT = Path(__file__).parents[2]
PLAN = ROOT / "examples" / "blend_two_shots.toml"
INPUTS = ROOT / "tests" / "data"


def snr_db(truth, estimate):
    return 10 * np.log10(np.sum(truth**2) / np.sum((estimate - truth) ** 2))


@pytest.mark.usefixtures("plain_page")
def test_recorded_shots_come_apart(tmp_path: Path, call: Call) -> None:
    folder = tmp_path / "two-shots"
    blended = call("blend", PLAN, "--inputs", INPUTS, "--out", folder)
    assert blended.exit_code == 0, blended.output
    line_file = folder / "line.toml"
    line_file.write_text(
        line_file.read_text().replace("[separation]", '[separation]\nmethod = "fk"')
    )
    separated = call("separate", line_file)
    assert separated.exit_code == LOOK, separated.output
    assert "Whether the fire times fit the record could not be determined" in separated.output

    recording = open_recording(folder / "records" / "*.sgy", time_scale="utc")
    shots = read_shots(folder / "shots.csv", time_scale="utc")
    truth = read_truth(folder / "truth", shots)
    operator = make_operator(
        shots,
        start_ns=recording.start_ns,
        interval_ns=recording.interval_ns,
        sample_count=recording.shape[1],
        length=truth.shape[2],
    )
    before = operator.pseudo_deblend(recording.read([0], 0, recording.shape[1]))
    start, result = [], []
    for source in (1, 2):
        rows = shots.rows_of(source)
        estimate = delivered(folder / "separated" / "delivered" / f"source-{source}.sgy")
        start.append(snr_db(truth[rows], before[rows]))
        result.append(snr_db(truth[rows, 0], estimate))
    assert np.mean(start) == pytest.approx(0.0, abs=0.5)
    assert np.mean(result) >= 16.5


def delivered(path: Path):
    """Samples, shape (shot, time), read by segyio."""
    segyio = pytest.importorskip("segyio")
    with segyio.open(path, ignore_geometry=True) as file:
        return file.trace.raw[:]


def test_a_recorded_source_that_overlaps_itself_comes_apart() -> None:
    """One receiver, 60 recorded shots of 4 s fired every 2 s, with delays of 0.5 s either way."""
    gather = np.load(INPUTS / "north-sea-receiver-gather.npy", allow_pickle=False)
    truth = (gather - gather.mean(axis=1, keepdims=True))[:, None]
    dither_s = np.random.default_rng(5).uniform(-0.5, 0.5, len(truth))
    fire_time_s = 1.0 + 2.0 * np.arange(len(truth)) + dither_s
    shots = make_shots(
        np.ones(len(truth), dtype=np.int64),
        np.arange(len(truth)),
        np.rint(1e9 * fire_time_s).astype(np.int64),
        "utc",
    )
    operator = make_operator(
        shots, start_ns=0, interval_ns=4_000_000, sample_count=31_500, length=truth.shape[2]
    )
    record = operator.blend(truth)
    recording = Recording(record, interval_s=0.004, start=0, time_scale="utc")
    learned, fixed = (
        separate(recording, shots, length_s=4.0, method="fk", learn_floor=learn).estimate.values
        for learn in (True, False)
    )
    assert snr_db(truth, operator.pseudo_deblend(record)) == pytest.approx(0.0, abs=0.5)
    assert snr_db(truth, learned) >= 23.5
    assert snr_db(truth, learned) >= snr_db(truth, fixed) + 0.3
