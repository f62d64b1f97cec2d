"""Seams: energies by hand, the worst window in its place, nothing where nothing is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from qc_line import measured_line, small_setup

from deblend.model.findings import Finding
from deblend.model.shots import make_shots
from deblend.qc.seams import CHANNELS, SHOTS, SeamWindows, join_seams, seam_findings, seam_windows

WINDOWS = [(0, 10), (10, 20)]
TABLE = make_shots(np.ones(40), np.arange(100, 140), np.arange(40) * 10**9, "utc")


def findings_of(seams: SeamWindows) -> list[Finding]:
    line = measured_line(replace(small_setup(TABLE, WINDOWS), channel_count=30), seams=seams)
    return list(seam_findings(line))


def test_a_known_difference_is_read_in_decibels() -> None:
    # A tenth of the amplitude everywhere, the whole amplitude in one window: -20 dB and 0 dB.
    delivered = np.ones((16, 4, 20), np.float32)
    other = 1.1 * delivered
    other[SHOTS:, :, 10:] = 2.0
    seams = seam_windows(delivered, other, np.arange(4, 20), range(8, 12), WINDOWS)
    overall, worst = findings_of(seams)
    assert (overall.metric, worst.metric) == ("seam_overall", "seam_worst")
    assert overall.value == pytest.approx(10 * np.log10((3 * 0.01 + 1.0) / 4), abs=1e-4)
    assert worst.value == pytest.approx(0.0, abs=1e-6)
    assert (worst.shot_point, worst.channel, worst.window_s) == (112, 9, (0.04, 0.08))
    assert worst.verdict == overall.verdict == "look"
    assert worst.limit == -20.0


def test_windows_are_cut_by_shots_channels_and_time() -> None:
    shape = (SHOTS + 1, CHANNELS + 1, 20)
    zeros = np.zeros(shape, np.float32)
    seams = seam_windows(zeros, zeros, np.arange(shape[0]), range(shape[1]), WINDOWS)
    assert seams.samples.tolist() == [320, 320, 80, 80, 40, 40, 10, 10]
    assert seams.row.tolist() == [0, 0, 0, 0, SHOTS, SHOTS, SHOTS, SHOTS]
    assert not findings_of(seams)


def test_windows_without_signal_do_not_count() -> None:
    delivered = np.ones((8, 4, 20), np.float32)
    delivered[:, :, 10:] = 1e-4
    other = delivered.copy()
    other[:, :, 10:] *= 3
    other[:, :, :10] *= 1.001
    seams = seam_windows(delivered, other, np.arange(8), range(4), WINDOWS)
    joined = join_seams([seams, seams])
    overall, worst = findings_of(joined)
    assert worst.value == pytest.approx(-60.0, abs=0.01)
    assert worst.verdict == overall.verdict == "pass"
