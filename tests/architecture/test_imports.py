"""Import directions, read from the syntax trees: which room may know which."""

from __future__ import annotations

import ast
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest

import deblend

ROOT: Final = Path(deblend.__file__).parent
FILES: Final = sorted(ROOT.rglob("*.py"))
LONGEST: Final = 600

BASE: Final = {
    "decibels",
    "array_file",
    "card",
    "compiled",
    "errors",
    "files",
    "memory",
    "plugins",
    "progress",
    "versions",
    "words",
}
"""Modules at the top that know no room and may be used by every one."""
METHODS: Final = {"separation.methods", "separation.transforms"}
SUBROOMS: Final = METHODS | {"check.headers"}
"""Folders in a room that have a row of their own."""
STEPS: Final = {"model", "records", "separation", "qc"}

ALLOWED: Final[dict[str, set[str]]] = {
    "array_file": set(),
    "decibels": set(),
    "card": set(),
    "compiled": set(),
    "errors": set(),
    "files": set(),
    "memory": set(),
    "plugins": set(),
    "progress": set(),
    "versions": set(),
    "words": set(),
    "arrays": set(),
    "vector_transforms": {"arrays"},
    "cluster": {"arrays"},
    "model": set(),
    "separation.methods": {"arrays", *METHODS},
    "separation.transforms": {"arrays", "vector_transforms", *METHODS},
    "blending": {"model", "arrays", "vector_transforms"},
    "separation": {"blending", "model", "arrays", "vector_transforms", *METHODS},
    "records": {"model"},
    "deliver": {"model"},
    "synth": {"model", "blending", "records", "arrays"},
    "qc": {"model", "blending", "separation", "arrays"},
    "stack": {"model", "qc", "arrays"},
    "in_memory": {*STEPS, "check"},
    "report": {"qc", "stack", "model"},
    "testing": {"separation", "records", "model", "arrays", *METHODS},
    "check.headers": {"model", "records"},
    "line": {"model", "records", "separation", "blending", "qc", "check.headers", "arrays"},
    "results": {*STEPS, "line", "report", "synth", "deliver"},
    "check": {*STEPS, "arrays", "blending", "check.headers", "line", "results"},
    "run": {
        *STEPS,
        "arrays",
        "check",
        "cluster",
        "blending",
        "deliver",
        "line",
        "report",
        "results",
    },
    "demo": {"line", "run", "synth"},
    "inject": {*STEPS, "blending", "cluster", "line", "report", "results", "run", "stack"},
    "trial": {*STEPS, "line", "report", "results", "run", "stack"},
    "view": {*STEPS, "line", "report", "results", "run", "stack"},
    "plan": {*STEPS, "blending", "report", "synth"},
    "study": {*STEPS, "arrays", "cluster", "blending", "inject", "line", "plan", "report", "synth"},
}
"""Steps never know commands; commands know steps, and each other where one is made of another."""
CONTRACTS: Final = {
    "separation.methods": {"deblend.separation.contract"},
    "separation.transforms": {"deblend.separation.contract"},
}
"""Single modules that a room may use though it may not know the room: what a method is handed."""
ALLOWED["cli"] = {*ALLOWED}

FOREIGN: Final[dict[str, set[str]]] = {
    "matplotlib": {"report"},
    "mpl_toolkits": {"report"},
    "jinja2": {"report", "view"},
    "bokeh": {"report", "view"},
    "tornado": {"view"},
    "dask": {"cluster"},
    "distributed": {"cluster", "run", "study"},
    "zarr": {"run"},
    "pyarrow": {"study"},
    "cloudpickle": {"study"},
    "segyio": {"deliver"},
    "click": {"cli"},
    "rich": {"cli"},
}
"""Packages that only some rooms may load."""

NOT_AT_IMPORT: Final = (
    *("matplotlib", "jinja2", "bokeh", "dask", "zarr", "pyarrow", "segyio", "xarray", "numba"),
)


def room_of(module: str) -> str:
    """The room of a module given without the leading package name."""
    for room in sorted(SUBROOMS):
        if module == room or module.startswith(room + "."):
            return room
    return module.split(".")[0]


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def imports_of(path: Path) -> Iterator[str]:
    """Full names of all that a file imports, inside functions too."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            module = node.module or ""
            below = (f"{module}.{alias.name}" for alias in node.names)
            known = (name for name in below if is_module(name))
            first = next(known, None)
            yield from ([module] if first is None else [first, *known])


def is_module(name: str) -> bool:
    path = ROOT.parent.joinpath(*name.split("."))
    return path.with_suffix(".py").is_file() or (path / "__init__.py").is_file()


def rooms_imported(path: Path) -> set[str]:
    names = {name for name in imports_of(path) if name.split(".")[0] == "deblend"}
    if path.is_relative_to(ROOT):
        names -= CONTRACTS.get(room_of(module_of(path)), set())
    return {room_of(name.removeprefix("deblend.")) for name in names if "." in name}


@pytest.mark.parametrize("path", FILES, ids=[str(path.relative_to(ROOT)) for path in FILES])
def test_rooms_know_only_what_they_may(path: Path) -> None:
    room = room_of(module_of(path))
    if path == ROOT / "__init__.py":
        assert "cli" not in rooms_imported(path)
        return
    assert room in ALLOWED, f"{room} is a room without a rule"
    wrong = rooms_imported(path) - ALLOWED[room] - BASE - {room}
    assert not wrong, f"{room} may not import {sorted(wrong)}"


@pytest.mark.parametrize("path", FILES, ids=[str(path.relative_to(ROOT)) for path in FILES])
def test_packages_stay_in_their_rooms(path: Path) -> None:
    room = room_of(module_of(path))
    for name in imports_of(path):
        rooms = FOREIGN.get(name.split(".")[0])
        assert rooms is None or room in rooms, f"{room} may not import {name}"
        assert name.split(".")[0] != "pickle"


@pytest.mark.parametrize("path", FILES, ids=[str(path.relative_to(ROOT)) for path in FILES])
def test_no_file_is_too_long(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST


def test_the_rules_can_fail(tmp_path: Path) -> None:
    path = tmp_path / "sample.py"
    path.write_text("def f():\n    from deblend.line import line_file\n    import segyio\n")
    assert rooms_imported(path) == {"line"}
    assert set(imports_of(path)) == {"deblend.line.line_file", "segyio"}


def test_import_is_light(capsys: pytest.CaptureFixture[str]) -> None:
    code = f"""
import sys, deblend
loaded = sorted(set({NOT_AT_IMPORT}) & set(sys.modules))
sys.exit(f"import deblend loads {{loaded}}" if loaded else 0)
"""
    begin = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    with capsys.disabled():
        print(f"\nimport deblend: {time.perf_counter() - begin:.2f} s with the interpreter's start")
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_every_file_says_what_it_is_for(path: Path) -> None:
    text = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    assert len(text.split()) >= 3
    assert "TODO" not in text
