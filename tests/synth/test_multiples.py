import numpy as np
import pytest
from synth_positions import one_arrival, spread

from deblend.errors import InputError
from deblend.synth.multiples import GuidedWaves, Multiple
from deblend.synth.reflectors import Reflector, Surface


def test_water_bottom_multiples_of_a_flat_bottom() -> None:
    # Image source: order n runs like a primary from n + 1 times the depth.
    source, receiver = spread()
    source[:, 2], receiver[..., 2] = 0.0, 0.0
    bottom = Reflector(Surface(120.0), 0.4, 1500.0)
    offset = np.linalg.norm(receiver - source[:, None, :], axis=2)
    for order in (1, 2, 3):
        (arrival,) = Multiple((bottom,) * (order + 1)).arrivals(source, receiver)
        expected = np.hypot(offset, 2 * (order + 1) * 120.0) / 1500.0
        np.testing.assert_allclose(arrival.time_s, expected, rtol=1e-12)
        assert arrival.strength[0, 0] == pytest.approx(0.4 ** (order + 1) * (-1) ** order)


def test_multiple_of_a_dipping_bottom_has_twice_its_dip() -> None:
    # Closed form: the first multiple of a plane of dip d is the primary of a plane of dip 2 d
    # through the same line of outcrop. Source and receiver at the surface, dip inline.
    dip = np.radians(6.0)
    source, receiver = spread(1)
    source[:, 2], receiver[..., 2] = 0.0, 0.0
    depth = 200.0
    bottom = Reflector(Surface(depth, np.tan(dip), 0.0), 1.0, 1500.0)
    outcrop = -depth / np.tan(dip)
    doubled = Surface(-outcrop * np.tan(2 * dip), np.tan(2 * dip), 0.0)
    (arrival,) = Multiple((bottom, bottom)).arrivals(source, receiver)
    expected = one_arrival(Reflector(doubled, 1.0, 1500.0), source, receiver)
    np.testing.assert_allclose(arrival.time_s, expected, rtol=1e-9)


def test_peg_leg_time_at_zero_offset_is_the_sum() -> None:
    end = np.zeros((1, 3))
    bottom, deep = Reflector(Surface(150.0), 0.3, 1500.0), Reflector(Surface(1000.0), 0.5, 1500.0)
    (arrival,) = Multiple((bottom, deep)).arrivals(end, end[:, None, :])
    assert arrival.time_s[0, 0] == pytest.approx(0.2 + 2000.0 / 1500.0)
    assert arrival.strength[0, 0] == pytest.approx(-0.15)


def test_velocity_of_the_whole_way_is_a_root_mean_square() -> None:
    # Both legs 1 s: v^2 = (1500^2 + 2500^2) / 2 (Dix's definition).
    legs = Reflector(Surface(750.0), 1.0, 1500.0), Reflector(Surface(1250.0), 1.0, 2500.0)
    assert Multiple(legs).velocity_m_s == pytest.approx(np.sqrt((1500**2 + 2500**2) / 2))


def test_one_bounce_is_no_multiple() -> None:
    with pytest.raises(InputError, match=r"a multiple with 1 bounce"):
        Multiple((Reflector(Surface(100.0), 1.0, 1500.0),))


def guided_trace(guided: GuidedWaves, range_m: float) -> tuple[np.ndarray, np.ndarray]:
    frequency = np.fft.rfftfreq(4096, 0.004)
    spectrum = np.zeros((1, len(frequency)), dtype=complex)
    guided.add_spectrum(spectrum, frequency, np.array([range_m]), np.ones(1))
    return frequency, spectrum[0]


def test_guided_waves_do_not_exist_below_cutoff() -> None:
    # Pressure-release surface over a rigid bottom (textbook normal modes): f_n = (n - 1/2) c / 2 H.
    guided = GuidedWaves(75.0, 1.0, modes=1)
    assert guided.cutoff_hz() == pytest.approx([5.0])
    frequency, spectrum = guided_trace(guided, 500.0)
    assert np.all(spectrum[frequency <= 5.0] == 0)
    assert np.abs(spectrum[frequency > 20.0]).min() > 0


@pytest.mark.parametrize("centre_hz", [8.0, 12.0, 30.0])
def test_guided_wave_groups_travel_with_the_group_velocity(centre_hz: float) -> None:
    guided = GuidedWaves(75.0, 1.0, modes=1, leak_s=10.0)
    frequency, spectrum = guided_trace(guided, 1500.0)
    band = np.exp(-0.5 * ((frequency - centre_hz) / 0.5) ** 2)
    analytic = np.fft.ifft(np.pad(spectrum * band, (0, 4096 - len(frequency))))
    arrival_s = np.argmax(np.abs(analytic)) * 0.004
    # A mode between a free surface and a hard bottom: v sqrt(1 - (cutoff / frequency)^2).
    slower = np.sqrt(1.0 - (guided.cutoff_hz()[0] / centre_hz) ** 2)
    expected_s = 1500.0 / (guided.velocity_m_s * slower)
    assert arrival_s == pytest.approx(expected_s, abs=0.02)
