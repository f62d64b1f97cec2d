from dataclasses import replace

import numpy as np
import pytest
from scipy.special import hankel2

from deblend.errors import InputError
from deblend.synth import wave_kernels
from deblend.synth.finite_differences import WaveGrid, Wavelet, record_shot
from deblend.synth.signature import Signature
from deblend.synth.wave_earth import FastBody, WaveEarth, radiated
from deblend.synth.wave_kernels import HALO, Field

INTERVAL_S, SAMPLES = 0.004, 300


def ricker(frequency_hz, middle_hz=15.0):
    part = frequency_hz / middle_hz
    return 2 / np.sqrt(np.pi) / middle_hz * part**2 * np.exp(-(part**2)) + 0j


RICKER = Wavelet(ricker, 50.0)


def shot(grid, source_m, receiver_m, wavelet=RICKER):
    return record_shot(
        grid,
        wavelet,
        source_m,
        np.array(receiver_m, dtype=float),
        interval_s=INTERVAL_S,
        sample_count=SAMPLES,
    ).astype(np.float64)


def water(rows=160, columns=260, absorbing=35):
    return WaveGrid(np.full((rows, columns), 1500, np.float32), 10.0, -500.0, absorbing)


def test_open_water_gives_the_analytic_green_function() -> None:
    # Outgoing solution of (laplacian + k^2) G = -delta in two dimensions, exp(+i w t):
    # G = -i/4 H0^(2)(k r), less that of the mirror source (Morse & Feshbach 1953, from memory).
    source = 3.3, 62.7
    receivers = [(403.1, 8.0), (213.4, 411.2), (901.7, 333.3), (1200.0, 900.0)]
    found = shot(water(), source, receivers)
    frequency = np.fft.rfftfreq(4096, INTERVAL_S)
    wavenumber = 2 * np.pi * frequency[1:] / 1500
    for trace, (inline, depth) in zip(found, receivers, strict=True):
        green = np.zeros(len(frequency), complex)
        for sign in (1, -1):
            distance = np.hypot(inline - source[0], depth - sign * source[1])
            green[1:] += sign * -0.25j * hankel2(0, wavenumber * distance)
        wanted = np.fft.irfft(green * RICKER(frequency), 4096)[:SAMPLES] / INTERVAL_S
        assert np.linalg.norm(trace - wanted) < 0.02 * np.linalg.norm(wanted)


def earth() -> WaveEarth:
    return WaveEarth((-200.0, 500.0), 900.0, FastBody(200.0, 400.0), seed=3)


def test_source_and_receiver_can_change_places() -> None:
    grid = earth().slice(0.0)
    there, here = (-130.0, 8.3), (411.0, 333.0)
    forth, back = shot(grid, there, [here]), shot(grid, here, [there])
    assert np.linalg.norm(forth) > 0
    assert np.linalg.norm(forth - back) < 1e-3 * np.linalg.norm(forth)
    moved = shot(grid, there, [(here[0] + 10.0, here[1])])
    assert np.linalg.norm(forth - moved) > 0.1 * np.linalg.norm(forth)


def test_little_comes_back_from_the_edges() -> None:
    source, receiver = (0.0, 60.0), [(300.0, 8.0), (200.0, 300.0)]
    small = WaveGrid(np.full((80, 160), 1500, np.float32), 10.0, -500.0, 28)
    large = WaveGrid(np.full((250, 500), 1500, np.float32), 10.0, -2200.0, 28)
    near, far = shot(small, source, receiver), shot(large, source, receiver)
    assert np.abs(near - far).max() < 10 ** (-36 / 20) * np.abs(far).max()


