"""The command line on a small line."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from small_line import Call, SmallLine, make_small_line

from deblend.cli.main import main
from deblend.report.contents import Contents


@pytest.fixture
def line(tmp_path: Path) -> SmallLine:
    return make_small_line(tmp_path / "line")


@pytest.fixture
def call() -> Call:
    """Call `deblend` with arguments."""
    return lambda *arguments: CliRunner().invoke(main, [str(part) for part in arguments])


@pytest.fixture
def plain_page(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out the drawing, which takes most of the time of a small run."""

    def write(contents: Contents, path: Path, extras: object = None) -> None:
        path.write_text(contents.title)

    monkeypatch.setattr("deblend.report.page.write_report", write)
