"""What a run will take, said before it starts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from deblend.line.forecast import Forecast, forecast
from deblend.line.prepare_line import block_budget, program_bytes
from deblend.memory import PROGRAM_BYTES
from deblend.model.geometry import Geometry, unknown_geometry
from deblend.separation.block import MOST_PASSES, REVIEWS
from deblend.separation.fire_times import CHANNELS, refinement_iterations
from deblend.separation.job import prepare
from deblend.separation.plan_blocks import BlockCuts
from deblend.separation.settings import SeparationSettings
from deblend.synth.scenes import make_scene


def test_the_forecast_says_how_long_fresh_starts_may_make_it() -> None:
    assert MOST_PASSES == 1 + sum(REVIEWS) == 2
    plain = Forecast(1, 1, 8, 1, 1, 1, 3600 * 2 * 1e6, 1e6)
    assert "about 2.0 h on this machine alone (" in plain.time
    robust = replace(plain, most_passes=MOST_PASSES)
    assert "about 2.0 h on this machine alone, up to 4.0 h where swell or spikes" in robust.time


def test_the_forecast_counts_the_refinement_of_times() -> None:
    line = make_scene("two-sources")
    plan: list[Forecast] = []
    for refined in (False, True):
        job = prepare(
            line.recording,
            line.shots,
            length_s=line.length_s,
            settings=SeparationSettings(iterations=3, refine_times=refined, robust=not refined),
        )
        slots = range(job.layout.slot_count)
        plan.append(forecast(job, BlockCuts((slots,), job.blocks, 1)))
    assert [one.most_passes for one in plan] == [MOST_PASSES, 1.0]
    channels = min(CHANNELS, line.recording.shape[0])
    traces = job.layout.row.size * channels
    more = traces * job.length * refinement_iterations(3)
    assert plan[1].sample_iterations - plan[0].sample_iterations == pytest.approx(more)


def test_positions_of_all_traces_are_no_room_for_arrays() -> None:
    unknown = unknown_geometry(5000, 4000)
    known = np.zeros((50, 400))
    towed = Geometry(known, known.copy(), known.copy(), known[0])
    assert program_bytes(unknown) == PROGRAM_BYTES
    fixed_bytes = program_bytes(towed)
    assert fixed_bytes == PROGRAM_BYTES + 3 * 50 * 400 * 8
    assert block_budget(2 * fixed_bytes + 8, 2, fixed_bytes) == 4
