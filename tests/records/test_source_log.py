"""Logs of source controllers: states of shots, autofires, overlapping logs, damage."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deblend.errors import ShotTableError
from deblend.model.shots import Shots, make_shots
from deblend.records.source_log import FiredShots, apply_source_log, read_source_log

COLUMNS = {
    "source": "Array",
    "shot_point": "SP",
    "fire_time": "Time",
    "state": "Flag",
    "guns_out": "Out",
    "timing_error_ms": "dT",
    "pressure": "Psi",
    "depth_m": "Z",
}
LOG = """\
Array,SP,Time,Flag,Out,dT,Psi,Z,Remark
1,101,,,0,0.3,2000,6.0,
2,102,,reduced,0,0.2,2000,6.0,one string off
1,103,,misfired,,,,,
2,104,,,0,2.4,1990,6.1,
1,105,,,3,0.1,2000,6.0,
2,106,,,0,0.1,1500,6.0,
1,107,,full,0,0.1,2005,7.5,
2,999,2025-01-01T00:01:02.25,autofire,,,,,
"""


def shots() -> Shots:
    return make_shots(
        np.array([1, 2] * 4), np.arange(101, 109), 10**18 + np.arange(8) * 10**10, "utc"
    )


@pytest.fixture
def apply(tmp_path: Path):
    def apply(*texts: str, table: Shots | None = None) -> FiredShots:
        rows = ()
        for number, text in enumerate(texts):
            path = tmp_path / f"log{number}.csv"
            path.write_text(text)
            rows += read_source_log(path, columns=COLUMNS, time_scale="utc")
        return apply_source_log(shots() if table is None else table, rows)

    return apply


def test_states(apply) -> None:
    fired = apply(LOG)
    assert fired.state.tolist() == [
        "full",
        "reduced",
        "misfired",
        "timing error",
        "reduced",
        "reduced",
        "reduced",
        "full",
        "autofire",
    ]
    assert fired.shots.live.tolist() == [True, True, False, *[True] * 6]
    assert fired.shots.deliver.tolist() == [*[True] * 8, False]
    assert fired.shots.fire_time_ns[8] == 1_735_689_662_250_000_000
    assert fired.shots.source.tolist() == [1, 2] * 4 + [2]
    words = [finding.message for finding in fired.findings]
    assert "3 guns out" in words[3]
    assert "pressure 1500 against" in words[4]
    assert "depth 7.5 m against 6 m" in words[5]
    assert [finding.metric for finding in fired.findings][-2:] == [
        "shots_not_logged",
        "logged_autofire",
    ]


def timed_log(late_s: dict[int, float], every_s: float = 0.0, rate: float = 0.0) -> str:
    """A log of all shots, each late by what is common and by its own."""
    lines = ["Array,SP,Time,Flag,Out,dT,Psi,Z,Remark"]
    table = shots()
    for row in range(len(table)):
        seconds = (table.fire_time_ns[row] - table.fire_time_ns[0]) * 1e-9
        late = every_s + rate * seconds + late_s.get(int(table.shot_point[row]), 0.0)
        at = np.datetime64(int(table.fire_time_ns[row]) + round(late * 1e9), "ns")
        lines.append(f"{table.source[row]},{table.shot_point[row]},{at},,,,,,")
    return "\n".join(lines) + "\n"


def test_logged_times_are_held_against_the_table(apply) -> None:
    assert apply(timed_log({})).findings == ()
    (one,) = apply(timed_log({104: 0.0025})).findings
    assert (one.metric, one.source, one.shot_point) == ("log_time_differs", 2, 104)
    assert one.value == pytest.approx(2.5)
    (offset,) = apply(timed_log({}, every_s=18.0)).findings
    assert offset.metric == "log_clock_offset"
    assert "18 s is GPS minus UTC" in offset.message or "clock was set" in offset.message
    (rate,) = apply(timed_log({}, rate=1e-4)).findings[-1:]
    assert rate.metric == "log_clock_drift"
    assert rate.value == pytest.approx(100.0, rel=0.01)


def test_an_autofire_comes_to_the_clock_of_the_table(apply) -> None:
    at = np.datetime64(10**18 + 35 * 10**9 + 18 * 10**9, "ns")
    fired = apply(timed_log({}, every_s=18.0) + f"2,900,{at},autofire,,,,,\n")
    assert fired.shots.fire_time_ns[-1] == 10**18 + 35 * 10**9


def test_words_and_source_names_of_the_log(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("Array,SP,Flag\nP,101,OK\nS,102,MISF\n")
    columns = {"source": "Array", "shot_point": "SP", "state": "Flag"}
    with pytest.raises(ShotTableError, match="column Flag: 'OK' is not one of full, reduced"):
        read_source_log(path, columns=columns, time_scale="utc")
    with pytest.raises(ShotTableError, match="'MISF' of the log is mapped to 'gone'"):
        read_source_log(path, columns=columns, time_scale="utc", states={"MISF": "gone"})
    states = {"OK": "full", "MISF": "misfired"}
    rows = read_source_log(path, columns=columns, time_scale="utc", states=states)
    with pytest.raises(ShotTableError, match="source 'P' is not in the shot table, which has 1, 2"):
        apply_source_log(shots(), rows)
    rows = read_source_log(
        path,
        columns=columns,
        time_scale="utc",
        states=states,
        source_names={"P": "1", "S": "2"},
    )
    assert apply_source_log(shots(), rows).shots.live.tolist()[:3] == [True, False, True]


def test_logs_that_overlap(apply) -> None:
    assert apply(LOG.replace("2,999", "2,998"), LOG.split("2,999")[0]).shots.live[2] == False  # noqa: E712
    with pytest.raises(ShotTableError, match="source 1 shot point 101 is logged twice, and diff"):
        apply(LOG, LOG.replace("0.3", "0.9"))
    # Where both rows are, by name of the file.
    with pytest.raises(ShotTableError, match=r"\w+\.csv, line 2 and \w+\.csv, line 2: source 1"):
        apply(LOG, LOG.replace("0.3", "0.9"))


def test_a_log_of_another_line_is_told_as_such(apply) -> None:
    other = "".join(
        line.replace(",10", ",60") if line[0] in "12" else line
        for line in LOG.splitlines(keepends=True)
    )
    messages = [f.message for f in apply(other).findings if f.metric == "shots_not_logged"]
    assert "the log is of another line or sequence" in messages[0]


def test_logged_shots_that_the_table_lacks(apply) -> None:
    fired = apply(LOG, table=shots().take(np.arange(4)))
    assert "logged_without_shot" in [finding.metric for finding in fired.findings]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("2,102,,reduced", "2,102,,weird", r"line 3, column Flag: 'weird' is not one of full"),
        ("1,101,", "1,10.5,", r"line 2, column SP: '10.5' is not a whole number"),
        ("1,101,", ",101,", r"line 2, column Array: '' is no source"),
        ("2000,6.0,\n", "x,6.0,\n", r"line 2, column Psi: 'x' is not a number"),
        ("2025-01-01T00:01:02.25", "noon", r"line 9, column Time: 'noon' is no ISO 8601"),
        ("2025-01-01T00:01:02.25", "", "the autofire of source 2 has no fire time"),
        ("2,102,,reduced,0,", "2,102,,reduced,", "another number of cells than the header"),
        ("Array,", "Source,", r"column 'Array' is not in the header \(Source"),
    ],
)
def test_bad_logs(apply, old: str, new: str, message: str) -> None:
    with pytest.raises(ShotTableError, match=message):
        apply(LOG.replace(old, new, 1))


def test_empty_and_missing_logs(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("")
    with pytest.raises(ShotTableError, match=r"log\.csv: the log is empty"):
        read_source_log(path, columns=COLUMNS, time_scale="utc")
    with pytest.raises(ShotTableError, match="cannot be read"):
        read_source_log(tmp_path / "none.csv", columns=COLUMNS, time_scale="utc")
    with pytest.raises(ShotTableError, match="Map source and shot_point"):
        read_source_log(path, columns={"source": "a"}, time_scale="utc")


@settings(derandomize=True, max_examples=80, deadline=None)
@given(at=st.integers(0, len(LOG)), width=st.integers(0, 9), new=st.text(max_size=6))
def test_damaged_logs(tmp_path_factory, at: int, width: int, new: str) -> None:
    path = tmp_path_factory.getbasetemp() / "damaged-log.csv"
    damaged = LOG[:at] + new + LOG[at + width :]
    path.write_bytes(damaged.encode("utf-8", errors="replace"))
    said = ""
    try:
        fired = apply_source_log(shots(), read_source_log(path, columns=COLUMNS, time_scale="utc"))
    except ShotTableError as error:
        said = str(error)
        assert said.count(":") >= 1
    else:
        assert len(fired.shots) == len(fired.state)
