"""Whole lines on a card: the same result as on the processor, and blocks that do not fit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import deblend
from deblend.arrays import give_back_card_memory
from deblend.separation import job as jobs
from deblend.separation.job import NarrowerBlocks, prepare, separate_channels
from deblend.separation.methods.fk import FkThreshold
from deblend.separation.settings import SeparationSettings
from deblend.synth.scenes import make_scene


def decibels_apart(one, other, truth):
    """Difference of the scores of two estimates."""
    errors = [float(np.sum((estimate - truth) ** 2)) for estimate in (one, other)]
    return abs(10 * np.log10(errors[0] / errors[1]))


@pytest.mark.gpu
@pytest.mark.parametrize("method", ["joint", "fk", "rank"])
def test_a_scene_scores_the_same(method):
    pytest.importorskip("cupy", reason="needs CuPy and a CUDA device")
    line = make_scene("three-sources", "small", 0)
    found = [
        deblend.separate(
            line.recording,
            line.shots,
            length_s=line.length_s,
            method=method,
            iterations=12,
            device=device,
        ).estimate.to_numpy()
        for device in ("gpu", "cpu")
    ]
    assert decibels_apart(*found, line.gathers) < 0.05


@pytest.mark.gpu
def test_memory_that_runs_out_halves_the_block():
    cupy = pytest.importorskip("cupy", reason="needs CuPy and a CUDA device")
    line = make_scene("three-sources", "small", 0)
    settings = SeparationSettings(iterations=2, device="gpu", robust=False, learn_floor=False)
    job = prepare(
        line.recording, line.shots, length_s=line.length_s, method=FkThreshold(), settings=settings
    )
    job = replace(job, measured_reference=job.reference)
    give_back_card_memory()
    separate_channels(job, job.blocks[0])
    pool = cupy.get_default_memory_pool()
    peak = pool.total_bytes()
    give_back_card_memory()
    pool.set_limit(size=int(0.9 * peak))
    try:
        with pytest.warns(NarrowerBlocks, match="do not fit into the free memory"):
            separate_channels(job, job.blocks[0])
    finally:
        pool.set_limit(size=0)


def test_a_block_that_does_not_fit_is_separated_in_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    line = make_scene("two-sources", "small", 0)
    settings = SeparationSettings(iterations=2, device="cpu")
    job = prepare(
        line.recording, line.shots, length_s=line.length_s, method=FkThreshold(), settings=settings
    )
    (block,) = job.blocks
    whole = separate_channels(job, block)
    real, tried = jobs._separate_channels, []

    def too_large(job: object, part: range, *more: object) -> object:
        tried.append(part)
        if len(part) > 3:
            raise MemoryError
        return real(job, part, *more)

    monkeypatch.setattr(jobs, "_separate_channels", too_large)
    with pytest.raises(MemoryError):  # on the host there is nothing to gain
        separate_channels(job, block)
    monkeypatch.setattr(jobs, "is_host", lambda xp: False)
    monkeypatch.setattr(jobs, "give_back_card_memory", lambda: None)
    tried.clear()
    with pytest.warns(NarrowerBlocks, match="separated in two parts"):
        found = separate_channels(job, block)
    assert [len(part) for part in tried] == [8, 4, 2, 2, 4, 2, 2]
    assert found.channels == block
    # Windows of one channel: its result does not depend on the channels beside it.
    np.testing.assert_array_equal(found.estimate, whole.estimate)
    np.testing.assert_array_equal(found.residual, whole.residual)
    assert [row.iteration for row in found.history] == [1, 2]


def test_a_method_without_a_form_for_a_card_runs_on_the_processor() -> None:
    line = make_scene("two-sources", "small", 0)
    settings = SeparationSettings(iterations=2, device="gpu")
    job = prepare(
        line.recording, line.shots, length_s=line.length_s, method="median", settings=settings
    )
    assert job.xp is np
    (said,) = [found for found in job.findings if found.metric == "runs_on_processor"]
    assert "method median has no form for one" in said.message
