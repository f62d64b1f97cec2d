import numpy as np
import pytest
from synth_positions import one_arrival, spread

from deblend.synth.reflectors import (
    Fault,
    Reflector,
    Surface,
    _path_derivatives,
    edge_time_s,
    specular_point,
)


def test_one_flat_layer() -> None:
    # t^2 = (h^2 + (2 z - zs - zr)^2) / v^2, the hyperbola of one layer.
    source, receiver = spread()
    time = one_arrival(Reflector(Surface(700.0), 1.0, 1800.0), source, receiver)
    half = np.hypot(receiver[..., 0] - source[:, None, 0], receiver[..., 1] - source[:, None, 1])
    np.testing.assert_allclose(time, np.hypot(half, 1400.0 - 15.0) / 1800.0, rtol=1e-12)


@pytest.mark.parametrize(("a", "b"), [(0.2, 0.0), (0.0, -0.3), (-0.15, 0.25)])
def test_dipping_plane_against_its_image_source(a: float, b: float) -> None:
    source, receiver = spread(1)
    time = one_arrival(Reflector(Surface(900.0, a, b), 1.0, 2000.0), source, receiver)
    # Plane a x + b y - z + 900 = 0: mirror the source in it.
    normal = np.array([a, b, -1.0])
    height = (source @ normal + 900.0) / (normal @ normal)
    image = source - 2.0 * height[:, None] * normal
    distance = np.linalg.norm(receiver - image[:, None, :], axis=2)
    np.testing.assert_allclose(time, distance / 2000.0, rtol=1e-12)


def test_zero_offset_sees_the_perpendicular_distance() -> None:
    # Dip 20 degrees, closed form: t0 = 2 z cos(dip) / v.
    dip = np.radians(20.0)
    end = np.zeros((1, 3))
    surface = Surface(1000.0, np.tan(dip), 0.0)
    time = one_arrival(Reflector(surface, 1.0, 2000.0), end, end[:, None, :])
    assert time[0, 0] == pytest.approx(np.cos(dip), rel=1e-12)


def test_path_over_a_curved_surface_is_stationary_and_short() -> None:
    source, receiver = spread(2)
    surface = Surface(900.0, 0.05, -0.1, 25.0, 1200.0, 35.0, 70.0)
    start = np.broadcast_to(source[:, None, :], receiver.shape)
    x, y = specular_point(surface, start, receiver)
    slope_x, slope_y, hxx, hyy, hxy = _path_derivatives(surface, start, receiver, x, y)
    assert np.abs(slope_x).max() < 1e-10
    assert np.abs(slope_y).max() < 1e-10
    assert (hxx * hyy - hxy**2 > 0).all()
    # Any point nearby makes the path longer.
    random = np.random.default_rng(3)

    def length(px: np.ndarray, py: np.ndarray) -> np.ndarray:
        point = np.stack([px, py, surface.depth(px, py)], axis=-1)
        return np.linalg.norm(start - point, axis=2) + np.linalg.norm(receiver - point, axis=2)

    nearby = length(x + random.normal(0, 5, x.shape), y + random.normal(0, 5, x.shape))
    assert (nearby >= length(x, y)).all()


def test_derivatives_of_the_path_against_finite_differences() -> None:
    source, receiver = spread(4, 3, 4)
    surface = Surface(600.0, 0.1, 0.2, 30.0, 900.0, 20.0, 10.0)
    start = np.broadcast_to(source[:, None, :], receiver.shape)
    x, y = start[..., 0] + 13.0, start[..., 1] - 21.0
    derivatives = _path_derivatives(surface, start, receiver, x, y)
    step = 1e-3
    ahead, behind = (_path_derivatives(surface, start, receiver, x + s, y) for s in (step, -step))
    np.testing.assert_allclose(
        derivatives[2], (ahead[0] - behind[0]) / (2 * step), rtol=1e-5, atol=1e-9
    )
    np.testing.assert_allclose(
        derivatives[4], (ahead[1] - behind[1]) / (2 * step), rtol=1e-5, atol=1e-9
    )


def test_edge_diffraction_time_against_a_search_along_the_edge() -> None:
    source, receiver = spread(5, 4, 5)
    surface, fault = Surface(800.0, 0.1, -0.2), Fault(300.0, 30.0, 25.0)
    start = np.broadcast_to(source[:, None, :], receiver.shape)
    time = edge_time_s(surface, fault, start, receiver, 2000.0)
    along = np.linspace(-2000.0, 2000.0, 80_001)
    ux, uy = fault.along()
    x, y = 300.0 + ux * along, uy * along
    edge = np.stack([x, y, surface.depth(x, y)], axis=1)
    for shot, channel in [(0, 0), (1, 4), (3, 2)]:
        legs = np.linalg.norm(edge - source[shot], axis=1)
        legs += np.linalg.norm(edge - receiver[shot, channel], axis=1)
        assert time[shot, channel] == pytest.approx(legs.min() / 2000.0, rel=1e-8)


def test_amplitude_across_a_fault_is_continuous() -> None:
    source, receiver = spread(6, 400, 1)
    fault = Fault(300.0, 40.0, 10.0)
    reflector = Reflector(Surface(800.0), 1.0, 2000.0, (fault,))
    upper = list(reflector.arrivals(source, receiver))[:2]  # edge and reflection of one segment
    total = sum(arrival.strength[:, 0] for arrival in upper)
    assert np.abs(np.diff(total)).max() < 0.06
    assert total[0] == pytest.approx(1.0, abs=0.15)
    assert total[-1] == pytest.approx(0.0, abs=0.15)
    lit = upper[1].strength[:, 0] > 0
    switch = np.flatnonzero(np.diff(lit.astype(int)))
    assert len(switch) == 1
    assert total[switch[0]] == pytest.approx(0.5, abs=0.05)
    # At the shadow boundary diffraction and reflection arrive together.
    late = upper[0].time_s - upper[1].time_s
    assert (late[:, 0] > -1e-9).all()
    assert late[switch[0], 0] < 1e-4


def test_beyond_the_fault_the_reflector_is_deeper_by_its_throw() -> None:
    end = np.array([[5000.0, 0.0, 0.0]])
    reflector = Reflector(Surface(800.0), 1.0, 2000.0, (Fault(300.0, 40.0),))
    arrivals = list(reflector.arrivals(end, end[:, None, :]))
    lit = [a for a in arrivals if abs(a.strength[0, 0]) > 0.9]
    assert len(lit) == 1
    assert lit[0].time_s[0, 0] == pytest.approx(0.84)
