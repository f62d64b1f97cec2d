"""Planned against shot: planted faults are found, and a line shot as planned is left alone."""

from __future__ import annotations

from dataclasses import replace
from unittest.mock import Mock

import msgspec
import numpy as np
import pytest
from plan_files import TARGET, alternative, uniform

from deblend.model.shots import Shots, make_shots
from deblend.plan.alternative import KNOT_M_S
from deblend.plan.as_shot import AsShot, as_shot
from deblend.plan.delay_table import DelayTable
from deblend.plan.delays_fired import deviation_from_smooth
from deblend.plan.firing import NominalShots, firing_plan
from deblend.plan.write_plan import delays_text

MADE = alternative(dither=uniform(0.25))
PLAN = firing_plan(MADE, 60, seed=2)
TABLE = DelayTable(PLAN.shot_point, PLAN.source, PLAN.delay_s + 0.25, 0.25)


def shot_line(plan: NominalShots = PLAN, knots: float = 4.5, sign: float = 1.0) -> Shots:
    """A line at a speed that swings by 2 %, with the delays of the plan."""
    speed = knots * KNOT_M_S * (1.0 + 0.02 * np.sin(plan.along_m / 400.0))
    passed = np.concatenate([[0.0], np.cumsum(np.diff(plan.along_m) / speed[1:])])
    times = passed + sign * plan.delay_s
    along = plan.along_m + sign * plan.delay_s * speed
    return make_shots(
        plan.source,
        plan.shot_point,
        np.rint((times + 1000.0) * 1e9).astype(np.int64),
        "utc",
        x_m=500_000.0 + 0.6 * along,
        y_m=6_000_000.0 + 0.8 * along,
    )


def metrics(result: AsShot) -> set[str]:
    return {finding.metric for finding in result.findings if finding.verdict == "look"}


def test_a_line_shot_as_planned_has_no_finding() -> None:
    result = as_shot(MADE, TARGET, shot_line(), TABLE)
    assert metrics(result) == set()
    assert result.table is not None
    assert result.table.reading == "as planned"
    assert result.table.matched == 240  # 4 sources of 60 shots
    for row in result.sources:
        assert row.interval_m == pytest.approx(40.0, abs=0.5)
        assert row.planned_fold == row.mean_fold == row.lowest_fold == 60.0  # 4800 m / (2 x 40 m)
    assert result.speed_kn[1] == pytest.approx(4.5, abs=0.1)


@pytest.mark.parametrize(
    ("shift", "sign", "reading"),
    [(0, -1.0, "sign reversed"), (1, 1.0, "one row late"), (-1, 1.0, "one row early")],
)
def test_a_table_read_wrongly_is_told(shift: int, sign: float, reading: str) -> None:
    delay = PLAN.delay_s.copy()
    for source in (1, 2, 3, 4):
        mine = PLAN.source == source
        delay[mine] = np.roll(delay[mine], shift)
    shots = shot_line(replace(PLAN, delay_s=sign * delay))
    result = as_shot(MADE, TARGET, shots, TABLE)
    assert result.table is not None
    assert result.table.reading == reading
    assert "delays_fired" in metrics(result)


def test_delays_that_were_not_fired_are_told() -> None:
    shots = shot_line(replace(PLAN, delay_s=np.zeros(len(PLAN.delay_s))))
    result = as_shot(MADE, TARGET, shots, TABLE)
    assert result.table is not None
    assert result.table.reading == "not followed"
    assert {"delays_fired", "dither_shot"} <= metrics(result)


@pytest.mark.parametrize("seed", range(15))
def test_no_draw_of_the_delays_asks_for_a_look(seed: int) -> None:
    plan = firing_plan(MADE, 60, seed=seed)
    table = DelayTable(plan.shot_point, plan.source, plan.delay_s + 0.25, 0.25)
    for given in (table, None):
        assert metrics(as_shot(MADE, TARGET, shot_line(plan), given)) == set()


def test_skipped_shots_and_another_speed_still_follow_the_table() -> None:
    kept = np.random.default_rng(4).random(len(PLAN.source)) > 0.2
    result = as_shot(MADE, TARGET, shot_line(knots=5.6).take(kept), TABLE)
    assert result.table is not None
    assert result.table.reading == "as planned"
    assert result.table.shots_late_s == result.table.source_late_s == ()


