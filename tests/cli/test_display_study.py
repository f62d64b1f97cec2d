"""What a study shows on the terminal."""

from __future__ import annotations

from dataclasses import replace

import pytest

from deblend.cli.display_study import row_display, show_summaries
from deblend.study.summary import summaries

ROW = {
    "scene": "s",
    "size": "small",
    "blend": "b [bold]",
    "noise": "n",
    "seed": 0,
    "method": "a :fire: [red]x",
    "status": "done",
    "message": "",
    "start_db": 0.0,
    "snr_db": 9.0,
    "difference_snr_db": 0.0,
    "snr_window_db": [1.0],
    "leakage_db": 0.0,
    "loss_db": 0.0,
    "seconds": 1.0,
    "peak_mib": 1.0,
    "sources": 2,
    "traceback": "",
}


def test_labels_stand_as_they_are(capsys: pytest.CaptureFixture[str]) -> None:
    found = summaries([ROW, ROW | {"method": "b", "status": "failed"}])
    show_summaries([replace(one) for one in found])
    shown = capsys.readouterr().out
    assert "a :fire: [red]x" in shown
    assert "s, b [bold], n" in shown
    assert "nan" not in shown
    assert "failed" in shown


def test_runs_with_the_time_left_and_each_error_once(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    now = iter([0.0, 60.0, 120.0])
    monkeypatch.setattr("time.monotonic", lambda: next(now))
    show = row_display()
    bad = {"status": "failed", "message": "ValueError: no", "traceback": "Traceback\n  here\n"}
    show(ROW | bad, 1, 4)
    show(ROW | bad, 2, 4)
    shown = capsys.readouterr()
    assert shown.out.splitlines() == [
        "1/4  s, b [bold], n, seed 0, a :fire: [red]x: failed: ValueError: no, 0:03:00 left",
        "2/4  s, b [bold], n, seed 0, a :fire: [red]x: failed: ValueError: no, 0:02:00 left",
    ]
    assert shown.err == "    Traceback\n      here\n"
