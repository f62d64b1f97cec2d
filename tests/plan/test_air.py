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
from deblend.plan.keys import Alternative, LimitsTable, SourcesTable, StringTable
from deblend.plan.numbers import alternative_numbers
from deblend.plan.plan_file import speeds_m_s


def with_strings(strings: list[list[str]], scheme: str = "in sequence") -> Alternative:
    made = alternative(
        sources=SourcesTable(count=len(strings), strings=strings),
        scheme=scheme,
        dither=uniform(0.3),
    )
    table = {
        "a": StringTable(guns_cubic_inch=[150.0, 40.0], recycle_s=6.0),
        "b": StringTable(guns_cubic_inch=[300.0], recycle_s=6.0),
        "c": StringTable(guns_cubic_inch=[70.0], recycle_s=6.0),
    }
    return msgspec.structs.replace(made, strings=table)


def test_free_air_is_volume_times_pressure_over_atmosphere() -> None:
    # 3000 cubic inch = 0.0491612 m3 at 2000 psi = 13.7895 MPa, by hand: 6.6905 m3
    assert air.free_air_m3(3000.0, 2000.0) == pytest.approx(6.6905, abs=1e-3)


def test_free_air_per_minute_counts_the_shots() -> None:
    made = alternative(sources=SourcesTable(count=3, volume_cubic_inch=3000.0))
    speed = speeds_m_s(made)[1]  # 5.3996 s between shots
    found = air.free_air_per_minute_m3(made, speed)
    assert found == pytest.approx(6.6905 * 60.0 / 5.3996, abs=1e-2)
    at_once = msgspec.structs.replace(
        made, firing=msgspec.structs.replace(made.firing, scheme="near-simultaneous")
    )
    assert air.free_air_per_minute_m3(at_once, speed) == pytest.approx(3.0 * found)


def test_a_shared_string_gets_less_time() -> None:
    made = with_strings([["a"], ["b"], ["a", "c"]])
    time_s = 12.5 / speeds_m_s(made)[2]
    uses = {use.name: use for use in air.string_uses(made)}
    # string a: source 1 then 3 (two shot points), 3 then 1 (one shot point), less the delays
    assert uses["a"].shortest_s == pytest.approx(time_s - 0.6)
    assert uses["b"].shortest_s == pytest.approx(3.0 * time_s - 0.6)
    assert uses["a"].sources == (1, 3)
    metrics = [f.metric for f in alternative_numbers(made, TARGET).findings]
    assert metrics.count("recycle_time") == 1


def test_guns_of_a_source_follow_rayleigh_and_willis() -> None:
    one, two, three = air.source_guns(with_strings([["a"], ["b"], ["a", "c"]]))
    # 2000 psi at 6 m: 40, 150, 300 cubic inch give 34.7, 53.9, 67.9 ms
    assert 1e3 * one.shortest_period_s == pytest.approx(34.7, abs=0.06)
    assert 1e3 * one.longest_period_s == pytest.approx(53.9, abs=0.06)
    assert 1e3 * two.longest_period_s == pytest.approx(67.9, abs=0.06)
    assert three.volume_cubic_inch == 260.0
    assert three.guns == 3
    assert three.output == pytest.approx(sum(np.cbrt([150.0, 40.0, 70.0])))


@pytest.mark.parametrize(
    ("volume", "depth_m", "simple_ms", "internal_ms"),
    [
        (40.0, 6.0, 34.7, 47.1),
        (70.0, 6.0, 41.8, 56.8),
        (150.0, 5.0, 56.9, 77.2),
        (150.0, 6.0, 53.9, 73.2),
        (150.0, 7.0, 51.3, 69.6),
        (300.0, 6.0, 67.9, 92.2),
    ],
)
def test_bubble_periods(
    volume: float, depth_m: float, simple_ms: float, internal_ms: float
) -> None:
    period_s = bubble_period_s(volume, 2000.0, depth_m)
    assert 1e3 * period_s == pytest.approx(simple_ms, abs=0.06)
    # with the internal energy P V / 0.4 the period is longer by 2.5^(1/3)
    assert 1e3 * period_s * 2.5 ** (1 / 3) == pytest.approx(internal_ms, abs=0.1)


def test_a_shallow_and_a_deep_gun() -> None:
    assert bubble_period_s(150, 2000, 7) / bubble_period_s(150, 2000, 5) == pytest.approx(
        0.90, abs=0.005
    )
    assert bubble_period_s(300, 2000, 6) / bubble_period_s(150, 2000, 6) == pytest.approx(
        2 ** (1 / 3)
    )


def test_permit_and_compressors_are_findings() -> None:
    made = msgspec.structs.replace(
        alternative(sources=SourcesTable(count=3, volume_cubic_inch=3000.0), dither=uniform(0.3)),
        limits=LimitsTable(
            smallest_shot_spacing_m=12.0,
            smallest_shot_spacing_s=5.0,
            largest_volume_cubic_inch=2500.0,
            compressor_m3_per_min=50.0,
        ),
    )
    beyond = [f.metric for f in alternative_numbers(made, TARGET).findings if f.verdict == "fail"]
    assert sorted(beyond) == [
        "compressor_duty",
        "shots_closer_than_permitted",
        "shots_closer_than_permitted",
        "volume_above_permit",
    ]
