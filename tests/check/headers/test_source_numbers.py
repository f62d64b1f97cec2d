"""Source numbers against positions and the order of firing; drift between file timestamps."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from deblend.check.headers.inspection import file_clock_findings
from deblend.check.headers.source_numbers import source_consistency
from deblend.model.recording import SourceFile
from deblend.model.shots import Shots
from deblend.records.clock_correction import drift_of_files
from deblend.records.open import open_recording
from deblend.synth.acquisition import Acquisition, Streamer, TowedSource, true_shots
from deblend.synth.firing import Dither, Firing, Order
from deblend.synth.segy_write import write_continuous_segy

INTERVAL_NS = 4_000_000


def table(order: Order = "sequential", heading_deg: float = 70.0) -> Shots:
    return true_shots(
        Acquisition(
            sources=(TowedSource(-30.0), TowedSource(0.0), TowedSource(30.0)),
            streamer=Streamer(2),
            firing=Firing(order, 5.0, 30, Dither(0.2)),
            speed_m_s=2.3,
            start_ns=1_700_000_000 * 10**9,
            time_scale="utc",
            heading_deg=heading_deg,
        ),
        seed=4,
    ).shots


def swapped(shots: Shots, one: int, other: int) -> Shots:
    source = shots.source.copy()
    source[[one, other]] = source[[other, one]]
    return replace(shots, source=source)


def without_positions(shots: Shots) -> Shots:
    unknown = np.full(len(shots), np.nan)
    return replace(shots, x_m=unknown, y_m=unknown)


@pytest.mark.parametrize("order", ["sequential", "near-simultaneous", "random"])
@pytest.mark.parametrize("heading_deg", [0.0, 70.0, 251.0])
def test_swap_found_by_positions(order: Order, heading_deg: float) -> None:
    shots = table(order, heading_deg)
    assert source_consistency(shots) == []
    other = next(row for row in range(41, 90) if shots.source[row] != shots.source[40])
    found = source_consistency(swapped(shots, 40, other))
    assert [finding.shot_point for finding in found] == shots.shot_point[[40, other]].tolist()
    assert all("is towed" in finding.message for finding in found)


def test_swap_found_by_the_order_of_firing() -> None:
    shots = without_positions(table())
    assert source_consistency(shots) == []
    found = source_consistency(swapped(shots, 40, 41))
    assert [finding.shot_point for finding in found] == shots.shot_point[[40, 41]].tolist()
    assert all("it was the turn of source" in finding.message for finding in found)


def test_no_order_no_positions_no_finding() -> None:
    shots = without_positions(table("random"))
    assert source_consistency(swapped(shots, 40, 41)) == []


def test_turning_vessel() -> None:
    shots = table()
    seconds = (shots.fire_time_ns - shots.fire_time_ns[0]) * 1e-9
    bent = replace(shots, y_m=shots.y_m + 1e-3 * seconds**2)
    assert source_consistency(bent) == []


@pytest.mark.parametrize("order", ["sequential", "random"])
@pytest.mark.parametrize("changed", [0.5, 0.35])
def test_numbers_mixed_up_from_some_shot_on(order: Order, changed: float) -> None:
    shots = table(order)
    source = shots.source.copy()
    later = np.argsort(shots.fire_time_ns)[round((1.0 - changed) * len(source)) :]
    source[later] = source[later] % 3 + 1
    (found,) = source_consistency(replace(shots, source=source))
    assert (found.metric, found.verdict, found.value) == ("source_numbers_mixed_up", "fail", 3.0)
    assert "sources 1, 2, 3" in found.message


def files(jumps_ns: list[int], samples: int = 1000) -> list[SourceFile]:
    out, start_ns = [], 10**18
    for number, jump in enumerate([0, *jumps_ns]):
        start_ns += jump
        out.append(SourceFile(Path("x"), number * samples, (number + 1) * samples, start_ns))
        start_ns += samples * INTERVAL_NS
    return out


def test_drift_of_timestamps() -> None:
    # 40 µs every 4 s are 10 parts in a million.
    assert drift_of_files(files([40_000] * 9), INTERVAL_NS) == pytest.approx(1e-5)
    uneven = [40_000 + (-1) ** k * 500 for k in range(9)]
    assert drift_of_files(files(uneven), INTERVAL_NS) == pytest.approx(1e-5, rel=0.05)


@pytest.mark.parametrize(
    "jumps", [[0] * 9, [0, 0, 0, 300_000, 0, 0, 0, 0], [40_000] * 2, [500, -500] * 5, [10**9] * 6]
)
def test_no_drift(jumps: list[int]) -> None:
    assert drift_of_files(files(jumps), INTERVAL_NS) is None


def test_drift_is_said_once(tmp_path: Path) -> None:
    for number in range(6):
        write_continuous_segy(
            tmp_path / f"{number}.sgy",
            np.ones((2, 500), dtype=np.float32),
            interval_ns=INTERVAL_NS,
            start_ns=10**18 + number * (500 * INTERVAL_NS + 60_000),
            time_scale="utc",
            channel_numbers=np.array([1, 2]),
        )
    recording = open_recording(str(tmp_path / "*.sgy"), time_scale="utc")
    assert {finding.metric for finding in recording.findings} == {"start_off_grid"}
    (found,) = file_clock_findings(recording)
    assert found.metric == "record_clock_drift"
    # 60 µs every 2 s over 12 s.
    assert found.value == pytest.approx(0.36)
