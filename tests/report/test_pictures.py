"""Figures beside the page: crosstalk, panels, spectra, maps, and all of them as files."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from deblend.array_file import write_arrays
from deblend.errors import InputError, OutputError
from deblend.model.findings import Finding
from deblend.model.gathers import make_gathers
from deblend.model.shots import make_shots
from deblend.report.aligned import Alignment, aligned_figure
from deblend.report.contents import Contents
from deblend.report.crosstalk import LEFT, crosstalk_figure, crosstalk_matrices
from deblend.report.figures import Extras, write_pictures
from deblend.report.metric_maps import MetricMaps
from deblend.report.panels import ComparedPanel, panel_figure, read_panels, write_panels
from deblend.report.section_figure import section_of
from deblend.report.spectra_figure import mean_spectrum, spectra_figure


def crosstalk_rows() -> list[Finding]:
    return [
        Finding(
            "crosstalk", -30.0 - into - 10 * origin, "dB", "pass", "", source=into,
            other_source=origin, window_s=(0.0, 1.0), error=1.0 if into == 1 else None,
        )
        for into in (10, 9, 1) for origin in (1, 9, 10) if into != origin
    ]  # fmt: skip


def panel() -> ComparedPanel:
    random = np.random.default_rng(2)
    trial, benchmark = random.standard_normal((2, 12, 50)).astype(np.float32)
    return ComparedPanel(
        "stack", "trial", "older line", trial, benchmark, 25.0 * np.arange(12),
        "distance along the line (m)", 0.004, "scalar", 3.2, False,
    )  # fmt: skip


def test_the_matrix_says_from_whom_to_whom_and_what_is_a_bound() -> None:
    (matrix,) = crosstalk_matrices(crosstalk_rows())
    assert matrix.sources == (1, 9, 10)
    assert matrix.cells[1, 10].text == "−131.0 ± 1.0"
    assert matrix.cells[10, 1].text == "< −50.0"
    assert (1, 1) not in matrix.cells
    nothing = [dataclasses.replace(row, value=float("nan"), error=None) for row in crosstalk_rows()]
    assert crosstalk_matrices(nothing)[0].cells[10, 1].text == "–"
    texts = [text.get_text() for text in crosstalk_figure(crosstalk_rows()).axes[0].texts]
    assert len(texts) == 6
    assert "−131.0\n± 1.0" in texts
    amplitudes = [dataclasses.replace(row, metric=LEFT) for row in crosstalk_rows()]
    *_, bar = crosstalk_figure(amplitudes, LEFT).axes
    assert bar.get_ylabel() == "amplitude that lines up (% of its source)"
    assert crosstalk_matrices([]) == []
    assert crosstalk_figure([]).texts


def test_panels_come_back_and_damage_is_told(tmp_path: Path) -> None:
    path = tmp_path / "panels.npz"
    write_panels([panel(), panel()], path)
    first, second = read_panels(path)
    for name, value in vars(panel()).items():
        np.testing.assert_array_equal(getattr(second, name), value)
    np.testing.assert_array_equal(first.difference, first.trial - first.benchmark)
    write_arrays({"text": np.frombuffer(b"{}", np.uint8)}, path)
    with pytest.raises(InputError, match="holds no compared panels"):
        read_panels(path)
    with pytest.raises(InputError, match="of the benchmark otherwise"):
        dataclasses.replace(panel(), benchmark=panel().benchmark[1:])


def test_panels_share_one_scale_and_time_runs_down() -> None:
    pictures = [axes for axes in panel_figure(panel()).axes if axes.images]
    assert len(pictures) >= 3
    for axes in pictures[:3]:
        assert axes.images[0].get_clim() == pictures[0].images[0].get_clim()
        assert axes.get_ylim() == pytest.approx((0.2, 0.0))


def test_what_was_removed_is_drawn_in_both_times_at_one_stated_scale(contents: Contents) -> None:
    section = contents.sections[0]
    other = Alignment(2, 0, np.full(len(section.axis), 0.04))
    figure = aligned_figure(section, [other], contents.amplitude_unit)
    own, moved = (axes.images[0] for axes in figure.axes)
    assert own.get_clim() == moved.get_clim()
    assert f"black is +{own.get_clim()[1]:.3g}" in figure.get_supxlabel()
    assert "(µbar)" in figure.get_supxlabel()


def test_a_sine_has_its_spectrum(contents: Contents) -> None:
    # |sum of a sine over n samples| at its own frequency is n / 2.
    time_s = np.arange(100) * 0.004
    wave = np.tile(np.sin(2 * np.pi * 25.0 * time_s), (3, 1)).astype(np.float32)
    section = dataclasses.replace(
        contents.sections[0], before=wave, after=wave, truth=None,
        axis=np.arange(3.0), live=np.ones(3, bool),
    )  # fmt: skip
    frequency, amplitude = mean_spectrum(section, wave)
    assert frequency[amplitude.argmax()] == pytest.approx(25.0)
    assert amplitude.max() == pytest.approx(50.0, rel=1e-5)


def test_octaves_are_drawn_where_they_were_measured(contents: Contents) -> None:
    rows = [
        Finding(f"octave_{part}", level, "dB", "note", "", source=1, band_hz=(8.0, 16.0))
        for part, level in (("kept", -2.0), ("removed", -5.0))
    ]
    with_octaves = spectra_figure(contents.sections, rows)
    assert len(with_octaves.axes) == 2 * len(spectra_figure(contents.sections).axes)
    assert [line.get_ydata().tolist() for line in with_octaves.axes[2].lines] == [[-2.0], [-5.0]]


def test_sections_from_labelled_gathers() -> None:
    shots = make_shots(np.array([1, 2, 1]), np.array([7, 8, 9]), np.arange(3) * 10**9, "utc")
    amplitude = np.random.default_rng(1).standard_normal((2, 3, 4, 20)).astype(np.float32)
    live = np.array([True, True, True])
    before, after = (
        make_gathers(part, shots, np.arange(11, 15), 0.004, kind="estimate", live=live)
        for part in amplitude
    )
    section = section_of(before, after, 1, channel=13)
    assert section.axis.tolist() == [7, 9]
    np.testing.assert_array_equal(section.after, amplitude[1][[0, 2], 2])
    assert section.interval_s == pytest.approx(0.004)
    shot = section_of(before, after, 2, shot_point=8)
    np.testing.assert_array_equal(shot.before, amplitude[0][1])
    assert shot.members is not None
    assert shot.members.tolist() == [11, 12, 13, 14]
    with pytest.raises(InputError, match="no gather of source 2, shot 7"):
        section_of(before, after, 2, shot_point=7)
    with pytest.raises(InputError, match="Give one of the two"):
        section_of(before, after, 2)


def test_every_figure_is_a_file(contents: Contents, tmp_path: Path) -> None:
    acquisition = contents.acquisition
    maps = MetricMaps(
        acquisition.source,
        acquisition.shot_point,
        np.arange(3),
        ((0.0, 1.0),),
        {"correlation": np.zeros((len(acquisition.source), 3, 1), np.float32)},
    )
    few = dataclasses.replace(
        contents, sections=contents.sections[:1], findings=tuple(crosstalk_rows())
    )
    told: list[str] = []
    extras = Extras(maps=maps, panels=(panel(),))
    paths = write_pictures(few, tmp_path / "pictures", extras, told.append)
    names = [path.name for path in paths]
    assert told == names
    assert names == sorted(set(names), key=names.index)
    assert set(names) >= {
        "source-1-channel-17.png",
        "spectra.png",
        "crosstalk.png",
        "convergence.png",
        "intervals.png",
        "blending-fold.png",
        "map-correlation-window-1.png",
        "compared-1-stack.png",
    }
    for path in paths:
        with Image.open(path) as image:
            assert min(image.size) > 200
    (tmp_path / "file").touch()
    with pytest.raises(OutputError, match="the folder cannot be made"):
        write_pictures(few, tmp_path / "file" / "below")