@pytest.mark.parametrize(("first", "step"), [(1001, 1), (3000, -2)])
@pytest.mark.parametrize("missing", [0, 3])
def test_a_table_that_is_numbered_otherwise(first: int, step: int, missing: int) -> None:
    shots = shot_line()
    shots = replace(shots, shot_point=first + step * (shots.shot_point - 1))
    result = as_shot(MADE, TARGET, shots.take(np.arange(missing, len(shots))), TABLE)
    assert result.table is not None
    assert (result.table.reading, result.table.matched) == ("as planned", 240 - missing)
    (told,) = [f for f in result.findings if f.metric == "delays_numbered"]
    line_first, table_first = first + step * missing, 1 + missing
    assert f"shot point {line_first} of the line is {table_first} of the table" in told.message


@pytest.mark.parametrize(("first", "step"), [(3000, -2), (900, -1), (1001, 2)])
@pytest.mark.parametrize("follows", [True, False])
def test_firing_tables_with_numbers_of_their_own(first: int, step: int, follows: bool) -> None:
    column = Mock(alternative=MADE, firing=PLAN)
    numbers = msgspec.structs.replace(MADE.firing, first_shot_point=first, shot_point_step=step)
    column.alternative = msgspec.structs.replace(MADE, firing=numbers)
    rows = [row for row in delays_text(column).splitlines() if row[0] not in "#s"]
    written = np.array([row.split(",") for row in rows], dtype=float)
    assert written[:3, 0].tolist() == [first, first + step, first + 2 * step]
    table = DelayTable(written[:, 0].astype(int), PLAN.source, written[:, 2] / 1e3, 0.25)
    shots = shot_line()
    if follows:  # the line is numbered as the table, and not from 1 upwards
        shots = replace(shots, shot_point=first + step * (shots.shot_point - 1))
    result = as_shot(MADE, TARGET, shots, table)
    assert result.table is not None
    assert (result.table.reading, result.table.matched) == ("as planned", 240)
    told = [f.message for f in result.findings if f.metric == "delays_numbered"]
    expected = (
        f"shot point 1 of the line is {first} of the table, and steps of +1 are steps of {step:+d}"
    )
    assert follows or expected in told[0]


def test_a_swap_of_source_numbers_names_both_sides() -> None:
    shots = shot_line()
    source = shots.source.copy()
    source[[100, 101]] = source[[101, 100]]
    result = as_shot(MADE, TARGET, replace(shots, source=source), TABLE)
    assert result.table is not None
    assert result.table.reading == "as planned"
    (told,) = [one for one in result.findings if one.metric == "sources_exchanged"]
    first, second = (
        f"source {source[row]} shot point {shots.shot_point[row]}" for row in (100, 101)
    )
    assert f"S{first[1:]} and {second} are exchanged" in told.message
    assert (told.verdict, told.shot_point) == ("look", shots.shot_point[100])
    assert result.table.shots_late_s == ()


@pytest.mark.parametrize("together", [1, 4])
def test_swapped_fire_times_name_both_sides(together: int) -> None:
    number = np.arange(240) // together
    along_m = PLAN.along_m[number * together]
    plan = replace(PLAN, shot_point=number + 1, along_m=along_m)
    table = DelayTable(plan.shot_point, plan.source, plan.delay_s + 0.25, 0.25)
    shots = shot_line(plan)
    fired = shots.fire_time_ns.copy()
    fired[[100, 101]] = fired[[101, 100]]
    fired[60] += 20_000_000
    result = as_shot(MADE, TARGET, replace(shots, fire_time_ns=fired), table)
    assert result.table is not None
    named = {(int(shots.source[row]), int(shots.shot_point[row])) for row in (100, 101)}
    (swapped,) = result.table.swapped
    assert set(swapped) == named
    (late,) = result.table.shots_late_s
    assert late == (shots.source[60], shots.shot_point[60], pytest.approx(0.02, abs=0.002))