def wave_step_array(new: Field, now: Field, courant: Field, fade: Field) -> None:
    """One time step in NumPy, against which the compiled one is held."""
    inside = slice(HALO, -HALO)
    middle, *weights = (np.float32(weight) for weight in wave_kernels.SECOND_DERIVATIVE)
    laplacian = np.float32(2) * middle * now[inside, inside]
    for k, weight in enumerate(weights, start=1):
        far = slice(HALO + k, now.shape[0] - HALO + k), slice(HALO - k, now.shape[0] - HALO - k)
        side = slice(HALO + k, now.shape[1] - HALO + k), slice(HALO - k, now.shape[1] - HALO - k)
        laplacian = laplacian + weight * sum(now[rows, inside] for rows in far)
        laplacian = laplacian + weight * sum(now[inside, columns] for columns in side)
    keep = fade[inside, inside]
    following = np.float32(2) * now[inside, inside] + courant[inside, inside] * laplacian
    new[inside, inside] = keep * (following - keep * new[inside, inside])
    new[HALO] = 0
    new[:HALO] = -new[2 * HALO : HALO : -1]


def test_compiled_and_array_steps_agree() -> None:
    random = np.random.default_rng(5)
    shape = (30, 41)
    new, now = (random.standard_normal(shape).astype(np.float32) for _ in range(2))
    courant, fade = (random.uniform(0.1, 0.9, shape).astype(np.float32) for _ in range(2))
    wave_kernels.mirror(now)
    other = new.copy()
    wave_kernels.wave_step(new, now, courant, fade)
    wave_step_array(other, now, courant, fade)
    inside = np.s_[:-HALO, HALO:-HALO]
    np.testing.assert_allclose(new[inside], other[inside], rtol=1e-4, atol=1e-4)


def test_largest_courant_number_is_that_of_the_scheme() -> None:
    # Order 8 in two dimensions: 2 / sqrt(2 * 6.501) (von Neumann analysis at the shortest waves).
    assert pytest.approx(0.5546, abs=2e-4) == wave_kernels.LARGEST_COURANT


def test_the_signature_arrives_as_stated_in_open_water() -> None:
    # 100 m away, deep enough that the sea surface answers later.
    signature = Signature(
        4.0, 18.0, 40.0, 6.0, surface_coefficient=0.0, primary_to_bubble=np.inf, gain=2.0
    )
    wavelet = Wavelet(lambda f: radiated(signature, INTERVAL_S, f), signature.stop_hz)
    grid = WaveGrid(np.full((170, 170), 1500, np.float32), 10.0, -800.0, 35)
    (trace,) = shot(grid, (0.0, 800.0), [(100.0, 800.0)], wavelet)
    early = trace[: round(0.5 / INTERVAL_S)]
    assert np.abs(early).max() == pytest.approx(2.0, rel=0.08)
    assert abs(np.argmax(early) * INTERVAL_S - 100 / 1500) < 0.006


def test_slices_of_neighbouring_sources_are_alike_and_not_the_same() -> None:
    one, near, far = (earth().slice(y).velocity_m_s for y in (0.0, 15.0, 150.0))
    assert 0 < np.std(near - one) < np.std(far - one)
    assert one.max() == pytest.approx(earth().body.velocity_m_s, rel=0.2)
    assert np.array_equal(one, earth().slice(0.0).velocity_m_s)
    assert not np.array_equal(one, replace(earth(), seed=4).slice(0.0).velocity_m_s)


def test_a_position_in_the_absorbing_edge_is_refused() -> None:
    with pytest.raises(InputError, match=r"position at -480 m inline and 8 m depth lies outside"):
        shot(water(), (-480.0, 8.0), [(0.0, 8.0)])


def test_velocities_that_make_no_sense_are_refused() -> None:
    velocity = np.full((100, 100), 1500, np.float32)
    velocity[3, 3] = np.nan
    with pytest.raises(InputError, match="velocities that are not positive numbers"):
        WaveGrid(velocity, 10.0)


def test_a_slice_without_room_is_refused() -> None:
    with pytest.raises(InputError, match=r"a grid of shape \(40, 40\) has no room"):
        WaveGrid(np.full((40, 40), 1500, np.float32), 10.0)


def test_a_step_that_would_blow_up_is_refused() -> None:
    with pytest.raises(InputError, match=r"a step of 4 ms is too long for 1500 m/s"):
        water().courant(0.004)
