"""Pictures: one scale, time down, and nothing in the data or the labels breaks them."""

from __future__ import annotations

import dataclasses
import io
import sys
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from PIL import Image

from deblend.report.contents import Acquisition, Contents, GatherSection
from deblend.report.drawing import COLOURS, display_clip, new_figure, plain, png_bytes
from deblend.report.line_figures import (
    convergence_figure,
    dither_figure,
    fire_intervals,
    fold_figure,
)
from deblend.report.section_figure import section_figure
from deblend.report.snr_figure import snr_figure
from deblend.report.tables import SnrRow, snr_rows


def panels_of(section: GatherSection) -> list:
    return [axes for axes in section_figure(section, "µbar").axes if axes.images]


def test_all_panels_share_one_amplitude_scale_and_time_runs_down(contents: Contents) -> None:
    section = contents.sections[0]
    panels = panels_of(section)
    assert [axes.get_title(loc="left") for axes in panels] == [
        "Before (pseudo-deblended)",
        "After (separated)",
        "Removed (before − after)",
        "Truth",
        "Error (after − truth)",
    ]
    clip = display_clip(section)
    for axes in panels:
        assert axes.images[0].get_clim() == (-clip, clip)
        bottom, top = axes.get_ylim()
        assert bottom > top
        assert (bottom, top) == pytest.approx((0.402, -0.002))
        assert axes.get_xlabel() == "shot point"
        assert axes.xaxis.get_label_position() == "top"
    assert panels[0].get_ylabel() == "time after firing (s)"


def test_clip_is_the_percentile_of_before_on_live_traces(contents: Contents) -> None:
    section = contents.sections[0]
    wild = section.before.copy()
    wild[7] = 1e9  # not live
    live = np.abs(section.before[section.live])
    expected = np.percentile(live, 95)  # numpy's definition of the percentile
    assert display_clip(dataclasses.replace(section, before=wild)) == pytest.approx(expected)
    louder = section_figure(section, gain_db=20.0).axes[0].images[0].get_clim()[1]
    assert louder == pytest.approx(expected / 10)


def test_panels_show_what_they_say(contents: Contents) -> None:
    section = contents.sections[0]
    clip = display_clip(section)
    for axes, expected in zip(
        panels_of(section),
        (section.before, section.after, section.removed, section.truth, None),
        strict=True,
    ):
        shown = axes.images[0].get_array()
        if expected is None:
            expected = section.after - section.truth
        assert shown.mask[:, 7].all()  # not live
        live = section.live
        np.testing.assert_allclose(shown[:, live], np.clip(expected[live], -clip, clip).T)


def test_positive_is_dark(contents: Contents) -> None:
    section = contents.sections[0]
    image = panels_of(section)[0].images[0]
    negative, zero, positive = image.cmap(image.norm([-1e9, 0.0, 1e9]))[:, 0]
    assert positive < 0.05 < 0.45 < zero < 0.55 < 0.95 < negative


def test_fewer_rows_than_samples_keep_means_and_times(contents: Contents) -> None:
    ramp = np.tile(np.arange(2000, dtype=np.float32), (3, 1))
    section = GatherSection(
        1, "shot", 9, np.arange(3.0), "channel", ramp, ramp, None, 0.002, np.ones(3, np.bool_)
    )
    axes = panels_of(section)[0]
    rows = axes.images[0].get_array()
    assert axes.get_ylim() == pytest.approx((3.999, -0.001))
    edges = np.linspace(0, 2000, len(rows) + 1)
    clip = display_clip(section)
    inside = edges[1:] < clip  # a mean of what is clipped afterwards
    # Mean of floor(x) over [a, b] is (a + b) / 2 - 1/2, up to the fractions at the ends.
    np.testing.assert_allclose(
        rows[inside, 0], ((edges[1:] + edges[:-1]) / 2 - 0.5)[inside], atol=0.15
    )