def test_a_table_read_a_row_late_where_it_counts_downwards() -> None:
    table = replace(TABLE, shot_point=3000 - 2 * TABLE.shot_point)
    delay = PLAN.delay_s.copy()
    for source in (1, 2, 3, 4):
        mine = PLAN.source == source
        delay[mine] = np.roll(delay[mine], 1)
    shots = shot_line(replace(PLAN, delay_s=delay))
    result = as_shot(MADE, TARGET, replace(shots, shot_point=3000 - 2 * shots.shot_point), table)
    assert result.table is not None
    assert result.table.reading == "one row late"


@pytest.mark.parametrize("late_ms", [5, 20, -300])
@pytest.mark.parametrize("source", [1, 3])
def test_a_source_late_throughout_is_named(late_ms: int, source: int) -> None:
    shots = shot_line()
    late = np.where(shots.source == source, late_ms * 1_000_000, 0)
    result = as_shot(MADE, TARGET, replace(shots, fire_time_ns=shots.fire_time_ns + late), TABLE)
    (told,) = [f for f in result.findings if f.metric == "source_late"]
    assert told.source == source
    assert told.value == pytest.approx(late_ms, abs=1.0)


def test_shots_that_did_not_follow_are_named() -> None:
    shots = shot_line()
    late = np.zeros(len(shots), dtype=np.int64)
    rows = shots.rows_of(2)[[20, 41]]
    late[rows] = [30_000_000, -60_000_000]
    result = as_shot(MADE, TARGET, replace(shots, fire_time_ns=shots.fire_time_ns + late), TABLE)
    assert result.table is not None
    points = shots.shot_point[rows].tolist()
    assert [each[:2] for each in result.table.shots_late_s] == [(2, points[1]), (2, points[0])]
    assert result.table.shots_late_s[0][2] == pytest.approx(-0.06, abs=0.01)
    assert metrics(result) == {"delays_differ"}


def test_speed_interval_and_lost_shots_are_found() -> None:
    fast = as_shot(MADE, TARGET, shot_line(knots=5.4))
    assert metrics(fast) == {"speed_shot"}
    wide = replace(PLAN, along_m=PLAN.along_m * 1.1)
    assert "interval_shot" in metrics(as_shot(MADE, TARGET, shot_line(wide)))
    shots = shot_line()
    live = np.ones(len(shots), dtype=np.bool_)
    live[shots.rows_of(2)[30:40]] = False
    gone = np.ones(len(shots), dtype=np.bool_)
    gone[shots.rows_of(3)[[10, 50]]] = False
    result = as_shot(MADE, TARGET, shots.with_flags(live=live).take(gone))
    one, two, three, _ = result.sources
    assert (one.misfired, two.misfired, three.missing) == (0, 10, 2)
    assert two.mean_fold == pytest.approx(50.0)
    assert two.lowest_fold == pytest.approx(50.0)
    assert three.mean_fold == pytest.approx(58.0)
    lost = {f.source: f.verdict for f in result.findings if f.metric == "shots_lost"}
    assert lost == {2: "look", 3: "note"}


def test_fewer_sources_than_planned_are_told() -> None:
    shots = shot_line()
    result = as_shot(MADE, TARGET, shots.take(shots.source != 3))
    assert "sources_shot" in metrics(result)


def test_lines_without_positions_are_compared_in_time() -> None:
    shots = shot_line()
    unknown = np.full(len(shots), np.nan)
    result = as_shot(MADE, TARGET, replace(shots, x_m=unknown, y_m=unknown), TABLE)
    assert metrics(result) == set()
    assert np.isnan(result.speed_kn[1])
    assert result.sources[0].interval_s == pytest.approx(17.3, abs=0.5)  # 40 m at 4.5 knots


def test_independent_errors_stay_and_smooth_motion_goes() -> None:
    smooth = 5.0 * np.sin(np.arange(400) / 60.0)
    assert np.abs(deviation_from_smooth(smooth)).max() < 1e-2
    errors = np.random.default_rng(0).standard_normal(20_000)
    assert deviation_from_smooth(errors).std() == pytest.approx(1.08, abs=0.02)


def test_a_shot_point_off_the_usual_step_leaves_its_own_place_empty() -> None:
    shots = shot_line()
    points = shots.shot_point.copy()
    own = shots.rows_of(1)
    points[own[20]] -= 1
    row = as_shot(MADE, TARGET, replace(shots, shot_point=points), TABLE).sources[0]
    assert (row.fired, row.misfired, row.missing) == (60, 0, 1)
