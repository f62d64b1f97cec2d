"""Two recorded shots blended numerically and separated again, over eight draws of delays.

    python -m benchmarks.quality.real_shots

Two air-gun records of one streamer, 120 channels of 600 samples at 4 ms, whose origin and terms are
in tests/data/README.md. Each record plays one source. By reciprocity its 120 channels play 120 shots
into one receiver, one every 3 s, each of both sources delayed by a random time, uniform within 0.3 s
either way. The truth holds the noise of the two records, which the blend adds up: no method can
remove it.
"""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np

from benchmarks.result import keep
from deblend.blending.operator import make_operator
from deblend.separation.separate import separate
from deblend.synth.blend_keys import BlendKeys, read_blend_plan
from deblend.synth.blend_plan import blend_gathers
from deblend.synth.line import MadeLine
from deblend.trial.likeness import snr_db

ROOT = Path(__file__).parents[2]
PLAN = ROOT / "examples" / "blend_two_shots.toml"
INPUTS = ROOT / "tests" / "data"
SEEDS = 8
INTERVAL_S = 3.0


def blended(plan: BlendKeys, seed: int) -> MadeLine:
    assert plan.firing is not None
    firing = msgspec.structs.replace(plan.firing, interval_s=INTERVAL_S, dither_s=0.3, seed=seed)
    return blend_gathers(msgspec.structs.replace(plan, firing=firing), INPUTS)


def snr_by_source_db(line: MadeLine) -> tuple[list[float], list[float]]:
    """Signal-to-noise ratio of each source before and after separation."""
    recording, shots = line.recording, line.shots
    operator = make_operator(
        shots,
        start_ns=recording.start_ns,
        interval_ns=recording.interval_ns,
        sample_count=recording.shape[1],
        length=line.gathers.shape[2],
    )
    record = recording.read(range(recording.shape[0]), 0, recording.shape[1])
    before = operator.pseudo_deblend(record)
    after = separate(recording, shots, length_s=line.length_s, method="fk").estimate.values
    rows = [shots.rows_of(source) for source in shots.sources]
    return tuple([snr_db(line.gathers[k], gathers[k]) for k in rows] for gathers in (before, after))


def main() -> None:
    plan = read_blend_plan(PLAN)
    start, result = (
        np.array(values)
        for values in zip(
            *(snr_by_source_db(blended(plan, seed)) for seed in range(SEEDS)), strict=True
        )
    )
    keep(
        "quality.real_shots",
        {
            "start_mean_db": round(float(start.mean()), 1),
            "snr_mean_db": round(float(result.mean()), 1),
            "snr_lowest_seed_db": round(float(result.mean(axis=1).min()), 1),
            "snr_highest_seed_db": round(float(result.mean(axis=1).max()), 1),
            "snr_by_seed_and_source_db": [round(value, 1) for value in result.ravel().tolist()],
        },
    )


if __name__ == "__main__":
    main()