@pytest.mark.parametrize(
    ("fill", "live"), [(np.nan, True), (np.inf, True), (0.0, True), (1.0, False)]
)
def test_nothing_to_see_is_drawn_without_complaint(fill: float, live: bool) -> None:
    empty = np.full((1, 1), fill, np.float32)
    section = GatherSection(
        "p", "shot", 1, np.array([np.nan]), "", empty, empty, empty, 0.004, np.array([live])
    )
    assert png_bytes(section_figure(section)).startswith(b"\x89PNG")


def test_unknown_samples_do_not_spread(contents: Contents) -> None:
    section = contents.sections[0]
    holed = section.before.copy()
    holed[3, 20:30] = np.nan
    holed[4] = np.inf
    holed_section = dataclasses.replace(section, before=holed)
    before = panels_of(holed_section)[0].images[0].get_array()
    assert np.isfinite(display_clip(holed_section))
    assert before.mask[20:30, 3].all()
    assert not before.mask[:20, 3].any()
    assert before.mask[:, 4].all()
    assert not before.mask[:, 5].any()


@pytest.mark.parametrize(
    "texts",
    [("$x^2$", "a $ b", r"\frac{"), ("50 % <b>", "水深 \x00\n", "Ü–µ"), ("{}%s", "\ud800", "$")],
)
def test_any_text_can_be_a_label(contents: Contents, texts: tuple[str, str, str]) -> None:
    axis_label, source, unit = texts
    section = dataclasses.replace(contents.sections[1], axis_label=axis_label, source=source)
    png_bytes(section_figure(section, unit))


@settings(derandomize=True, max_examples=50, deadline=None)
@given(st.text(max_size=12))
def test_labels_are_drawn_as_they_are(text: str) -> None:
    figure = new_figure(0.5, fitted=False)
    figure.text(0.1, 0.1, plain(text)).get_window_extent()


def test_trace_axis_may_have_holes_repeats_and_run_backwards(contents: Contents) -> None:
    section = contents.sections[1]
    hole = section.axis.copy()
    hole[12:] += 1000
    for axis in (hole, hole[::-1], np.full(24, 3.0), np.full(24, np.nan)):
        axes = panels_of(dataclasses.replace(section, axis=axis))[0]
        assert all(-0.5 <= tick <= 23.5 for tick in axes.get_xticks())
    axes = panels_of(dataclasses.replace(section, axis=1234500.0 + np.arange(24)))[0]
    labels = {
        label.get_text(): tick
        for label, tick in zip(axes.get_xticklabels(), axes.get_xticks(), strict=True)
    }
    assert labels["1234510"] == 10


def test_intervals_are_exact_to_the_nanosecond() -> None:
    # Three shots of two sources, worked by hand.
    acquisition = Acquisition(
        source=np.array(["b", "a", "b", "a", "a"]),
        shot_point=np.array([2, 1, 4, 5, 3]),
        fire_time_ns=1_800_000_000 * 10**9
        + np.array([0, 100, 2_000_000_007, 6_000_000_100, 3_000_000_100]),
        time_scale="utc",
        delivered=np.ones(5, np.bool_),
        fold=np.zeros(0, np.int32),
        fold_interval_s=0.1,
        fold_start_ns=0,
    )
    found = fire_intervals(acquisition, "a")
    np.testing.assert_array_equal(found.shot_point, [3, 5])
    np.testing.assert_allclose(found.same_source_s, [3.0, 3.0], atol=1e-15)
    np.testing.assert_allclose(found.any_source_s, [1.000000093, 3.0], atol=1e-15)
    np.testing.assert_allclose(found.deviation_s, 0, atol=1e-15)
    png_bytes(dither_figure(acquisition))
    png_bytes(fold_figure(acquisition))


def test_one_shot_has_no_interval(contents: Contents) -> None:
    lonely = dataclasses.replace(
        contents.acquisition,
        **{
            name: getattr(contents.acquisition, name)[:1]
            for name in ("source", "shot_point", "fire_time_ns", "delivered", "reason")
        },
    )
    assert fire_intervals(lonely, 1).same_source_s.size == 0
    png_bytes(dither_figure(lonely))


