"""Plans of blocks and spans: they cover the line, fit the budget, and are quick to make."""

from __future__ import annotations

import time
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deblend.errors import SettingsError
from deblend.separation.plan_blocks import BlockCuts, Extent, least_bytes, plan_blocks

LINE = Extent(
    sources=3,
    slots=2000,
    channels=480,
    length=4000,
    samples=5_400_000,
    slot_halo=18,
    channel_halo=8,
    least_slots=48,
)


def check(plan: BlockCuts, extent: Extent) -> None:
    assert [slot for span in plan.spans for slot in span] == list(range(extent.slots))
    assert [row for part in plan.channels for row in part] == list(range(extent.channels))
    assert len({len(part) for part in plan.channels[:-1]}) <= 1  # chunks line up with blocks
    assert [plan.place(k) for k in range(plan.count)] == [
        (span, part) for span in range(len(plan.spans)) for part in plan.channels
    ]


@settings(derandomize=True, max_examples=40, deadline=None)
@given(
    slots=st.integers(1, 400),
    channels=st.integers(1, 60),
    halo=st.sampled_from([0, 8]),
    times=st.floats(1.0, 100.0),
    processes=st.integers(1, 5),
)
def test_plans_cover_the_line_within_the_budget(
    slots: int, channels: int, halo: int, times: float, processes: int
) -> None:
    extent = replace(LINE, slots=slots, channels=channels, channel_halo=halo, samples=slots * 2700)
    budget = round(times * least_bytes(extent))
    plan = plan_blocks(extent, budget, processes=processes)
    check(plan, extent)
    assert plan.block_bytes <= budget
    alone = plan_blocks(extent, budget)
    assert -(-plan.count // processes) <= alone.count


@pytest.mark.parametrize(("channels", "budget", "count"), [(64, 1 << 40, 2), (64, 330_000_000, 4)])
def test_blocks_come_in_rounds_of_the_processes(channels: int, budget: int, count: int) -> None:
    line = replace(LINE, slots=53, channels=channels, channel_halo=0, samples=75_000)
    if budget < 1 << 40:
        assert plan_blocks(line, budget).count == count - 1
    assert plan_blocks(line, budget, processes=2).count == count


def test_the_least_budget_is_the_least() -> None:
    plan_blocks(LINE, least_bytes(LINE))
    with pytest.raises(SettingsError, match=r"too small .* Allow at least 0\.\d+ GB"):
        plan_blocks(LINE, least_bytes(LINE) - 1)


def test_a_small_line_is_one_block() -> None:
    assert plan_blocks(replace(LINE, slots=20, samples=60_000), 1 << 40).count == 1


def test_spans_only_where_they_save_work() -> None:
    roomy = plan_blocks(LINE, 400_000_000_000)
    tight = plan_blocks(LINE, 8_000_000_000)
    assert len(roomy.spans) == 1
    assert len(tight.spans) > 1
    assert len(tight.channels[0]) > 2 * LINE.channel_halo  # not all of it neighbours


def test_ten_thousand_blocks_are_planned_at_once() -> None:
    begin = time.perf_counter()
    plan = plan_blocks(replace(LINE, channels=16_000), 2_000_000_000)
    assert plan.count > 10_000
    assert time.perf_counter() - begin < 2.0
