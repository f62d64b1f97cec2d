"""Moveout and semblance against closed forms."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from deblend.errors import InputError
from deblend.stack.moveout import flatten, semblance_panel
from deblend.stack.velocity import VelocityTable, read_velocities

INTERVAL_S = 0.004
LENGTH = 500


def pulse(time_s: NDArray[np.float64], frequency_hz: float = 25.0) -> NDArray[np.float64]:
    phase = (np.pi * frequency_hz * time_s) ** 2
    return (1 - 2 * phase) * np.exp(-phase)


def hyperbola(offset_m: NDArray[np.float64], zero_s: float, velocity_m_s: float) -> NDArray:
    """Reflection of one layer over a flat reflector: exact at any offset."""
    arrival = np.hypot(zero_s, offset_m / velocity_m_s)
    time = np.arange(LENGTH) * INTERVAL_S
    return pulse(time - arrival[:, None]).astype(np.float32)


def constant(velocity_m_s: float) -> NDArray[np.float64]:
    return np.full(LENGTH, velocity_m_s)


def test_one_layer_becomes_flat() -> None:
    offset = np.array([0.0, -300.0, 600.0, -1000.0])
    flat, kept = flatten(hyperbola(offset, 1.0, 2000.0), offset, constant(2000.0), INTERVAL_S)
    assert kept[:, 250].all()
    np.testing.assert_allclose(flat[:, 250], 1.0, atol=0.01)
    np.testing.assert_array_equal(flat[:, 240:260].argmax(axis=1), 10)


def test_zero_offset_is_left_alone() -> None:
    trace = np.random.default_rng(0).standard_normal((1, LENGTH))
    trace = np.apply_along_axis(np.convolve, 1, trace, np.hanning(9), "same").astype(np.float32)
    flat, kept = flatten(trace, np.zeros(1), constant(1500.0), INTERVAL_S)
    assert kept.all()
    np.testing.assert_allclose(flat[:, :-2], trace[:, :-2], atol=1e-4)


def test_stretch_mute_by_hand() -> None:
    # One velocity: dt0/dt = sqrt(t0^2 + x^2/v^2) / t0 = 1.3 where x / v = t0 sqrt(1.69 - 1).
    offset = np.array([1000.0])
    _, kept = flatten(np.ones((1, LENGTH), np.float32), offset, constant(2000.0), INTERVAL_S)
    expected = 0.5 / np.sqrt(1.3**2 - 1.0)
    assert np.flatnonzero(kept[0])[0] * INTERVAL_S == pytest.approx(expected, abs=2 * INTERVAL_S)
    assert np.flatnonzero(kept[0])[-1] * INTERVAL_S == pytest.approx(
        np.sqrt(1.996**2 - 0.25), abs=2 * INTERVAL_S
    )


def test_semblance_of_a_known_event() -> None:
    offset = np.linspace(0.0, 1200.0, 24)
    trial = np.arange(1500.0, 2600.0, 50.0)
    panel = semblance_panel(hyperbola(offset, 1.2, 2000.0), offset, trial, INTERVAL_S)
    best, at = np.unravel_index(np.argmax(panel[:, 280:320]), (len(trial), 40))
    assert trial[best] == pytest.approx(2000.0, abs=1.0)
    assert (280 + at) * INTERVAL_S == pytest.approx(1.2, abs=0.03)
    assert panel[best].max() == pytest.approx(1.0, abs=0.02)


def test_semblance_of_unrelated_traces_is_one_over_their_number() -> None:
    traces = np.random.default_rng(1).standard_normal((20, LENGTH)).astype(np.float32)
    panel = semblance_panel(traces, np.zeros(20), np.array([2000.0]), INTERVAL_S)
    assert panel[0, 50:-50].mean() == pytest.approx(1 / 20, rel=0.15)


def test_trial_velocities() -> None:
    with pytest.raises(InputError, match="trial velocity"):
        semblance_panel(np.ones((2, 10), np.float32), np.zeros(2), np.array([0.0]), INTERVAL_S)


def write(path: Path, *rows: str) -> Path:
    path.write_text("\n".join(("position_m,time_s,rms_velocity_m_s", *rows)) + "\n")
    return path


def test_velocities_between_knots(tmp_path: Path) -> None:
    path = write(tmp_path / "v.csv", "0,0,1500", "0,2,2500", "1000,0,1600", "1000,2,2600")
    path.write_text(path.read_text(), encoding="utf-8-sig")  # as some spreadsheets save it
    table = read_velocities(path)
    np.testing.assert_allclose(table.at(500.0, np.array([0.0, 1.0, 5.0])), [1550, 2050, 2550])
    np.testing.assert_allclose(table.at(-9e9, np.array([1.0])), [2000])


@pytest.mark.parametrize(
    ("rows", "match"),
    [
        (("0,1,1500", "0,0.5,1600"), r"v\.csv.*position 0 m: time goes from 1 to 0\.5 s"),
        (("0,1,1500", "0,1,1600"), "time goes from 1 to 1 s"),
        (("0,1,-3",), "velocity -3 m/s"),
        (("0,0,1.5", "0,2.4,2.3"), r"velocity 1\.5 m/s.* from 1000 to 12000 m/s"),
        (("0,0,1500", "0,2400,2300"), "time 2400 s.* from 0 to 60 s"),
        (("0,nan,1500",), "time nan s"),
        # 2500^2 x 1 > 2000^2 x 1.5: no layer in between can be crossed in negative time.
        (("0,1,2500", "0,1.5,2000"), "rms velocity falls from 2500 m/s at 1 s to 2000 m/s at 1.5"),
        (("0,one,1500",), "cannot be read"),
        ((), "do not rise"),
    ],
)
def test_velocities_that_cannot_be_used(tmp_path: Path, rows: tuple[str, ...], match: str) -> None:
    with pytest.raises(InputError, match=match):
        read_velocities(write(tmp_path / "v.csv", *rows))


def test_a_missing_column(tmp_path: Path) -> None:
    path = tmp_path / "v.csv"
    path.write_text("position_m,time_s\n0,1\n")
    with pytest.raises(InputError, match="column rms_velocity_m_s is missing"):
        read_velocities(path)


def test_a_table_that_misses_the_line() -> None:
    knots = np.array([0.0, 1.0]), np.array([1500.0, 1800.0])
    table = VelocityTable(np.array([0.0, 500.0]), (knots[0],) * 2, (knots[1],) * 2)
    table.check_covers(-400.0, 900.0)
    with pytest.raises(InputError, match="from 0 to 500 m and the line from 0 to 5000 m"):
        table.check_covers(0.0, 5000.0)
