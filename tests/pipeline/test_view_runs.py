"""`deblend view` of runs: one under way as far as it has come, a finished one as its report."""

from __future__ import annotations

import numpy as np
import pytest
from small_line import Call, SmallLine

from deblend.memory import PROGRAM_BYTES
from deblend.model.place import read_place
from deblend.report.contents import read_contents
from deblend.results.output_folder import FIRE_TIMES, SAMPLES
from deblend.view.gathers import Gather, Gathers
from deblend.view.viewed_line import open_viewed

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("plain_page")]
FOUR_BLOCKS = ("--memory-gb", (PROGRAM_BYTES + 400_000) / 1e9)


def read(gathers: Gathers, text: str) -> Gather:
    return gathers.read(gathers.settled(read_place(text)))


def test_a_run_under_way_shows_its_finished_blocks(line: SmallLine, call: Call) -> None:
    line.rewrite("iterations = 25", "iterations = 2\nrobust = false")
    line.rewrite("[output]", "[quality]\nexpected_error = false\n[output]")
    assert call("separate", line.line_file, "--prepare", *FOUR_BLOCKS).exit_code == 0
    gathers = Gathers(open_viewed(line.out))
    assert gathers.line.state() == "0 of 4 blocks finished"
    nothing = read(gathers, "source=1,channel=2")
    assert np.isnan(nothing.after).all()
    assert np.isfinite(nothing.before).all()
    assert call("separate", line.line_file, "--block", 1).exit_code == 0
    assert gathers.line.state() == "1 of 4 blocks finished"
    here = read(gathers, "source=1,channel=2")
    assert np.isfinite(here.after).all()
    assert np.std(here.after) > 0
    assert np.isnan(read(gathers, "source=1,channel=3").after).all()
    shot = read(gathers, "source=1,shot_point=1003")
    assert np.isfinite(shot.after).all(axis=1).tolist() == [False, True, False, False]


@pytest.mark.parametrize("spoiled", [False, True])
def test_gathers_of_a_finished_run_are_those_of_its_report(
    line: SmallLine, call: Call, spoiled: bool
) -> None:
    line.rewrite("iterations = 25", "iterations = 6")
    line.rewrite("[output]", "[quality]\nexpected_error = false\n[output]")
    if spoiled:
        line.spoil_times()
    call("separate", line.line_file)
    assert (line.out / FIRE_TIMES).exists() == spoiled
    gathers = Gathers(open_viewed(line.out))
    sections = read_contents(line.out / SAMPLES).sections
    assert {section.kind for section in sections} == {"common channel", "shot"}
    for section in sections:
        kind = "channel" if section.kind == "common channel" else "shot_point"
        gather = read(gathers, f"source={section.source},{kind}={section.number}")
        np.testing.assert_allclose(gather.before, section.before, atol=2e-4 if spoiled else 0)
        np.testing.assert_array_equal(gather.after, section.after)
