"""Gathers by their places, against the record and the gathers from which the folder was made."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from known_line import CHANNELS, INTERVAL_NS, LENGTH, SHOTS, START, KnownLine

from deblend.errors import InputError, SettingsError
from deblend.model.place import Place, read_place
from deblend.view.drawn import draw_gather
from deblend.view.gathers import Gather, Gathers
from deblend.view.record import draw_record
from deblend.view.viewed_line import open_viewed


@pytest.fixture(scope="module")
def gathers(known: KnownLine) -> Gathers:
    return Gathers(open_viewed(known.out))


def read(gathers: Gathers, text: str) -> Gather:
    return gathers.read(gathers.settled(read_place(text)))


def cut(known: KnownLine, row: int, channel: int) -> np.ndarray:
    """A trace of the record from the time break on, NaN outside; shots fire at whole samples."""
    first = int(known.shots.fire_time_ns[row] - START) // INTERVAL_NS
    at = first + np.arange(LENGTH)
    inside = (at >= 0) & (at < known.record.shape[1])
    return np.where(inside, known.record[channel, np.where(inside, at, 0)], np.nan)


@pytest.mark.parametrize(
    ("text", "rows", "channels"),
    [
        ("source=1,channel=3", range(0, SHOTS, 2), [2] * (SHOTS // 2)),
        ("source=2,shot_point=1008", [7] * CHANNELS, range(CHANNELS)),
        ("shot_point=1001", [0] * CHANNELS, range(CHANNELS)),
    ],
)
def test_samples_are_those_of_record_and_delivery(
    known: KnownLine, gathers: Gathers, text: str, rows: range, channels: list[int]
) -> None:
    gather = read(gathers, text)
    np.testing.assert_array_equal(gather.traces.rows, rows)
    np.testing.assert_array_equal(gather.traces.channels, channels)
    for trace, (row, channel) in enumerate(zip(rows, channels, strict=True)):
        np.testing.assert_allclose(gather.before[trace], cut(known, row, channel), atol=1e-5)
        after = known.delivered[row, channel] if row else np.full(LENGTH, np.nan)
        np.testing.assert_array_equal(gather.after[trace], after)
    np.testing.assert_array_equal(gather.version("removed"), gather.before - gather.after)


def test_offset_and_midpoint_gathers_hold_what_their_names_say(
    known: KnownLine, gathers: Gathers
) -> None:
    offset_m = gathers.line.opened.geometry.offset_m
    gather = read(gathers, "source=1,offset_m=-106")
    np.testing.assert_allclose(offset_m[gather.traces.rows, gather.traces.channels], -105.0)
    assert len(gather.traces.rows) == SHOTS // 2
    geometry, shots = gathers.line.opened.geometry, gathers.line.job.shots
    midpoint = 0.5 * (shots.x_m[:, None] + geometry.receiver_x_m)
    place = gathers.settled(Place("1", "midpoint_m"))
    gather = gathers.read(place)
    within = midpoint[gather.traces.rows, gather.traces.channels] - midpoint.min()
    assert np.abs(within - place.number).max() <= 0.5 * 6.25 + 1e-6
    mine = midpoint[::2] - midpoint.min()
    assert len(within) == np.count_nonzero(np.abs(mine - place.number) <= 3.125)
    assert (np.diff(np.abs(gather.traces.axis)) >= 0).all()
    row, channel = int(gather.traces.rows[0]), int(gather.traces.channels[0])
    np.testing.assert_allclose(gather.before[0], cut(known, row, channel), atol=1e-5)


def test_interference_lines_up_in_the_times_of_its_source(
    known: KnownLine, gathers: Gathers
) -> None:
    place = gathers.settled(read_place("source=1,channel=1"))
    gather = gathers.read(place)
    row, trace = 6, 3
    later = int(known.shots.fire_time_ns[row + 1] - known.shots.fire_time_ns[row]) // INTERVAL_NS
    names = [
        name
        for name, (words, delay_s) in gathers.alignments("1").items()
        if words.startswith("source 2")
        and np.isclose(delay_s[row], later * INTERVAL_NS * 1e-9, rtol=0, atol=1e-9)
    ]
    moved = gathers.in_times_of(replace(place, times=names[0]), gather, gather.before)
    here = slice(0, LENGTH - later - 1)
    wanted = gather.before[trace, later : LENGTH - 1]
    np.testing.assert_allclose(moved[trace, here], wanted, atol=1e-4)


def test_the_record_is_drawn_with_its_shots(known: KnownLine, gathers: Gathers) -> None:
    place = gathers.settled(read_place("record_s=1,time_s=0:0.8,clip=100"))
    drawn = draw_record(gathers.line, place)
    samples = known.record[:, 250:450]
    assert drawn.clip == pytest.approx(np.abs(samples).max())
    wanted = np.rint(128 + 127 * samples / drawn.clip).astype(np.uint8).T
    assert np.abs(drawn.shades.astype(int) - wanted).max() <= 1
    fired_s = (known.shots.fire_time_ns - START) * 1e-9
    np.testing.assert_allclose(drawn.fired_s, fired_s[(fired_s >= 1.0) & (fired_s < 1.8)])


def test_versions_share_one_scale_and_unknown_is_told(gathers: Gathers) -> None:
    place = gathers.settled(read_place("source=1,channel=2,power=1,clip=90,time_s=0.1:0.3"))
    gather = gathers.read(place)
    drawn = draw_gather(gathers, place, gather)
    seconds = np.arange(25, 75) * 0.004
    before = gather.before[:, 25:75] * seconds
    assert drawn.clip == pytest.approx(np.nanpercentile(np.abs(before), 90), rel=1e-3)
    assert (drawn.begin_s, drawn.end_s) == pytest.approx((0.1, 0.3))
    removed = (gather.before - gather.after)[:, 25:75] * seconds / drawn.clip
    shades = drawn.shades["removed"].T.astype(int)
    assert (shades[0] == 0).all()  # the first shot was not delivered
    np.testing.assert_allclose(shades[1:], 128 + 127 * removed[1:].clip(-1, 1), atol=0.51)


def test_leafing_stays_within_the_line(gathers: Gathers) -> None:
    place = gathers.settled(read_place("source=2,channel=6"))
    assert gathers.beside(place, 1) == place
    assert gathers.beside(place, -1).number == 5
    shot = gathers.settled(read_place("source=2,shot_point=1004"))
    assert gathers.beside(shot, 1).number == 1006
    assert gathers.through(Place("2"), 5, 3) == Place("2", number=4.0, near=1006)
    assert gathers.through(Place("2", "offset_m"), 5, 3).number == pytest.approx(-117.5)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("source=3", "no source 3"),
        ("channel=99", "no common channel 99"),
        ("source=1,shot_point=1002", "source 1 has no shot 1002"),
    ],
)
def test_places_that_the_line_lacks_are_said(gathers: Gathers, text: str, said: str) -> None:
    with pytest.raises(SettingsError, match=said):
        gathers.settled(read_place(text))


def test_what_is_no_run_or_has_changed_is_refused(known: KnownLine, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="does not exist"):
        open_viewed(tmp_path / "nowhere")
    with pytest.raises(InputError, match="neither results nor a run"):
        open_viewed(tmp_path)
    copy = tmp_path / "line"
    shutil.copytree(known.out.parent, copy)
    with (copy / "shots.csv").open("a") as table:
        table.write("\n")
    with pytest.raises(InputError, match="an input has changed since"):
        open_viewed(copy / "separated")
    (copy / "shots.csv").unlink()
    with pytest.raises(InputError, match="cannot be read"):
        open_viewed(copy / "separated")
    shutil.copy(known.out.parent / "shots.csv", copy / "shots.csv")
    delivered = copy / "separated" / "delivered"
    (delivered / "source-2.sgy").replace(delivered / "source-1.sgy")
    with pytest.raises(InputError, match="the delivered file has"):
        open_viewed(copy / "separated")
