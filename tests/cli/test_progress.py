"""What is said of a run while it goes on."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from deblend.cli.progress import LINE_EVERY_S, Pace, _bars, _lines
from deblend.progress import Step


def test_what_remains_is_told_by_the_mean_pace_and_counts_what_is_done_again() -> None:
    pace = Pace(begun_s=100.0)
    assert pace.words(105.0) == ""
    pace.update(Step("separate", 30.0, 100.0, worked=5e7, remaining=1e8), 110.0)
    assert pace.words(110.0) == "0:00:20 left, 5.0 M sample-it./s"
    assert pace.words(113.0) == "0:00:17 left, 5.0 M sample-it./s"
    # a fresh start: there is more to do, and the figure goes on slowly
    pace.update(Step("separate", 31.0, 100.0, worked=1e8, remaining=2e8), 120.0)
    assert pace.words(120.0) == "0:00:40 left, 5.0 M sample-it./s"
    # late, it never says nothing or less
    assert pace.words(500.0) == "ends soon, 5.0 M sample-it./s"


def test_where_no_terminal_is_a_line_comes_for_every_stage_and_now_and_then() -> None:
    clock = [0.0]
    out = io.StringIO()
    with _lines(Console(file=out, width=40), lambda: clock[0]) as report:
        report(Step("open", 0, 0, "reading headers"))
        report(Step("plan", 0, 0, "[4] blocks, in a sentence that is longer than a line"))
        for second in range(71):
            clock[0] = float(second)
            report(
                Step(
                    "separate",
                    second,
                    100,
                    f"block 0, {second}",
                    worked=second * 1e6,
                    remaining=1e8,
                )
            )
    assert LINE_EVERY_S == 30
    assert out.getvalue().splitlines() == [
        "open the line: reading headers",
        "[4] blocks, in a sentence that is longer than a line",
        "separate: block 0, 0",
        "separate: 30 %, 0:01:40 left, 1.0 M sample-it./s, block 0, 30",
        "separate: 60 %, 0:01:40 left, 1.0 M sample-it./s, block 0, 60",
    ]


@pytest.mark.parametrize("total", [0, 4])
def test_a_bar_for_every_stage_ends_full(total: int) -> None:
    out = io.StringIO()
    with _bars(Console(file=out, width=100, force_terminal=True)) as report:
        report(Step("open", 0, 0, "reading headers"))
        report(Step("stage", 0, total, "a note"))
    last = out.getvalue().split("open the line")[-1]
    assert last.count("100%") == 2
    assert "took 0:00:00" in last
    assert "a note" not in last
