"""Spans of a line against the line in one piece."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from deblend.blending.operator import make_operator
from deblend.model.recording import Recording
from deblend.model.shots import make_shots
from deblend.separation.job import Job, prepare, separate_channels
from deblend.separation.methods.fk import FkThreshold
from deblend.separation.neighbours import SEAM_SLOTS
from deblend.separation.settings import SeparationSettings
from deblend.separation.spans import slot_halo, span_of
from deblend.separation.weights import windows_of

SLOTS, LENGTH, INTERVAL_NS = 90, 120, 4_000_000


@pytest.fixture(scope="module")
def job() -> Job:
    """Two sources, two channels, events with a gentle dip."""
    random = np.random.default_rng(6)
    along = np.arange(2 * SLOTS) // 2
    times = 10**9 + along * 600_000_000 + random.integers(0, 250_000_000, 2 * SLOTS)
    shots = make_shots(np.arange(2 * SLOTS) % 2 + 1, along, times, "utc")
    time_s = np.arange(LENGTH) * 0.004
    arrival = np.array([0.1, 0.25])[:, None] + 0.0005 * along[None, :]
    phase = (np.pi * 25 * (time_s - arrival[..., None])) ** 2
    gathers = ((1 - 2 * phase) * np.exp(-phase) * np.array([1.0, 0.5])[:, None, None]).sum(axis=0)
    both = np.repeat(gathers[:, None], 2, axis=1).astype(np.float32)
    count = int(times.max() // INTERVAL_NS) + LENGTH + 60
    operator = make_operator(
        shots, start_ns=0, interval_ns=INTERVAL_NS, sample_count=count, length=LENGTH
    )
    record = operator.blend(both)
    record += 0.01 * random.standard_normal(record.shape, dtype=np.float32)
    recording = Recording(record, interval_s=0.004, start=0, time_scale="utc")
    return prepare(
        recording,
        shots,
        length_s=LENGTH * 0.004,
        method=FkThreshold(patch=(12, 1, 24)),
        settings=SeparationSettings(iterations=10, device="cpu"),
    )


def halves(job: Job) -> tuple[range, range]:
    count = job.layout.slot_count
    return range(count // 2), range(count // 2, count)


def test_every_shot_belongs_to_one_span(job: Job) -> None:
    parts = [span_of(job, slots) for slots in halves(job)]
    own = np.concatenate([part.rows[part.own] for part in parts])
    np.testing.assert_array_equal(np.sort(own), np.arange(len(job.shots)))
    for part in parts:
        assert len(part.rows) < len(job.shots)
        assert part.job.recording.shape[1] < job.recording.shape[1]
        assert not part.job.delivered[~part.own].any()
    assert span_of(job, range(job.layout.slot_count)).job is job


def test_the_reference_is_that_of_the_line(job: Job) -> None:
    parts = [span_of(job, slots, shared=True).job for slots in halves(job)]
    found = max(part.reference_of(range(k, k + 1)) for part in parts for k in range(2))
    assert found == pytest.approx(job.reference, rel=1e-5)


@pytest.mark.parametrize("half", [0, 1])
def test_windows_of_weights_are_those_of_the_line_and_whole(job: Job, half: int) -> None:
    line, windows = job.recording, windows_of(*job.recording.shape[1:], job.recording.interval_s)
    part = span_of(job, halves(job)[half]).job
    begin = (part.recording.start_ns - line.start_ns) // INTERVAL_NS
    end = begin + part.recording.shape[1]
    assert begin > 0
    assert begin % windows.step == 0
    written = part.operator.first_sample[part.operator.live] + begin
    first, last = int(written.min()), int(written.max()) + part.operator.padded_length
    # Sample i lies in the windows that begin at (i // step - 1) * step and a step later.
    assert begin <= max(0, (first // windows.step - 1) * windows.step)
    assert end >= min(line.shape[1], ((last - 1) // windows.step + 2) * windows.step)


def test_what_lies_beside_a_span_is_estimated_too(job: Job) -> None:
    parts = [span_of(job, slots) for slots in halves(job)]
    own, other = (part.rows[part.own] for part in parts)
    beside = parts[0].rows[parts[0].seam_shots]
    assert len(beside) == SEAM_SLOTS * 2
    assert np.isin(beside, other).all()
    assert not np.isin(beside, own).any()
    known = [replace(part.job, measured_reference=job.reference) for part in parts]
    (kept,) = separate_channels(known[0], range(2), seam_shots=parts[0].seam_shots).beyond
    np.testing.assert_array_equal(parts[0].rows[kept.rows], beside)
    theirs = separate_channels(known[1], range(2)).estimate[np.searchsorted(parts[1].rows, beside)]
    assert kept.channels == range(2)
    assert 0 < np.sum((kept.estimate - theirs) ** 2) < 0.05 * np.sum(theirs**2)


def test_what_others_write_is_unknown(job: Job) -> None:
    part = span_of(job, halves(job)[1])
    samples = part.job.recording.read([0], 0, part.job.recording.shape[1])[0]
    unknown = np.flatnonzero(np.isnan(samples))
    assert unknown.size
    assert unknown.max() < (slot_halo(job) * 600_000_000 + 10**9) // INTERVAL_NS
    sharing = span_of(job, halves(job)[1], shared=True).job.recording
    assert np.isfinite(sharing.read([0], 0, sharing.shape[1])).all()


def test_seams_lie_far_below_the_result(job: Job) -> None:
    whole = separate_channels(job, range(2)).estimate
    for slots in halves(job):
        part = span_of(job, slots)
        known = replace(part.job, measured_reference=job.reference)
        estimate = separate_channels(known, range(2)).estimate[part.own]
        expected = whole[part.rows[part.own]]
        groups = np.array_split(np.arange(len(expected)), 6)
        for rows in groups:
            error = np.sum((estimate[rows] - expected[rows]) ** 2) / np.sum(expected[rows] ** 2)
            assert 10 * np.log10(error) < -20.0