def test_dither_is_found_again() -> None:
    random = np.random.default_rng(3)
    dither = random.uniform(-0.2, 0.2, 400)
    drift = 10 + 0.3 * np.sin(np.arange(400) / 60)  # the vessel's speed varies
    acquisition = Acquisition(
        source=np.ones(400, np.int64),
        shot_point=np.arange(400),
        fire_time_ns=((np.cumsum(drift) + dither) * 1e9).astype(np.int64),
        time_scale="gps",
        delivered=np.ones(400, np.bool_),
        fold=np.zeros(1, np.int32),
        fold_interval_s=1.0,
        fold_start_ns=0,
    )
    found = fire_intervals(acquisition, 1).deviation_s
    assert np.std(found - np.diff(dither)) < 0.25 * np.std(np.diff(dither))
    assert (found == 0).sum() == 0


def test_convergence_says_that_the_residual_proves_nothing(contents: Contents) -> None:
    figure = convergence_figure(contents.convergence)
    left, right = figure.axes
    assert "alone it proves nothing" in left.get_title(loc="left")
    assert left.get_ylabel() == "re-blend residual (dB of the record)"
    np.testing.assert_array_equal(left.lines[1].get_ydata(), contents.convergence[1].residual_db)
    assert right.get_yscale() == "log"
    infinite = dataclasses.replace(
        contents.convergence[0],
        residual_db=np.full(20, -np.inf),
        strictness=np.zeros(20),
    )
    png_bytes(convergence_figure([infinite]))


def test_fold_distribution_is_the_share_of_the_record(contents: Contents) -> None:
    figure = fold_figure(contents.acquisition)
    heights = [bar.get_height() for bar in figure.axes[1].patches]
    shares = np.bincount(contents.acquisition.fold) / contents.acquisition.fold.size
    np.testing.assert_allclose(heights, 100 * shares)
    assert "GPS" in figure.axes[0].get_xlabel()


def test_bars_run_from_start_to_value(contents: Contents) -> None:
    rows = snr_rows(contents.findings)
    bars = snr_figure(rows).axes[0].patches
    for row, bar in zip(rows, bars, strict=True):
        assert bar.get_y() == pytest.approx(row.start)
        assert bar.get_y() + bar.get_height() == pytest.approx(row.value)
    png_bytes(snr_figure([SnrRow(1, None, None), SnrRow("two", (0.0, 1.0), None, value=np.inf)]))


@pytest.mark.parametrize("pairs", [1, 4, 6, 10])
def test_labels_of_bars_keep_apart(pairs: int) -> None:
    rows = [
        SnrRow(f"1 - {pair}", None, (2.0**octave, 2.0 ** (octave + 1)), start=-60.0, value=-48.1)
        for octave in range(7)
        for pair in range(pairs)
    ]
    figure = snr_figure(rows)
    FigureCanvasAgg(figure).draw()
    boxes = [text.get_window_extent() for text in figure.axes[0].texts]
    assert len(boxes) == 7 * pairs
    assert all(left.x1 < right.x0 for left, right in pairwise(boxes))


def test_greys_and_colours_survive_the_small_palette() -> None:
    figure = new_figure(1.0, fitted=False)
    for k, colour in enumerate(("white", "black", "0.5", *COLOURS)):
        figure.add_axes((k / 10, 0, 0.1, 1)).set_facecolor(colour)
        figure.axes[-1].set_axis_on()
    figure.axes[0].figure.canvas.draw()
    before = np.asarray(figure.canvas.buffer_rgba())[50, 70::140, :3].astype(int)
    after = np.asarray(Image.open(io.BytesIO(png_bytes(figure))).convert("RGB"))[50, 70::140]
    assert np.abs(before - after.astype(int)).max() <= 4
    assert (after[0] == 255).all()


def test_no_global_drawing_state_is_used() -> None:
    assert "matplotlib.pyplot" not in sys.modules
