"""Signatures against worked examples and closed forms.

Units after the SEG encyclopedic dictionary (primary-to-bubble ratio) and the SEG/AAPG wiki (source
strength in bar-m): 1 bar-m is 220 dB re 1 uPa.m. Ghost: textbook, 1 + R exp(-2 pi i f tau).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from deblend.errors import InputError
from deblend.plan.read_signatures import read_signature_text
from deblend.plan.signature import (
    FarField,
    against_reference,
    at_one_metre,
    likeness,
    measure,
    prepared,
    source_level_db,
    spectrum_db,
)


def made(
    primary: float = 25.0,
    bubble: float = 2.0,
    period_s: float = 0.09,
    depth_m: float = 6.0,
    interval_s: float = 0.0005,
) -> FarField:
    """Gaussian pulses with their surface ghosts: a primary and a bubble."""
    time = np.arange(800) * interval_s

    def pulse(at_s: float) -> np.ndarray:
        return np.exp(-0.5 * ((time - at_s) / 0.0006) ** 2)

    ghost_s = 2.0 * depth_m / 1500.0
    samples = sum(
        height * (pulse(at_s) - pulse(at_s + ghost_s))
        for height, at_s in ((primary, 0.02), (bubble, 0.02 + period_s))
    )
    return FarField(
        "made", np.asarray(samples), interval_s, "with source ghost", "none", 0.4, depth_m
    )


@pytest.mark.parametrize(
    ("bar_m", "level_db"), [(1, 220.0), (10, 240.0), (50, 254.0), (100, 260.0)]
)
def test_levels(bar_m: float, level_db: float) -> None:
    assert source_level_db(bar_m) == pytest.approx(level_db, abs=0.05)


def test_half_a_bar_at_a_hundred_metres_is_fifty_bar_metres() -> None:
    assert at_one_metre(np.array([0.5]), 100.0)[0] == 50.0


def test_peaks_and_bubble_of_known_pulses() -> None:
    found = measure(made())
    assert found.zero_to_peak == pytest.approx(25.0, rel=1e-3)
    assert found.peak_to_peak == pytest.approx(50.0, rel=1e-3)
    # primary 50 peak to peak over a bubble of 4: 12.5, as 50 over 2.5 is 20
    assert found.primary_to_bubble == pytest.approx(12.5, rel=1e-3)
    assert measure(made(bubble=1.25)).primary_to_bubble == pytest.approx(20.0, rel=1e-3)
    assert found.bubble_period_s == pytest.approx(0.09, abs=1e-6)
    assert found.peak_s == pytest.approx(0.02)


@pytest.mark.parametrize(
    ("depth_m", "notches_hz"),
    [
        (5.0, (150.0, 300.0)),
        (6.0, (125.0, 250.0)),
        (7.0, (107.1, 214.3)),
        (8.0, (93.8, 187.5)),
        (15.0, (50.0, 100.0)),
    ],
)
def test_notches_lie_where_the_depth_puts_them(
    depth_m: float, notches_hz: tuple[float, float]
) -> None:
    found = measure(made(bubble=0.0, depth_m=depth_m, interval_s=0.00025))
    inside = [notch for notch in found.notches_hz if notch < 1.2 * notches_hz[1]]
    inside = [notch for notch in inside if notch > 5.0]
    assert inside[: len(notches_hz)] == pytest.approx(notches_hz[: len(inside)], abs=2.5)
    assert len(inside) >= 1
    assert found.expected_notches_hz[:2] == pytest.approx(notches_hz, abs=0.1)


def test_spectrum_of_a_known_area() -> None:
    # without ghost, the level at 0 Hz is that of the area: 25 x 0.0006 sqrt(2 pi) bar-m s
    time = np.arange(800) * 0.0005
    samples = 25.0 * np.exp(-0.5 * ((time - 0.02) / 0.0006) ** 2)
    area = 25.0 * 0.0006 * np.sqrt(2.0 * np.pi)
    frequency, level = spectrum_db(FarField("pulse", samples, 0.0005, "without ghost", "", 0.4))
    assert level[0] == pytest.approx(220.0 + 20.0 * np.log10(area), abs=0.01)
    # and a Gaussian of width s has a Gaussian spectrum, exp(-2 (pi f s)^2)
    k = int(np.argmin(np.abs(frequency - 200.0)))
    fall = 20.0 * np.log10(np.exp(-2.0 * (np.pi * frequency[k] * 0.0006) ** 2))
    assert level[k] - level[0] == pytest.approx(fall, abs=0.01)


def test_ghost_gain_is_twice_the_sine() -> None:
    # 6 m: 2.000 at 62.5 Hz, 0.964 at 20 Hz
    with_ghost = made(bubble=0.0)
    time = np.arange(800) * 0.0005
    alone = replace(with_ghost, samples=25.0 * np.exp(-0.5 * ((time - 0.02) / 0.0006) ** 2))
    frequency, ghosted = spectrum_db(with_ghost)
    _, plain = spectrum_db(alone)
    for at_hz, gain in ((62.5, 2.0), (20.0, 0.964)):
        found = np.interp(at_hz, frequency, 10 ** ((ghosted - plain) / 20.0))
        assert found == pytest.approx(gain, abs=0.005)


def test_filter_and_gate_change_the_numbers_and_are_stated() -> None:
    whole = made()
    cut = prepared(whole, gate_s=0.1, high_cut_hz=90.0, low_cut_hz=3.0)
    assert cut.gate_s == pytest.approx(0.1)
    assert "3 Hz low cut, 90 Hz high cut" in cut.filter
    assert measure(cut).peak_to_peak < 0.7 * measure(whole).peak_to_peak
    frequency, before = spectrum_db(prepared(whole))
    _, after = spectrum_db(prepared(whole, high_cut_hz=90.0))
    change = np.interp(90.0, frequency, after - before)
    assert change == pytest.approx(-3.01, abs=0.05)


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"gate_s": 3.0}, r"a gate of 3\.0 s"),
        ({"gate_s": 0.001}, r"a gate of 0\.001 s"),
        ({"low_cut_hz": 90.0, "high_cut_hz": 3.0}, "does not fit a Nyquist"),
        ({"high_cut_hz": 5000.0}, "does not fit a Nyquist"),
    ],
)
def test_gates_and_filters_that_do_not_fit(settings: dict[str, float], message: str) -> None:
    with pytest.raises(InputError, match=message):
        prepared(made(), **settings)


def test_the_wrong_polarity_is_noticed() -> None:
    with pytest.raises(InputError, match="no positive peak"):
        measure(replace(made(), samples=-np.abs(made().samples)))


def test_tolerances_are_findings() -> None:
    reference, weak = measure(made()), measure(replace(made(20.0, 3.0, 0.11), name="weak"))
    verdicts = {f.metric: f.verdict for f in against_reference(reference, weak)}
    assert verdicts["signature_output"] == "look"
    assert verdicts["signature_primary_to_bubble"] == "look"
    assert verdicts["signature_bubble_period"] == "look"
    same = {f.verdict for f in against_reference(reference, measure(made()))}
    assert same == {"pass"}
    bare = measure(replace(made(), ghost="without ghost"))
    assert any(
        f.metric == "signatures_not_alike_in_kind" for f in against_reference(reference, bare)
    )


def test_likeness_of_shifted_and_scaled_copies_is_one() -> None:
    one = made()
    other = replace(one, samples=0.3 * np.roll(one.samples, 12))
    assert likeness(one, other) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("# interval: 1\n", "Did you mean 'interval_ms'"),
        ("# interval_ms: 1\n1\n2\n", "has 2 samples"),
        ("1\n" * 20 + "x\n", "'x' is no number"),
        ("nan\n" * 20, "'nan' is no number"),
    ],
)
def test_bad_text_is_refused(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "signature.txt"
    path.write_text(text)
    with pytest.raises(InputError, match=message):
        read_signature_text(path)


def test_a_signature_may_begin_with_a_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "signature.txt"
    path.write_text("# interval_ms: 1\n" + "1.5\n" * 20, encoding="utf-8-sig")
    assert read_signature_text(path).header == {"interval_ms": "1"}
