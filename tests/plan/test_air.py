"""Air and strings against worked examples.

Bubble periods: T = 1.14 rho^(1/2) E^(1/3) P0^(-5/6), Rayleigh and Willis; the constant is from
memory and agrees with Rayleigh's collapse time, 2 x 0.915 (3 / 4 pi)^(1/3) = 1.135 (derived).
Units: 1 psi = 6894.757 Pa, 1 cubic inch = 1.6387064e-5 m3 (definitions).
"""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from plan_files import TARGET, alternative, uniform

from deblend.model.water import bubble_period_s
from deblend.plan import air
from deblend.plan.alternative import speeds_m_s
from deblend.plan.keys import Alternative, LimitsTable, SourcesTable, StringTable
from deblend.plan.numbers import alternative_numbers


def with_strings(strings: list[list[str]], scheme: str = "in sequence") -> Alternative:
    made = alternative(
        sources=SourcesTable(count=len(strings), strings=strings, depth_m=7.0, pressure_psi=1900.0),
        scheme=scheme,
        dither=uniform(0.25),
    )
    table = {
        "a": StringTable(guns_cubic_inch=[180.0, 45.0], recycle_s=5.0),
        "b": StringTable(guns_cubic_inch=[320.0], recycle_s=5.0),
        "c": StringTable(guns_cubic_inch=[90.0], recycle_s=4.0),
    }
    return msgspec.structs.replace(made, strings=table)


def test_free_air_is_volume_times_pressure_over_atmosphere() -> None:
    # 2800 cubic inch = 0.0458838 m3 at 1900 psi = 13.1000 MPa over 0.101325 MPa, by hand: 5.9322 m3
    assert air.free_air_m3(2800.0, 1900.0) == pytest.approx(5.9322, abs=1e-3)


def test_free_air_per_minute_counts_the_shots() -> None:
    made = alternative(sources=SourcesTable(count=4, volume_cubic_inch=2800.0, pressure_psi=1900.0))
    speed = speeds_m_s(made)[1]  # 10 m at 4.5 knots: 4.3197 s between shots
    found = air.free_air_per_minute_m3(made, speed)
    assert found == pytest.approx(5.9322 * 60.0 / 4.3197, abs=1e-2)
    at_once = msgspec.structs.replace(
        made, firing=msgspec.structs.replace(made.firing, scheme="near-simultaneous")
    )
    assert air.free_air_per_minute_m3(at_once, speed) == pytest.approx(4.0 * found)


def test_a_shared_string_gets_less_time() -> None:
    made = with_strings([["a"], ["b"], ["a", "c"]])
    time_s = 10.0 / speeds_m_s(made)[2]
    uses = {use.name: use for use in air.string_uses(made)}
    # string a: source 1 then 3 (two shot points), 3 then 1 (one shot point), less the delays
    assert uses["a"].shortest_s == pytest.approx(time_s - 0.5)
    assert uses["b"].shortest_s == pytest.approx(3.0 * time_s - 0.5)
    assert uses["a"].sources == (1, 3)
    metrics = [f.metric for f in alternative_numbers(made, TARGET).findings]
    assert metrics.count("recycle_time") == 1


def test_guns_of_a_source_follow_rayleigh_and_willis() -> None:
    one, two, three = air.source_guns(with_strings([["a"], ["b"], ["a", "c"]]))
    # 1900 psi at 7 m: 45, 180, 320 cubic inch give 33.7, 53.6, 64.9 ms
    assert 1e3 * one.shortest_period_s == pytest.approx(33.7, abs=0.06)
    assert 1e3 * one.longest_period_s == pytest.approx(53.6, abs=0.06)
    assert 1e3 * two.longest_period_s == pytest.approx(64.9, abs=0.06)
    assert three.volume_cubic_inch == 315.0
    assert three.guns == 3
    assert three.output == pytest.approx(sum(np.cbrt([180.0, 45.0, 90.0])))


@pytest.mark.parametrize(
    ("volume", "depth_m", "simple_ms", "internal_ms"),
    [
        (45.0, 7.0, 33.7, 45.8),
        (90.0, 7.0, 42.5, 57.7),
        (180.0, 6.0, 56.3, 76.5),
        (180.0, 7.0, 53.6, 72.7),
        (180.0, 9.0, 48.9, 66.3),
        (320.0, 7.0, 64.9, 88.1),
    ],
)
def test_bubble_periods(
    volume: float, depth_m: float, simple_ms: float, internal_ms: float
) -> None:
    period_s = bubble_period_s(volume, 1900.0, depth_m)
    assert 1e3 * period_s == pytest.approx(simple_ms, abs=0.06)
    # with the internal energy P V / 0.4 the period is longer by 2.5^(1/3)
    assert 1e3 * period_s * 2.5 ** (1 / 3) == pytest.approx(internal_ms, abs=0.1)


def test_a_shallow_and_a_deep_gun() -> None:
    # hydrostatic pressure 161.7 kPa at 6 m and 191.8 kPa at 9 m: (161.7 / 191.8)^(5/6) = 0.867
    assert bubble_period_s(180, 1900, 9) / bubble_period_s(180, 1900, 6) == pytest.approx(
        0.867, abs=0.001
    )
    assert bubble_period_s(360, 1900, 7) / bubble_period_s(180, 1900, 7) == pytest.approx(
        2 ** (1 / 3)
    )


def test_permit_and_compressors_are_findings() -> None:
    made = msgspec.structs.replace(
        alternative(sources=SourcesTable(count=4, volume_cubic_inch=2800.0), dither=uniform(0.25)),
        limits=LimitsTable(
            smallest_shot_spacing_m=9.5,
            smallest_shot_spacing_s=4.0,
            largest_volume_cubic_inch=2600.0,
            compressor_m3_per_min=60.0,
        ),
    )
    beyond = [f.metric for f in alternative_numbers(made, TARGET).findings if f.verdict == "fail"]
    assert sorted(beyond) == [
        "compressor_duty",
        "shots_closer_than_permitted",
        "shots_closer_than_permitted",
        "volume_above_permit",
    ]
