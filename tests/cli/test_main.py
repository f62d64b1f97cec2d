"""The command line itself: help, keys, errors, exit status; the library behind it is faked."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from deblend import __version__
from deblend.check.check import Check
from deblend.cli.errors import plain_errors
from deblend.cli.main import main
from deblend.errors import OutputError
from deblend.line.line_file import LineFile, list_keys
from deblend.model.findings import Finding
from deblend.progress import Progress
from deblend.results.output_folder import UNFINISHED
from deblend.run.begin import RunOptions
from deblend.run.execute import Machines
from deblend.run.pipeline import Outcome


def call(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(part) for part in arguments])


def test_help_names_the_commands() -> None:
    result = call("--help")
    assert result.exit_code == 0
    for command in ("demo", "make", "blend", "check", "separate", "report"):
        assert re.search(rf"^  {command} ", result.output, re.MULTILINE)
        assert call(command, "--help").exit_code == 0
    assert __version__ in call("--version").output


def test_what_commands_do_is_not_cut_short_on_a_terminal_of_80_columns() -> None:
    lines = CliRunner().invoke(main, ["--help"], terminal_width=80).output.splitlines()
    told = lines[lines.index("Commands:") + 1 :]
    assert len(told) > 8
    assert not [line for line in told if "..." in line]


def test_help_loads_no_numerical_package() -> None:
    code = """
import sys
from deblend.cli.main import main
try:
    main(["--help"])
except SystemExit:
    pass
heavy = {"numpy", "scipy", "matplotlib", "xarray", "numba", "rich", "msgspec"} & set(sys.modules)
sys.exit(str(sorted(heavy)) if heavy else 0)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_keys_are_listed() -> None:
    result = call("check", "--keys")
    assert result.exit_code == 0
    for key in list_keys():
        assert f"| {key.name} |" in result.output
        assert key.description in result.output


def test_check_wants_a_line_file() -> None:
    result = call("check")
    assert result.exit_code == 2
    assert result.stderr == (
        "error: deblend check: no line file was given. Name one, or ask for --keys.\n"
    )


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (
            ["--trac"],
            "deblend: no such option '--trac'. Did you mean '--traceback'? `deblend --help`",
        ),
        (["chek"], "deblend: no such command 'chek'. Did you mean 'check'? `deblend --help`"),
        (
            ["separate", "line.toml", "--scheduler"],
            "deblend separate: option '--scheduler' requires an argument. "
            "`deblend separate --help` lists",
        ),
        (["check", "--foo"], "deblend check: no such option '--foo'. `deblend check --help` lists"),
        (["demo"], "deblend demo: missing option '--out'. `deblend demo --help` lists what it"),
        (["report"], "deblend report: missing argument 'OUT'. `deblend report --help` lists"),
        (["blend", "a", "b"], "deblend blend: got unexpected extra argument (b). `deblend blend"),
        (
            ["make", "x", "--size", "huge"],
            "deblend make: invalid value for '--size': 'huge' is not",
        ),
        (
            ["make", "x"],
            "deblend make: no folder (--out) was given. Name both, or ask for --scenes or --keys",
        ),
        (["compare", "--out", "x"], "deblend compare: no study file was given. Name both, or ask"),
        (["judge"], "deblend judge: no folder was given. Name that of a finished run"),
        (["plan"], "deblend plan: no plan file was given. Name one, or ask for --keys."),
        (
            ["plan", "x", "--shots", "y"],
            "deblend plan: --shots is given without --time-scale. They",
        ),
        (
            ["plan", "x", "--time-scale", "utc"],
            "deblend plan: --time-scale is given without --shots.",
        ),
        (
            ["plan", "x", "--delays", "y"],
            "deblend plan: --delays is given without --shots. They go",
        ),
        (
            ["separate", "x", "--memory-gb", "nan"],
            "deblend separate: invalid value for '--memory",
        ),
        (
            ["separate", "x", "--memory-gb", "inf"],
            "deblend separate: invalid value for '--memory",
        ),
        (
            ["separate", "x", "--scheduler", ""],
            "deblend separate: invalid value for '--sched",
        ),
        (
            ["compare", "x", "--out", "y", "--processes", 0],
            "deblend compare: invalid value for '--pro",
        ),
        (
            ["inject", "x", "--out", "y", "--seed", -1],
            "deblend inject: invalid value for '--seed'",
        ),
        (
            ["benchmark-line", "a", "b", "--out", "c", "--farthest-m", "nan"],
            "deblend benchmark-line: invalid value for '--farthest-m': nan is no finite number.",
        ),
        (
            ["separate", "x", "--prepare", "--finish"],
            "deblend separate: several of --prepare, --block",
        ),
        (
            ["separate", "x", "--processes", 2, "--scheduler", "tcp://a:1"],
            "deblend separate: both --processes and --scheduler are given. Blocks go to",
        ),
        (
            ["separate", "x", "--block", 0, "--restart"],
            "deblend separate: --restart cannot be given with --block. --block and --finish follow",
        ),
    ],
)
def test_errors_of_usage_are_one_line_that_says_what_where_and_what_to_do(
    arguments: list[object], said: str
) -> None:
    result = call(*arguments)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr.startswith(f"error: {said}")
    assert result.stderr.count("\n") == 1
    assert result.stderr.endswith(".\n")


