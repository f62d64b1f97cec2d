"""Known events: what is added, what is read back, and the whole command on a small line."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from deblend.blending.operator import make_operator
from deblend.inject.event_design import design_events
from deblend.inject.event_response import measure_response, offset_classes, recovered
from deblend.inject.injected_events import EventGathers, Events, inject
from deblend.model.recording import Recording
from deblend.model.shots import Shots, make_shots

INTERVAL_NS = 4_000_000
SHOTS, CHANNELS, LENGTH = 40, 6, 300


def shots_of() -> Shots:
    random = np.random.default_rng(0)
    base = np.repeat(np.arange(SHOTS // 2), 2) * 10**9 + 500_000_000
    return make_shots(
        np.arange(SHOTS) % 2 + 1,
        np.arange(SHOTS),
        base + random.integers(0, 400_000_000, SHOTS),
        "utc",
        live=np.arange(SHOTS) != 7,
    )


def added_events(only: int | None = None) -> EventGathers:
    events = Events(
        time_s=np.array([0.3, 0.55, 0.8]),
        frequency_hz=np.array([16.0, 32.0, 16.0]),
        velocity_m_s=np.array([1600.0, 1900.0, 2100.0]),
        amplitude=np.array([[1.0, -0.5, 0.2], [0.7, 0.4, -0.3]]),
        phase=np.zeros((2, 3)),
    )
    offset = np.broadcast_to(-np.linspace(100, 500, CHANNELS), (SHOTS, CHANNELS))
    return EventGathers(events, shots_of(), offset, INTERVAL_NS * 1e-9, LENGTH, only)


def recording() -> Recording:
    samples = np.random.default_rng(1).standard_normal((CHANNELS, 250 * SHOTS)).astype(np.float32)
    samples[2, 1000:1100] = np.nan
    return Recording(samples, interval_s=0.004, start=0, time_scale="utc")


def blended(added: EventGathers) -> NDArray[np.float32]:
    operator = make_operator(
        added.shots,
        start_ns=0,
        interval_ns=INTERVAL_NS,
        sample_count=250 * SHOTS,
        length=LENGTH,
    )
    return operator.blend(added.gathers(np.arange(SHOTS), range(CHANNELS)))


def test_events_are_blended_in_at_the_fire_times() -> None:
    plain, added = recording(), added_events()
    whole = inject(plain, added).read(range(CHANNELS), 0, plain.shape[1])
    before = plain.read(range(CHANNELS), 0, plain.shape[1])
    np.testing.assert_allclose(whole, before + blended(added), atol=1e-5)
    assert np.isnan(whole[2, 1000:1100]).all()


def test_a_part_of_the_record_holds_the_same() -> None:
    injected = inject(recording(), added_events())
    whole = injected.read(range(CHANNELS), 0, injected.shape[1])
    part = injected.read([4, 1], 700, 1900)
    np.testing.assert_allclose(part, whole[[4, 1], 700:1900], atol=1e-5)
    assert injected.read([0], 5, 5).shape == (1, 0)


def test_one_source_only_and_no_misfires() -> None:
    gathers = added_events(only=1).gathers(np.arange(SHOTS), range(CHANNELS))
    assert not gathers[1::2].any()
    assert gathers[0].any()
    assert not added_events().gathers(np.array([7]), range(CHANNELS)).any()


def test_an_event_lies_on_its_hyperbola() -> None:
    added = added_events()
    wave, _ = added.parts(np.array([0]), range(CHANNELS))
    # The first shot of a source: no undulation yet. One layer: t^2 = t0^2 + x^2 / v^2.
    expected = np.sqrt(0.55**2 + (added.offset_m[0] / 1900.0) ** 2)
    peak = np.abs(wave[0, :, 1]).argmax(axis=-1) * 0.004
    np.testing.assert_allclose(peak, expected, atol=0.003)


def test_the_derivative_is_one() -> None:
    added = added_events()
    fine = replace(added, interval_s=0.0005, length=2400)
    wave, slope = fine.parts(np.array([4]), range(CHANNELS))
    np.testing.assert_allclose(
        np.gradient(wave, 0.0005, axis=-1), slope, atol=0.01 * np.abs(slope).max()
    )


@pytest.mark.parametrize(("part", "late_s"), [(1.0, 0.0), (0.6, 0.001), (0.9, -0.0015)])
def test_amplitude_and_time_are_read_back(part: float, late_s: float) -> None:
    added = added_events()
    rows = added.shots.rows_of(1)
    delay = np.exp(-2j * np.pi * np.fft.rfftfreq(LENGTH, 0.004) * late_s)
    spectrum = np.fft.rfft(added.gathers(rows, range(CHANNELS)))
    came_back = part * np.fft.irfft(spectrum * delay, LENGTH)
    noise = np.random.default_rng(2).standard_normal(came_back.shape)
    came_back = (came_back + 0.02 * noise).astype(np.float32)
    classes = offset_classes(added.offset_m)
    blocks = [
        measure_response(came_back[:, b.start : b.stop], added, rows, b, classes)
        for b in (range(0, 2), range(2, CHANNELS))
    ]
    for offsets in (None, 0, 2):
        for back in recovered(blocks[0] + blocks[1], offsets):
            assert back.amplitude == pytest.approx(part, abs=0.05)
            assert back.time_s == pytest.approx(late_s, abs=4e-4)
    assert classes.tolist() == [0, 0, 1, 1, 2, 2]


def test_what_did_not_come_back_has_no_time() -> None:
    added = added_events()
    rows = added.shots.rows_of(1)
    nothing = np.zeros((len(rows), CHANNELS, LENGTH), np.float32)
    response = measure_response(
        nothing, added, rows, range(CHANNELS), offset_classes(added.offset_m)
    )
    assert all(back.amplitude == 0 and np.isnan(back.time_s) for back in recovered(response))


def test_error_bars_hold_what_noise_does() -> None:
    added = added_events()
    rows = np.arange(0, SHOTS, 2).repeat(4)  # 80 rows, five groups
    clean = added.gathers(rows, range(CHANNELS))
    random = np.random.default_rng(3)
    classes = offset_classes(added.offset_m)
    amplitudes, errors = [], []
    for _ in range(8):
        noisy = (clean + 0.3 * random.standard_normal(clean.shape)).astype(np.float32)
        back = recovered(measure_response(noisy, added, rows, range(CHANNELS), classes))[2]
        amplitudes.append(back.amplitude)
        errors.append(back.amplitude_error)
    assert np.mean(errors) == pytest.approx(np.std(amplitudes, ddof=1), rel=0.7)


def test_design_follows_the_data() -> None:
    # One layer over a reflector at 0.5 s in every trace, 1800 m/s: semblance finds the velocity,
    # and events lie below the signal by the level asked for.
    offset = np.broadcast_to(np.linspace(50, 900, 24), (4, 24))
    time = np.arange(LENGTH) * 0.004
    arrivals = np.sqrt(
        np.array([0.4, 0.6, 0.8])[:, None, None, None] ** 2 + (offset / 1800.0)[..., None] ** 2
    )
    phase = (np.pi * 20.0 * (time - arrivals)) ** 2
    estimate = ((1 - 2 * phase) * np.exp(-phase)).sum(axis=0).astype(np.float32)
    number = np.array([0, 1, 0, 1])
    loud, quiet = (
        design_events(estimate, number, offset, 0.004, level_db=level, seed=1)
        for level in (-6.0, -26.0)
    )
    middle = (loud.time_s > 0.4) & (loud.time_s < 0.8)
    np.testing.assert_allclose(loud.velocity_m_s[middle], 1800.0, atol=100.0)
    np.testing.assert_allclose(quiet.amplitude, 0.1 * loud.amplitude, rtol=1e-6)
    assert loud.frequency_hz.max() <= 64.0
    assert np.isinf(
        design_events(estimate, number, None, 0.004, level_db=0, seed=1).velocity_m_s
    ).all()
