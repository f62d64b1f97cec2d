"""A method of another package through the line file and the command line."""

from __future__ import annotations

from pathlib import Path

import pytest
from outside_package import CODE, install
from small_line import FAIL, Call, SmallLine

TABLE = "[separation.settings]\npatch = [20, 1, 32]"


@pytest.fixture
def outside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = tmp_path / "site"
    site.mkdir()
    install(
        site,
        "outside-methods",
        {"outside_methods.py": CODE},
        {"outside": "outside_methods:Outside", "outside-broken": "outside_methods:NotThere"},
    )
    monkeypatch.syspath_prepend(str(site))


def choose(line: SmallLine, name: str, settings: str) -> None:
    line.rewrite("iterations = 25", f'iterations = 4\nmethod = "{name}"')
    line.rewrite(TABLE, f"[separation.settings]\n{settings}")


@pytest.mark.usefixtures("outside", "plain_page")
def test_it_runs_with_its_settings(line: SmallLine, call: Call) -> None:
    choose(line, "outside", "patch = [20, 1, 32]\nstrength = 1.5")
    checked = call("check", line.line_file)
    assert checked.exit_code == 0, checked.output
    assert "outside (" in checked.output
    assert "strength 1.5" in " ".join(checked.output.split())
    assert call("separate", line.line_file).exit_code == FAIL
    assert "outside" in (line.out / "manifest.json").read_text()


@pytest.mark.usefixtures("outside")
@pytest.mark.parametrize(
    ("name", "settings", "message"),
    [
        ("outside", "strenght = 1.5", "Did you mean 'strength'?"),
        ("outside", 'strength = "big"', "setting strength is 'big'"),
        ("outside-broken", "", "package outside-methods 1.5"),
        ("outsde", "", "Did you mean 'outside'?"),
    ],
)
def test_what_is_wrong_is_said(
    line: SmallLine, call: Call, name: str, settings: str, message: str
) -> None:
    choose(line, name, settings)
    result = call("separate", line.line_file)
    assert result.exit_code == 2
    assert message in " ".join(result.stderr.split())
    assert not line.out.exists()
