"""The pages in Markdown and .ci/run agree with the code and the measured numbers."""

from __future__ import annotations

import re
import runpy
import subprocess
import sys
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import deblend
from deblend.synth.build import build_line
from deblend.synth.demo_line import demo_design
from deblend.synth.write import write_line

ROOT = Path(__file__).parents[1]
PAGES = (
    "README.md",
    "DEVELOPERS.md",
    "examples/README.md",
    "benchmarks/README.md",
    "tests/data/README.md",
)
ENTRY_POINTS = ("deblend.readers", "deblend.separators")
TEXT = {page: (ROOT / page).read_text(encoding="utf-8") for page in PAGES}
README, DEVELOPERS = TEXT["README.md"], TEXT["DEVELOPERS.md"]
CI = (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.DOTALL | re.MULTILINE)


def test_two_commands_of_one_line_each() -> None:
    commands = blocks(README, "bash")
    assert [command.count("\n") for command in commands] == [1, 1]
    assert "deblend demo --out deblend-demo" in commands[0]
    assert commands[1].rstrip().endswith(".venv/bin/pytest -n 2")
    assert all(command.startswith("python3 -m venv .venv && ") for command in commands)


def test_ci_runs_the_commands_of_the_readme() -> None:
    """`.ci/run` looks for a line that begins so and names the program; there must be one each."""
    assert """grep -m 1 "^python3 -m venv .*$1" README.md""" in CI
    for program in ("pytest", "deblend"):
        assert f"command=$(readme_command {program})" in CI
    lines = [line for line in README.splitlines() if line.startswith("python3 -m venv ")]
    assert [line for line in lines if re.search("^python3 -m venv .*deblend", line)] == lines[:1]
    assert [line for line in lines if re.search("^python3 -m venv .*pytest", line)] == lines[1:]
    assert len(lines) == 2


def test_tables_are_those_of_the_code_and_of_the_benchmarks() -> None:
    command = [sys.executable, "-m", "benchmarks.readme", "--check"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_readme_is_short() -> None:
    assert len(README.splitlines()) <= 200


@pytest.mark.parametrize("page", ["README.md", "examples/README.md"])
def test_numbers_stand_in_the_tables_only(page: str) -> None:
    """Decibels and sizes in the text would not be checked against the benchmarks."""
    text = re.sub(r"<!-- (\w+) -->.*?<!-- end of \1 -->", "", TEXT[page], flags=re.DOTALL)
    assert re.findall(r"\d[\d.,]* ?(?:dB|GB|MB|s\b|%)", text) == []


@pytest.mark.parametrize("page", PAGES)
def test_links_lead_somewhere(page: str) -> None:
    folder = (ROOT / page).parent
    links = re.findall(r"\]\(([^)#]*)(?:#([^)]+))?\)", TEXT[page])
    assert links
    for file, heading in links:
        path = (folder / file).resolve() if file else ROOT / page
        assert path.exists(), file
        if heading:
            assert heading in headings(path.read_text(encoding="utf-8")), (file, heading)


def headings(text: str) -> set[str]:
    """Headings as links name them: small letters, no punctuation, hyphens for blanks."""
    found = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in found}


@pytest.mark.parametrize("page", PAGES)
def test_modules_and_files_that_are_named_exist(page: str) -> None:
    """`benchmarks.room.name`, `deblend.room.name` and paths of this repository in backticks."""
    missing = []
    for name in re.findall(r"`(?:python -m )?((?:benchmarks|deblend)\.[a-z_.]+[a-z_])", TEXT[page]):
        parts = name.split(".")
        known = exists(parts) or exists(parts[:-1]) or hasattr(deblend, parts[1])
        if not known and name not in ENTRY_POINTS:
            missing.append(name)
    for path in re.findall(r"`((?:benchmarks|deblend|tests|examples)/[\w./-]+)`", TEXT[page]):
        if not (ROOT / path).exists():
            missing.append(path)
    assert missing == []


def exists(module: list[str]) -> bool:
    """Whether a module or package of that name is in the repository."""
    path = ROOT.joinpath(*module)
    return len(module) > 1 and (path.is_dir() or path.with_suffix(".py").exists())


def test_the_example_line_file_names_known_keys() -> None:
    example = tomllib.loads((ROOT / "examples" / "line.toml").read_text(encoding="utf-8"))
    assert set(example) == {"records", "shots", "geometry", "separation", "output"}


def test_extras_hold_what_the_commands_need() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    extras = project["project"]["optional-dependencies"]
    assert any(name.startswith("pytest-xdist") for name in extras["test"])
    assert (
        "not slow and not browser and not gpu"
        in (project["tool"]["pytest"]["ini_options"]["addopts"])
    )


@pytest.fixture
def small_demo_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A short demonstration line where README.md has the demonstration leave it."""
    plan = demo_design()
    acquisition = replace(
        plan.acquisition,
        streamer=replace(plan.acquisition.streamer, channel_count=2),
        firing=replace(plan.acquisition.firing, shots_per_source=8),
    )
    line = build_line(replace(plan, acquisition=acquisition))
    write_line(line, tmp_path / "deblend-demo/line", record_format="segd")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.usefixtures("small_demo_line")
@pytest.mark.parametrize(
    "code",
    [code for page in ("README.md", "examples/README.md") for code in blocks(TEXT[page], "python")],
)
def test_python_of_the_pages_runs(tmp_path: Path, code: str) -> None:
    script = tmp_path / "example.py"
    script.write_text(code, encoding="utf-8")
    names = runpy.run_path(str(script))
    recording = names["recording"] if "recording" in names else names["line"].recording
    assert recording.interval_ns == 4_000_000
    if "result" in names:
        assert names["result"].estimate.dims == ("shot", "channel", "time")
        assert names["result"].estimate.shape == (32, 2, 775)
        assert names["result"].history[-1].residual_db < -10


def test_method_of_the_developers_page_runs(tmp_path: Path) -> None:
    """Its function on shots that are all alike: the wanted source lines up and is kept."""
    generator = np.random.default_rng(3)
    fire_time_ns = (1.0 + np.arange(24) + generator.uniform(0, 0.4, 24)) * 1e9
    shots = deblend.make_shots(
        np.arange(24) % 2, np.arange(24), np.rint(fire_time_ns), "utc", unit="ns"
    )
    operator = deblend.make_operator(
        shots, start_ns=0, interval_ns=4_000_000, sample_count=7000, length=300
    )
    trace = np.convolve(generator.standard_normal(300), np.hanning(9), "same") * np.hanning(300)
    gathers = np.broadcast_to(trace.astype(np.float32), (24, 3, 300))
    names = {
        "deblend": deblend,
        "recording": deblend.Recording(
            operator.blend(gathers), interval_s=0.004, start=0, time_scale="utc"
        ),
        "shots": shots,
        "length_s": 1.2,
    }
    script = tmp_path / "recipe.py"
    script.write_text(blocks(DEVELOPERS, "python")[0], encoding="utf-8")
    estimate = runpy.run_path(str(script), init_globals=names)["result"].estimate.values
    assert np.linalg.norm(estimate - gathers) < 0.1 * np.linalg.norm(gathers)
