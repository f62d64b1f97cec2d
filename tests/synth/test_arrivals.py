import numpy as np
import pytest

from deblend.errors import InputError
from deblend.synth.arrivals import Decay, Diffractor, DiffractorCloud, DirectArrival

SOURCE = np.array([[0.0, -40.0, 6.0], [25.0, -40.0, 6.0]])
RECEIVER = np.array([[[-150.0, 0.0, 8.0], [-162.5, 3.0, 8.0], [-175.0, 6.0, 8.0]]] * 2)


def test_direct_arrival_is_distance_over_velocity() -> None:
    (arrival,) = DirectArrival(velocity_m_s=1500.0).arrivals(SOURCE, RECEIVER)
    assert arrival.time_s.shape == (2, 3)
    # By hand: sqrt(150^2 + 40^2 + 2^2) m.
    assert arrival.time_s[0, 0] == pytest.approx(np.sqrt(22500 + 1600 + 4) / 1500, rel=1e-12)


def test_point_diffractor_in_closed_form() -> None:
    # Double square root: by hand with a 3-4-5 and a 5-12-13 triangle.
    point = Diffractor(300.0, 0.0, 406.0, 1.0, 1500.0)
    source = np.array([[0.0, 0.0, 6.0]])
    receiver = np.array([[[300.0 - 960.0, 0.0, 6.0]]])
    (arrival,) = point.arrivals(source, receiver)
    assert arrival.time_s[0, 0] == pytest.approx((500.0 + 1040.0) / 1500.0, rel=1e-12)
    assert arrival.strength[0, 0] == pytest.approx(406.0**2 / (500.0 * 1040.0))


def test_diffractor_off_the_line_is_later_for_the_source_on_the_far_side() -> None:
    point = Diffractor(0.0, 400.0, 500.0, 1.0, 1600.0)
    port, starboard = (
        next(iter(point.arrivals(np.array([[0.0, y, 6.0]]), RECEIVER[:1]))).time_s
        for y in (-50.0, 50.0)
    )
    assert (port > starboard).all()


def test_a_cloud_is_the_same_each_time_and_another_with_another_seed() -> None:
    def cloud(seed: int) -> DiffractorCloud:
        return DiffractorCloud(5, (0, 1000), (-500, 500), (100, 2000), 0.3, seed=seed)

    assert list(cloud(1).diffractors()) == list(cloud(1).diffractors())
    assert list(cloud(1).diffractors()) != list(cloud(2).diffractors())
    assert all(-500 <= point.crossline_m <= 500 for point in cloud(1).diffractors())
    assert len(list(cloud(1).arrivals(SOURCE, RECEIVER))) == 5


@pytest.mark.parametrize("loss_db", [40.0, 60.0, 100.0])
def test_decay_loses_what_it_says(loss_db: float) -> None:
    decay = Decay(loss_db, 0.1, 3.0)
    first, last, before = decay(np.array([0.1, 3.0, 0.02]))
    assert first == before == 1.0
    assert 20 * np.log10(last) == pytest.approx(-loss_db)
    assert (np.diff(decay(np.linspace(0.1, 4.0, 50))) < 0).all()


def test_decay_below_spherical_spreading_is_refused() -> None:
    # From 0.1 s to 3 s spreading alone takes 20 log10(30) = 29.5 dB.
    with pytest.raises(InputError, match=r"less than the 29\.5 dB"):
        Decay(20.0, 0.1, 3.0)


def test_decay_backwards_is_refused() -> None:
    with pytest.raises(InputError, match=r"from 3\.0 s to 0\.1 s"):
        Decay(60.0, 3.0, 0.1)