@pytest.mark.parametrize("command", ["check", "separate"])
def test_missing_line_file(command: str, tmp_path: Path) -> None:
    result = call(command, tmp_path / "absent.toml")
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr.count("\n") == 1
    assert result.stderr.startswith(f"error: {tmp_path}/absent.toml: the line file cannot be read")


def test_traceback_on_request(tmp_path: Path) -> None:
    result = call("--traceback", "separate", tmp_path / "absent.toml")
    assert "absent.toml" in str(result.exception)
    assert type(result.exception).__name__ == "SettingsError"


def test_what_was_not_foreseen_is_one_line_too(monkeypatch: pytest.MonkeyPatch) -> None:
    def fault(*arguments: object) -> Path:
        raise ZeroDivisionError("division\nby zero")

    monkeypatch.setattr("deblend.results.rebuild_report.rebuild_report", fault)
    result = call("report", "somewhere")
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1
    assert "ZeroDivisionError: division by zero" in result.stderr
    assert "--traceback report" in result.stderr


def test_a_stop_says_that_nothing_was_written(monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(*arguments: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("deblend.results.rebuild_report.rebuild_report", stop)
    result = call("report", "somewhere")
    assert result.exit_code == 130
    assert result.stderr == "stopped: no result was written\n"


def test_a_blend_without_its_gathers_leaves_no_folder(tmp_path: Path) -> None:
    plan = Path(__file__).parents[2] / "examples" / "blend_two_shots.toml"
    result = call("blend", plan, "--inputs", tmp_path, "--out", tmp_path / "line")
    assert result.exit_code == 2
    assert "north-sea-two-shots.sgy: the file cannot be read" in result.stderr
    assert not (tmp_path / "line").exists()


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    out = tmp_path / "file" / "table.csv"
    result = call("benchmark-line", tmp_path / "a.sgy", tmp_path / "b.sgy", "--out", out)
    assert result.exit_code == 2
    assert result.stderr.startswith(f"error: {out.parent}: the folder cannot be made")


@pytest.mark.parametrize(("verdict", "status"), [("note", 0), ("look", 1), ("fail", 1)])
def test_status_of_check(monkeypatch: pytest.MonkeyPatch, verdict: str, status: int) -> None:
    finding = Finding("some_thing", 3.0, "shots", verdict, "Look [here].", shot_point=12)  # type: ignore[arg-type]
    found = Check(rows=(("line", "a [b]"),), findings=(finding,))
    monkeypatch.setattr("deblend.line.line_file.read_line_file", lambda path: None)
    monkeypatch.setattr(
        "deblend.check.check.check_line", lambda line, overwrite, with_samples: found
    )
    result = call("check", "line.toml")
    assert result.exit_code == status
    assert "a [b]" in result.stdout
    if status:
        assert "Look [here]." in result.stdout
        assert "shot point 12" in result.stdout


def test_demo_refuses_a_full_folder(tmp_path: Path) -> None:
    (tmp_path / "mine").touch()
    result = call("demo", "--out", tmp_path)
    assert result.exit_code == 2
    assert f"error: {tmp_path}: the folder is not empty" in result.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["mine"]


def test_a_demo_that_fails_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fault(*arguments: object) -> None:
        raise OutputError("no space", remedy="Make some.")

    monkeypatch.setattr("deblend.run.pipeline.stage_records", fault)
    out = tmp_path / "demo"
    result = call("demo", "--out", out, "--small")
    assert result.exit_code == 2
    assert "no space" in result.stderr
    assert not out.exists()


def test_report_of_an_unfinished_run(tmp_path: Path) -> None:
    (tmp_path / UNFINISHED).mkdir()
    result = call("report", tmp_path)
    assert result.exit_code == 2
    assert "report-samples.npz: does not exist" in result.stderr


def test_make_lists_its_scenes() -> None:
    result = call("make", "--scenes")
    assert result.exit_code == 0
    assert "two-sources" in result.stdout


def test_blend_names_a_plan_that_is_missing(tmp_path: Path) -> None:
    result = call("blend", tmp_path / "absent.toml")
    assert result.exit_code == 2
    assert result.stderr.startswith(f"error: {tmp_path}/absent.toml: the plan file cannot be read")


def test_check_as_json(monkeypatch: pytest.MonkeyPatch) -> None:
    finding = Finding("some_thing", float("nan"), "", "look", "Look.", shot_point=12)
    found = Check(rows=(("line", "a"),), findings=(finding,))
    monkeypatch.setattr("deblend.line.line_file.read_line_file", lambda path: None)
    monkeypatch.setattr(
        "deblend.check.check.check_line", lambda line, overwrite, with_samples: found
    )
    result = call("check", "line.toml", "--json")
    assert result.exit_code == 1
    content = json.loads(result.stdout)
    assert content["clean"] is False
    assert content["rows"] == {"line": "a"}
    assert content["findings"][0]["value"] is None
    assert content["findings"][0]["shot_point"] == 12


def test_trouble_of_many_shots_is_one_line_and_all_of_the_json(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    many = tuple(
        Finding("misfire", 0.0, "%", "fail", f"Shot {point}.", source=2, shot_point=point)
        for point in range(1001, 1301)
    )
    found = Check(rows=(("line", "a"),), findings=many)
    monkeypatch.setattr("deblend.line.line_file.read_line_file", lambda path: None)
    monkeypatch.setattr(
        "deblend.check.check.check_line", lambda line, overwrite, with_samples: found
    )
    shown = call("check", "line.toml").stdout
    assert "Source 2 shot point 1001 to 1300. The first of them: Shot 1001." in " ".join(
        shown.split()
    )
    assert "Shot 1002" not in shown
    assert "300 findings: 300 to look at, shown as 1; --json has all" in shown
    content = json.loads(call("check", "line.toml", "--json").stdout)
    assert len(content["findings"]) == 300


def test_every_alternative_of_a_plan_has_its_column() -> None:
    # No --out: the table alone. Rich leaves out columns that find no room, without a word.
    result = call("plan", Path(__file__).parents[2] / "examples" / "plan.toml")
    assert result.exit_code == 3, result.output  # together, the sources exceed the permit
    (bins,) = (line for line in result.output.splitlines() if "inline bin (m)" in line)
    assert bins.split()[3:] == ["5"] * 5


def test_machines_given_on_the_command_line_keep_the_patience_of_the_line_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    used: list[Machines | None] = []

    def run(line: LineFile, progress: Progress, *, options: RunOptions) -> Outcome:
        used.append(options.machines)
        raise OutputError("nothing is run here", remedy="None.")

    monkeypatch.setattr("deblend.run.pipeline.run_line", run)
    line = tmp_path / "line.toml"
    line.write_text(
        '[records]\nfiles = ["*.sgy"]\ntime_scale = "utc"\n[shots]\nfile = "shots.csv"\n'
        '[separation]\nlength_s = 3.0\n[output]\nfolder = "out"\n'
        '[run]\nscheduler = "tcp://a:1"\nstalled_after_s = 7.0\n'
    )
    for options in ((), ("--processes", 2), ("--scheduler", "tcp://b:2")):
        assert call("separate", line, *options).exit_code == 2
    assert used == [
        None,  # those of the line file
        Machines(processes=2, stalled_after_s=7.0),
        Machines(scheduler="tcp://b:2", stalled_after_s=7.0),
    ]


def test_an_ended_command_looks_for_no_garbage() -> None:
    code = """
import sys
from deblend.cli.main import main

class Cycle:
    def __init__(self):
        self.own = self
    def __del__(self):
        print("looked for")

if "deblend" in sys.argv:
    try:
        main(["check", "--keys"])
    except SystemExit:
        pass
sys.stdout = sys.stderr
Cycle()
"""
    said = [
        subprocess.run(
            [sys.executable, "-c", code, word], capture_output=True, text=True, check=True
        ).stderr
        for word in ("deblend", "nothing")
    ]
    assert said == ["", "looked for\n"]


@pytest.mark.parametrize("first", [signal.SIGINT, signal.SIGTERM])
def test_a_second_request_to_stop_does_not_break_off_the_first(first: signal.Signals) -> None:
    ended: list[str] = []

    @click.command()
    @plain_errors
    def work() -> None:
        try:
            os.kill(os.getpid(), first)
            time.sleep(1)
        finally:
            for again in (signal.SIGINT, signal.SIGTERM):
                os.kill(os.getpid(), again)
            ended.append("orderly")

    before = signal.getsignal(signal.SIGINT)
    result = CliRunner().invoke(work)
    assert result.exit_code == 130
    assert result.stderr == "stopped: no result was written\n"
    assert ended == ["orderly"]
    assert signal.getsignal(signal.SIGINT) is before
