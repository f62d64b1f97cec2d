"""`check` says how navigation was joined, for P1/11, P1/90 and SPS written from the standards."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from segd_bytes import START_NS, START_US
from segd_line import CHANNELS, fired, one_set, pulses, write_line

from benchmarks.input_check.navigation_files import Towed, p111_text, p190_text, sps_text
from deblend.cli.main import main
from deblend.model.geometry import Geometry
from deblend.model.shots import make_shots

WRITERS = {"p111": p111_text, "p190": p190_text, "sps": sps_text}
MISSING = (20, 21)


def towed() -> Towed:
    """The line of `fired` northwards, two streamers of two groups, without two of its shots."""
    shots = fired()
    late_s = np.array([shot.time_us - START_US for shot in shots]) * 1e-6
    source = np.array([shot.source for shot in shots])
    x_m, y_m = 456_000.0 + 30.0 * (source - 2), 6_480_000.0 + 2.3 * late_s
    table = make_shots(
        source,
        np.array([shot.shot_point for shot in shots]),
        START_NS + np.rint(late_s * 1e9).astype(np.int64),
        "gps",
        line=np.full(len(shots), "1001"),
        x_m=x_m,
        y_m=y_m,
        depth_m=np.full(len(shots), 6.0),
    )
    astern = 150.0 + 12.5 * np.array([0, 1, 0, 1])
    # To starboard by 2 and by 6 degrees, from 50 m to either side of the track.
    feather = np.tan(np.radians([2.0, 2.0, 6.0, 6.0]))
    receiver_x_m = 456_000.0 + np.array([-50.0, -50.0, 50.0, 50.0]) + astern * feather
    receiver_x_m = np.tile(receiver_x_m, (len(shots), 1))
    receiver_y_m = y_m[:, None] - astern
    offset_m = np.hypot(receiver_x_m - x_m[:, None], receiver_y_m - y_m[:, None])
    kept = np.delete(np.arange(len(shots)), MISSING)
    geometry = Geometry(
        offset_m[kept], receiver_x_m[kept], receiver_y_m[kept], np.full(CHANNELS, 8.0)
    )
    return Towed(table.take(kept), geometry, np.array([1, 1, 2, 2]))


@pytest.mark.parametrize("form", WRITERS)
def test_check_says_how_navigation_was_joined(tmp_path: Path, form: str) -> None:
    names = {"p111": ("S1", "S2"), "p190": ("1", "2")}.get(form)
    tables = f'[navigation]\nfiles = ["line.{form}"]\n'
    if names:
        tables += f"first_channel = {{ {names[0]} = 1, {names[1]} = 3 }}\n"
    shots = fired()
    path = write_line(tmp_path, shots, one_set(pulses(shots)), tables=tables)
    line = towed()
    (tmp_path / f"line.{form}").write_text(WRITERS[form](line))
    shown = CliRunner().invoke(main, ["check", str(path)])
    text = " ".join(re.sub(r"[│┌└─┐┘]", " ", shown.output).split())
    assert shown.exit_code == 1, shown.output
    assert f"navigation line.{form}" in text
    assert {"p111": "EPSG:32631", "p190": "ZONE 31N", "sps": "31N"}[form] in text
    assert {"p111": "G1 is source 1, G2 is source 2"}.get(form, "as in the shot table") in text
    assert re.search(r"Streamer S?1 lies 2\.\d to", text)
    assert "shots without position 2: source 1 shot point 1022; source 3 shot point 1021" in text
    for source in (1, 2, 3):
        own = line.geometry.offset_m[line.shots.rows_of(source)]
        (low, high) = re.search(rf"source {source}: ([\d.]+) to ([\d.]+) m", text).groups()
        assert float(low) == pytest.approx(own.min(), abs=0.11)
        assert float(high) == pytest.approx(own.max(), abs=0.11)
