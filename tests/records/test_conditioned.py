"""Low cut and clipped samples while reading."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import freqz

from deblend.blending.operator import make_operator
from deblend.errors import InputError
from deblend.model.recording import Recording
from deblend.model.shots import make_shots
from deblend.records.conditioned import condition, low_cut_taps

INTERVAL_S = 0.004


def record(samples: np.ndarray) -> Recording:
    return Recording(samples.astype(np.float32), interval_s=INTERVAL_S, start=0, time_scale="utc")


def everything(recording: Recording) -> np.ndarray:
    return recording.read(range(recording.shape[0]), 0, recording.shape[1])


def test_response() -> None:
    taps = low_cut_taps(4.0, INTERVAL_S)
    _, response = freqz(taps, worN=[0.5, 4.0, 8.0, 60.0], fs=1 / INTERVAL_S)
    size = np.abs(response)
    assert size[0] < 0.01
    assert size[1] == pytest.approx(0.5, abs=0.02)
    assert np.allclose(size[2:], 1.0, atol=0.01)
    assert np.array_equal(taps, taps[::-1])


def test_reading_in_pieces_is_reading_at_once() -> None:
    random = np.random.default_rng(2)
    cut = condition(record(random.standard_normal((3, 2000))), low_cut_hz=3.0)
    whole = everything(cut)
    pieces = np.concatenate([cut.read([0, 1, 2], k, k + 250) for k in range(0, 2000, 250)], axis=1)
    np.testing.assert_allclose(pieces, whole, atol=1e-5)
    assert [finding.metric for finding in cut.findings] == ["low_cut"]


def test_low_cut_commutes_with_blending() -> None:
    random = np.random.default_rng(3)
    half = len(low_cut_taps(5.0, INTERVAL_S)) // 2
    gathers = np.zeros((6, 2, 600))
    gathers[..., half:-half] = random.standard_normal((6, 2, 600 - 2 * half))
    fire = np.cumsum(random.integers(200_000_000, 900_000_000, 6)) // 4_000_000 * 4_000_000
    shots = make_shots(np.ones(6, int), np.arange(6), fire, "utc")
    operator = make_operator(
        shots, start_ns=0, interval_ns=4_000_000, sample_count=3000, length=600, dtype=np.float64
    )
    blended_first = everything(condition(record(operator.blend(gathers)), low_cut_hz=5.0))
    cut = np.stack([everything(condition(record(part), low_cut_hz=5.0)) for part in gathers])
    np.testing.assert_allclose(blended_first, operator.blend(cut.astype(float)), atol=2e-5)


def test_gaps_grow_by_half_the_filter() -> None:
    samples = np.ones((1, 3000))
    samples[0, 1000:1010] = np.nan
    half = len(low_cut_taps(4.0, INTERVAL_S)) // 2
    unknown = np.flatnonzero(np.isnan(everything(condition(record(samples), low_cut_hz=4.0))[0]))
    assert (unknown[0], unknown[-1]) == (1000 - half, 1009 + half)


def test_clipped_samples_are_unknown() -> None:
    samples = np.array([[0.0, 5.0, -5.0, 4.9, np.inf, np.nan]])
    clipped = condition(record(samples), clip_level=5.0)
    assert np.isnan(everything(clipped)[0]).tolist() == [False, True, True, False, True, True]
    assert [finding.metric for finding in clipped.findings] == ["clip_level"]


def test_nothing_asked_nothing_changed() -> None:
    recording = record(np.ones((1, 10)))
    np.testing.assert_array_equal(everything(condition(recording)), everything(recording))
    assert condition(recording).findings == ()


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"low_cut_hz": 0.0}, "low_cut_hz is 0.0"),
        ({"low_cut_hz": 125.0}, "leaves nothing below Nyquist, 125 Hz"),
        ({"clip_level": float("nan")}, "clip_level is nan"),
    ],
)
def test_refusals(options: dict[str, float], message: str) -> None:
    with pytest.raises(InputError, match=message):
        condition(record(np.ones((1, 10))), **options)


def test_flat_tops_are_unknown_without_a_level() -> None:
    wave = np.sin(np.arange(4000) * 0.05)[None, :] * np.linspace(0.5, 1.5, 4000)
    clipped = np.clip(wave, -1.0, 1.0)
    seen = everything(condition(record(clipped)))
    np.testing.assert_array_equal(np.isnan(seen), np.abs(clipped) >= 1.0 - 1e-4)
    pieces = [condition(record(clipped)).read([0], k, k + 400) for k in range(0, 4000, 400)]
    np.testing.assert_array_equal(np.concatenate(pieces, axis=1), seen)
    # The same wave unclipped, a quiet trace, a constant and two's complement below zero.
    assert np.isfinite(everything(condition(record(wave)))).all()
    counts = np.clip(np.rint(wave * 32768.0), -32768.0, 32767.0)
    both = np.isnan(everything(condition(record(counts))))
    assert both[0, counts[0] == 32767.0].all()
    assert both[0, counts[0] == -32768.0].all()
    assert np.isfinite(everything(condition(record(np.zeros((1, 50)))))).all()
