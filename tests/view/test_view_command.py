"""`deblend view` from the command line: address, browser, end, and errors in one line."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from known_line import KnownLine

from deblend.cli.main import main
from deblend.view.serve import Viewing


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Addresses that a browser was asked to open; the server is interrupted at once."""

    def interrupted(viewed: Viewing) -> None:
        raise KeyboardInterrupt

    asked: list[str] = []
    monkeypatch.setattr("webbrowser.open", asked.append)
    monkeypatch.setattr(Viewing, "until_stopped", interrupted)
    return asked


def call(*arguments: object) -> Any:
    return CliRunner().invoke(main, ["view", *map(str, arguments)])


def test_the_address_is_printed_and_opened_and_an_interrupt_is_no_error(
    known: KnownLine, opened: list[str]
) -> None:
    result = call(known.out, "--at", "source=2,shot_point=1008,show=removed")
    assert result.exit_code == 0, result.output
    assert [opened[0] in result.output] * len(opened) == [True]
    assert opened[0].startswith("http://127.0.0.1:")
    assert opened[0].endswith("/?source=2&shot_point=1008&show=removed")
    assert "Ctrl-C" in result.output
    assert result.output.endswith("ended\n")
    again = call(known.out, "--no-browser", "--at", opened[0])
    assert "?source=2&shot_point=1008&show=removed" in again.output
    assert len(opened) == 1


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("nowhere",), "nowhere: the folder does not exist. Name the output folder"),
        ((".",), "the folder holds neither results nor a run"),
        ((".", "--at", "chanel=1"), "chanel is no word of it"),
        ((), "missing argument 'OUT'"),
    ],
)
def test_errors_are_one_line(
    arguments: tuple[str, ...], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = call(*arguments, "--no-browser")
    assert result.exit_code == 2
    assert result.output.startswith("error: ")
    assert said in result.output
    assert result.output.count("\n") == 1
