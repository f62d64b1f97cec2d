import numpy as np
import pytest

from deblend.errors import InputError
from deblend.model.geometry import towed_geometry
from deblend.synth.acquisition import Acquisition, Streamer, TowedSource, true_shots
from deblend.synth.firing import Dither, Firing, Trouble


def acquisition(feather_deg: float = 0.0, heading_deg: float = 90.0, **rest) -> Acquisition:
    return Acquisition(
        sources=(TowedSource(-25.0), TowedSource(25.0, inline_m=4.0)),
        streamer=Streamer(12, 12.5, 150.0, 8.0, crossline_m=10.0, feather_deg=feather_deg),
        firing=Firing("near-simultaneous", 6.0, 20, Dither(0.3)),
        heading_deg=heading_deg,
        origin_x_m=400_000.0,
        origin_y_m=6_000_000.0,
        **rest,
    )


def test_table_is_in_time_order_and_positions_hold_at_the_fire_time() -> None:
    plan = true_shots(acquisition(), 0)
    assert (np.diff(plan.shots.fire_time_ns) >= 0).all()
    assert plan.shots.shot_point.tolist() == list(range(1001, 1041))
    # Heading east: x grows with the speed (2.25 m/s), the dither moves the shot with it.
    seconds = (plan.shots.fire_time_ns - acquisition().start_ns) * 1e-9
    ahead = np.where(plan.shots.source == 2, 4.0, 0.0)
    np.testing.assert_allclose(plan.shots.x_m - 400_000.0, 2.25 * seconds + ahead, atol=1e-6)
    north = 6_000_000.0 - plan.shots.y_m  # starboard of a ship heading east is south
    np.testing.assert_allclose(north, np.where(plan.shots.source == 1, -25.0, 25.0), atol=1e-6)


@pytest.mark.parametrize("heading_deg", [0.0, 90.0, 213.0])
def test_geometry_agrees_with_the_towed_geometry_of_the_model(heading_deg: float) -> None:
    # An independent path: the model fits the track to the table. Its streamer keeps the nominal
    # inline distance to each source, so compare source 1, which has no inline shift.
    given = acquisition(heading_deg=heading_deg)
    plan = true_shots(given, 0)
    one = plan.shots.rows_of(1)
    nominal = towed_geometry(
        plan.shots.take(one),
        12,
        nearest_offset_m=150.0,
        group_interval_m=12.5,
        streamer_depth_m=8.0,
        crossline_m=10.0 + 25.0,
    )
    np.testing.assert_allclose(plan.geometry.offset_m[one], nominal.offset_m, atol=1e-3)
    np.testing.assert_allclose(plan.geometry.receiver_x_m[one], nominal.receiver_x_m, atol=1e-3)
    np.testing.assert_allclose(plan.geometry.receiver_y_m[one], nominal.receiver_y_m, atol=1e-3)
    assert plan.geometry.receiver_depth_m.tolist() == [8.0] * 12


def test_feathering_turns_the_streamer_to_starboard() -> None:
    # By hand: 12.5 m groups at 5 degrees.
    behind = Streamer(3, 12.5, 150.0, 8.0, feather_deg=5.0).behind_m()
    np.testing.assert_allclose(np.diff(behind[:, 0]), -12.5 * np.cos(np.radians(5)))
    np.testing.assert_allclose(np.diff(behind[:, 1]), 12.5 * np.sin(np.radians(5)))


def test_timing_errors_change_the_table_and_nothing_else() -> None:
    exact = true_shots(acquisition(), 0)
    wrong = true_shots(acquisition(trouble=Trouble(misfires=2, timing_error_rms_s=0.0005)), 0)
    assert np.array_equal(wrong.true_fire_time_ns, exact.shots.fire_time_ns)
    assert (wrong.shots.fire_time_ns != exact.shots.fire_time_ns).all()
    assert np.array_equal(wrong.source_m, exact.source_m)
    assert np.count_nonzero(~wrong.shots.live) == 2


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Streamer(0), "a streamer of 0 channels"),
        (lambda: Streamer(4, group_interval_m=0.0), r"every 0\.0 m"),
        (lambda: Streamer(4, depth_m=-1.0), r"at -1\.0 m depth"),
        (lambda: Streamer(4, nearest_offset_m=-20.0), r"a nearest offset of -20\.0 m"),
        (lambda: Streamer(4, feather_deg=95.0), r"95\.0 degrees of feathering"),
        (lambda: Acquisition((), Streamer(4), Firing("random", 5.0, 3)), "0 sources"),
        (
            lambda: Acquisition((TowedSource(0.0),) * 7, Streamer(4), Firing("random", 5.0, 3)),
            "7 sources",
        ),
        (lambda: acquisition(speed_m_s=0.0), r"a speed of 0\.0 m/s"),
    ],
)
def test_impossible_acquisition_is_refused(make, message: str) -> None:
    with pytest.raises(InputError, match=message):
        make()
