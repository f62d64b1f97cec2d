"""How many local processes a line gets that asks for none."""

from __future__ import annotations

from pathlib import Path

import pytest

from deblend.line import processes
from deblend.line.line_file import read_line_file

KEYS = """
[records]
files = ["line_*.segy"]
time_scale = "utc"
[shots]
file = "shots.csv"
[separation]
length_s = 2.0
[output]
folder = "out"
"""


@pytest.mark.parametrize(
    ("cores", "cards", "size", "asked", "expected"),
    [
        (2, 0, 1000, None, 1),
        (16, 0, 1000, None, 4),
        (64, 0, 1000, None, 16),
        (16, 8, 1000, None, 8),
        (16, 0, 10, None, 1),
        (16, 0, 10, 3, 3),
    ],
)
def test_cores_and_cards_are_used_where_records_are_large(
    cores: int,
    cards: int,
    size: int,
    asked: int | None,
    expected: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run = "" if asked is None else f"[run]\nprocesses = {asked}\n"
    (tmp_path / "line.toml").write_text(KEYS + run)
    for number in range(2):
        (tmp_path / f"line_{number}.segy").write_bytes(bytes(size // 2))
    monkeypatch.setattr(processes, "thread_count", lambda: cores)
    monkeypatch.setattr(processes, "card_count", lambda: cards)
    monkeypatch.setattr(processes, "LEAST_BYTES", 500)
    assert processes.processes_of(read_line_file(tmp_path / "line.toml")) == expected


def test_cards_are_left_alone_where_the_processor_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "line.toml").write_text(
        KEYS.replace("length_s = 2.0", 'length_s = 2.0\ndevice = "cpu"')
    )
    (tmp_path / "line_1.segy").write_bytes(bytes(1000))
    monkeypatch.setattr(processes, "thread_count", lambda: 8)
    monkeypatch.setattr(processes, "card_count", lambda: 4)
    monkeypatch.setattr(processes, "LEAST_BYTES", 500)
    assert processes.processes_of(read_line_file(tmp_path / "line.toml")) == 2


def test_missing_records_are_left_to_whoever_opens_them(tmp_path: Path) -> None:
    (tmp_path / "line.toml").write_text(KEYS)
    assert processes.processes_of(read_line_file(tmp_path / "line.toml")) == 1
