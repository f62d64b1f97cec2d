"""Lines and methods that are not what the separation is made for: said, and survived."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import deblend
from deblend.blending.operator import BlendingOperator, make_operator
from deblend.check.headers.inspection import inspect_line
from deblend.errors import InputError, SeparationError
from deblend.model.findings import Finding
from deblend.model.shots import Shots, make_shots
from deblend.separation.contract import PatchBatch
from deblend.separation.job import prepare
from deblend.separation.methods.fk import FkThreshold
from deblend.separation.methods.joint import JointThreshold
from deblend.separation.unblended import unblended_shots
from deblend.synth.build import build_line
from deblend.synth.scenes import Extent, scene_design

LENGTH, INTERVAL_NS = 150, 4_000_000
LENGTH_S = LENGTH * INTERVAL_NS * 1e-9


def shots_at(times_s: list[np.ndarray]) -> Shots:
    """One source for each array of fire times."""
    return make_shots(
        np.repeat(np.arange(len(times_s)) + 1, [len(times) for times in times_s]),
        np.concatenate([np.arange(len(times)) for times in times_s]),
        np.rint(np.concatenate(times_s) * 1e9).astype(np.int64),
        "utc",
    )


def operator_of(shots: Shots) -> BlendingOperator:
    last = int(shots.fire_time_ns.max()) // INTERVAL_NS
    return make_operator(
        shots,
        start_ns=0,
        interval_ns=INTERVAL_NS,
        sample_count=last + LENGTH + 200,
        length=LENGTH,
    )


def recording_of(samples: np.ndarray) -> deblend.Recording:
    return deblend.Recording(
        samples, interval_s=0.004, start="1970-01-01T00:00:00", time_scale="utc"
    )


def events(shot_count: int, channel_count: int) -> np.ndarray:
    """Two flat events under weak noise, quiet at both ends of the trace.

    Nothing at the Nyquist frequency, where no real trace survives a delay by part of a sample.
    """
    time = np.arange(LENGTH) * 0.004
    trace = sum(
        size * (1 - 2 * x) * np.exp(-x)
        for size, x in ((1.0, (np.pi * 22 * (time - at)) ** 2) for at in (0.2, 0.38))
    )
    noise = np.random.default_rng(5).standard_normal((shot_count, channel_count, LENGTH))
    for _ in range(4):
        noise = 0.5 * (noise + np.roll(noise, 1, axis=2))
    return (trace + 0.02 * noise * np.hanning(LENGTH) ** 2).astype(np.float32)


def blended(shots: Shots, channel_count: int = 2) -> tuple[deblend.Recording, np.ndarray]:
    truth = events(len(shots), channel_count)
    return recording_of(operator_of(shots).blend(truth)), truth


def near_simultaneous(sources: int, count: int, seed: int = 0) -> Shots:
    rng = np.random.default_rng(seed)
    base = 0.5 + 1.0 * np.arange(count)
    return shots_at([base + rng.uniform(0, 0.3, count) for _ in range(sources)])


def metrics(findings: tuple[Finding, ...]) -> dict[str, Finding]:
    return {finding.metric: finding for finding in findings}


@pytest.mark.parametrize("method", ["fk", "joint"])
@pytest.mark.parametrize("channel_count", [1, 9])
def test_one_shot_a_source(method: str, channel_count: int) -> None:
    shots = near_simultaneous(3, 1)
    recording, _ = blended(shots, channel_count)
    result = deblend.separate(recording, shots, length_s=LENGTH_S, method=method, iterations=4)
    assert np.isfinite(result.estimate).all()
    short = metrics(result.findings)["window_shots_short"]
    assert (short.value, short.verdict) == (1.0, "look")


def test_a_line_smaller_than_a_window_shrinks_it_and_says_so() -> None:
    shots = near_simultaneous(2, 10)
    recording, truth = blended(shots, 3)
    method = JointThreshold(patch=(24, 8, 400))
    result = deblend.separate(recording, shots, length_s=LENGTH_S, method=method, iterations=20)
    found = metrics(result.findings)
    assert {name: row.value for name, row in found.items()} == {
        "window_shots_short": 10,
        "window_channels_short": 3,
        "window_samples_short": LENGTH,
    }
    assert found["window_channels_short"].limit == 8
    assert "takes 8 channels and there are 3" in found["window_channels_short"].message
    error = np.sum((result.estimate.values - truth) ** 2)
    assert 10 * np.log10(np.sum(truth**2) / error) > 6


def test_a_line_that_holds_the_window_gets_no_finding() -> None:
    shots = near_simultaneous(2, 16)
    recording, _ = blended(shots, 2)
    job = prepare(recording, shots, length_s=LENGTH_S, method=FkThreshold(patch=(16, 2, 32)))
    assert job.findings == ()


def test_too_regular_firing_is_told_with_its_consequence() -> None:
    base = 0.5 + 1.0 * np.arange(20)
    shots = shots_at([base, base + 0.1])
    recording, _ = blended(shots)
    told = [row for row in inspect_line(recording, shots, LENGTH_S) if row.verdict == "look"]
    assert told
    words = " ".join(row.message for row in told)
    assert "stays coherent throughout the band; expect a poor separation" in words


@pytest.mark.parametrize("method", ["fk", "joint"])
def test_sources_that_never_overlap_come_back_untouched(method: str) -> None:
    first = 0.5 + 2.0 * np.arange(12) + np.random.default_rng(1).uniform(0, 0.1, 12)
    shots = shots_at([first, first + 1.0])
    recording, truth = blended(shots)
    result = deblend.separate(recording, shots, length_s=LENGTH_S, method=method, iterations=3)
    largest = np.abs(truth).max()
    assert np.abs(result.estimate.values - truth).max() < 3e-6 * largest
    assert np.abs(result.residual.values).max() < 3e-6 * largest
    assert metrics(result.findings)["shots_not_blended"].value == 24


def test_only_shots_that_are_alone_stay_as_recorded() -> None:
    shots = near_simultaneous(2, 12)
    late = shots_at([np.array([16.001])])
    both = make_shots(
        np.append(shots.source, 1),
        np.append(shots.shot_point, 99),
        np.append(shots.fire_time_ns, late.fire_time_ns),
        "utc",
    )
    recording, truth = blended(both)
    result = deblend.separate(recording, both, length_s=LENGTH_S, method="fk", iterations=3)
    assert metrics(result.findings)["shots_not_blended"].value == 1
    np.testing.assert_allclose(result.estimate.values[-1], truth[-1], atol=3e-6)
    assert np.abs(result.estimate.values[:-1] - truth[:-1]).max() > 1e-2
    record = recording.read([0, 1], 0, recording.shape[1])
    again = operator_of(both).blend(result.estimate.values) + result.residual.values
    np.testing.assert_allclose(again, record, atol=2e-5)


def test_a_gap_in_a_shot_that_is_alone_is_left_to_the_method() -> None:
    first = 0.5 + 1.0 * np.arange(12)
    shots = shots_at([first])
    recording, truth = blended(shots)
    samples = recording.read([0, 1], 0, recording.shape[1])
    hole = slice(125 + 5 * 250 + 40, 125 + 5 * 250 + 60)
    samples[0, hole] = np.nan
    result = deblend.separate(
        recording_of(samples), shots, length_s=LENGTH_S, method="fk", iterations=20
    )
    np.testing.assert_allclose(result.estimate.values[5, 1], truth[5, 1], atol=3e-6)
    filled, true = result.estimate.values[5, 0, 40:60], truth[5, 0, 40:60]
    assert np.sum((filled - true) ** 2) < 0.5 * np.sum(true**2)


@settings(derandomize=True, max_examples=25, deadline=None)
@given(
    st.lists(st.floats(0.0, 6.0), min_size=1, max_size=8, unique=True),
    st.lists(st.booleans(), min_size=8, max_size=8),
)
def test_alone_means_that_no_padded_window_meets_another(
    times_s: list[float], live: list[bool]
) -> None:
    shots = shots_at([np.array([time]) for time in times_s])
    shots = shots.with_flags(live=np.array(live[: len(shots)]))
    operator = operator_of(shots)
    windows = [(int(a), int(a) + operator.padded_length) for a in operator.first_sample]
    expected = [
        shots.live[i]
        and windows[i][0] >= 0
        and windows[i][1] <= operator.sample_count
        and not any(
            shots.live[j] and windows[j][0] < windows[i][1] and windows[i][0] < windows[j][1]
            for j in range(len(windows))
            if j != i
        )
        for i in range(len(windows))
    ]
    assert unblended_shots(operator).tolist() == expected


class Wrong(FkThreshold):
    """A plug-in with one fault in what it returns."""

    def __init__(self, fault: str) -> None:
        super().__init__(patch=(8, 1, 16))
        object.__setattr__(self, "fault", fault)

    def largest(self, batch: PatchBatch) -> float:
        return np.nan if self.fault == "largest" else super().largest(batch)

    def keep(self, batch: PatchBatch, strictness: float, reference: float) -> Any:
        kept = super().keep(batch, strictness, reference)
        if self.fault == "shape":
            return kept[..., :-1]
        if self.fault == "nothing":
            return None
        if self.fault == "nan":
            kept[0, 0, 0, 0, 0] = np.nan
        return kept


@pytest.mark.parametrize(
    ("fault", "message"),
    [
        ("shape", r"returned shape .*, 15\) for patches of shape .*, 16\)"),
        ("nothing", "returned NoneType"),
        ("nan", "not finite"),
        ("largest", "gives nan as its largest coefficient"),
    ],
)
@pytest.mark.parametrize("iterations", [1, 3])
def test_a_method_that_breaks_its_contract_is_named(
    fault: str, message: str, iterations: int
) -> None:
    shots = near_simultaneous(2, 12)
    recording, _ = blended(shots)
    with pytest.raises(SeparationError, match=message):
        deblend.separate(
            recording, shots, length_s=LENGTH_S, method=Wrong(fault), iterations=iterations
        )


def test_a_record_that_is_a_bare_array():
    shots = shots_at([np.array([1.0, 3.0])])
    with pytest.raises(InputError, match="ndarray"):
        prepare(np.zeros((2, 1000), np.float32), shots, length_s=LENGTH_S)  # type: ignore[arg-type]


def test_shots_of_another_hour_are_held_against_the_span_of_the_record():
    shots = shots_at([np.array([3601.0, 3603.0])])
    recording = deblend.Recording(
        np.zeros((2, 1000), np.float32),
        interval_s=0.004,
        start="1970-01-01T00:00:00",
        time_scale="utc",
    )
    with pytest.raises(InputError, match=r"01:00:01.*01:00:03.*00:00:00.*00:00:03\.996"):
        prepare(recording, shots, length_s=LENGTH_S)


def test_more_bad_channels_than_good_ones_are_a_failure_that_spares_the_good_ones() -> None:
    shots, bad, good = near_simultaneous(2, 20), [0, 2, 3, 5, 7], [1, 4, 6]
    recording, truth = blended(shots, 8)
    record = recording.read(range(8), 0, recording.shape[1]).copy()
    noise = np.random.default_rng(3).standard_normal((len(bad), record.shape[1]))
    record[bad] += (5 * record.std() * noise).astype(np.float32)
    error_db = {}
    for robust in (False, True):
        result = deblend.separate(
            recording_of(record), shots, length_s=LENGTH_S, iterations=12, robust=robust
        )
        error = result.estimate.values[:, good] - truth[:, good]
        error_db[robust] = 10 * np.log10(np.sum(error**2) / np.sum(truth[:, good] ** 2))
    told = metrics(result.findings)["bad_channels"]
    assert (told.value, told.verdict) == (62.5, "fail")
    assert "shot_fitted_less" not in metrics(result.findings)
    assert error_db[True] < error_db[False] - 10


def test_six_iterations_are_enough_for_weights() -> None:
    line = build_line(scene_design("swell-and-spikes", Extent(12, 8, 0.8)), 0)

    def score(robust: bool) -> float:
        done = deblend.separate(
            line.recording, line.shots, length_s=line.length_s, iterations=6, method="fk",
            robust=robust,
        )  # fmt: skip
        error = done.estimate.values - line.gathers
        return 10 * np.log10(np.sum(np.square(line.gathers)) / np.sum(np.square(error)))

    assert score(robust=True) > score(robust=False) + 3
