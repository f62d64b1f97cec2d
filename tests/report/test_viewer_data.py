"""What the interactive page is drawn from: codes, maps, alignment, and that all has room."""

from __future__ import annotations

import base64
import dataclasses
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from deblend.errors import InputError
from deblend.report.aligned import Alignment, aligned, alignments
from deblend.report.codes import LEVELS, MU, UNKNOWN, ZERO, decode, encode, pack
from deblend.report.contents import Acquisition, Contents, GatherSection
from deblend.report.metric_maps import MetricMaps, cells
from deblend.report.viewer import as_json
from deblend.report.viewer_data import viewer_data

FEW = settings(derandomize=True, max_examples=30, deadline=None)


def test_companding_is_that_of_the_recommendation() -> None:
    # ITU-T G.711, mu-law as a continuous curve: F(x) = ln(1 + mu x) / ln(1 + mu), mu = 255.
    part = np.array([0.0, 0.01, 0.1, 0.5, 1.0])
    curve = np.log(1 + 255 * part) / np.log(256)
    np.testing.assert_array_equal(encode(3.0 * part, 3.0), ZERO + np.rint(LEVELS * curve))
    np.testing.assert_array_equal(encode(-3.0 * part, 3.0), ZERO - np.rint(LEVELS * curve))


@FEW
@given(part=st.floats(-1, 1))
def test_rounding_is_as_small_as_it_says(part: float) -> None:
    back = decode(encode(np.array([part]), 1.0), 1.0)[0]
    assert abs(back - part) <= 0.045 * abs(part) + 2e-4
    assert MU == 255


def test_what_is_not_known_stays_so_and_loud_samples_are_clipped() -> None:
    codes = encode(np.array([np.nan, np.inf, -np.inf, 9.0, -9.0, 0.0]), 2.0)
    assert codes.tolist()[:3] == [UNKNOWN] * 3
    np.testing.assert_allclose(decode(codes, 2.0)[3:], [2.0, -2.0, 0.0])
    assert np.isnan(decode(codes, 2.0)[:3]).all()


@FEW
@given(codes=arrays(np.uint8, st.tuples(st.integers(1, 5), st.integers(1, 9))))
def test_packed_codes_unpack_by_adding_up(codes: np.ndarray) -> None:
    change = np.frombuffer(zlib.decompress(base64.b64decode(pack(codes))), np.uint8)
    back = np.cumsum(change.reshape(codes.shape), axis=1, dtype=np.uint8)
    np.testing.assert_array_equal(back, codes)


def test_removed_energy_of_another_source_lines_up_in_its_times() -> None:
    # A spike that the other source left 0.3 s after it fired, whatever the dither.
    random = np.random.default_rng(3)
    count, interval_s = 40, 0.004
    dither_ns = np.rint(random.uniform(-0.2e9, 0.2e9, count)).astype(np.int64)
    own_ns = np.arange(count) * 10_000_000_000
    times = np.stack([own_ns, own_ns + 500_000_000 + dither_ns]).T.ravel()
    acquisition = Acquisition(
        np.tile([1, 2], count),
        np.arange(2 * count),
        times,
        "utc",
        np.ones(2 * count, bool),
        np.ones(3, np.int32),
        1.0,
        0,
    )
    removed = np.zeros((count, 500), np.float32)
    late = (0.5e9 + dither_ns) * 1e-9 + 0.3
    removed[np.arange(count), np.rint(late / interval_s).astype(int)] = 1.0
    points = np.arange(0, 2 * count, 2)
    section = GatherSection(
        1, "common channel", 5, points.astype(float), "shot point", removed, 0 * removed, None,
        interval_s, np.ones(count, bool), points,
    )  # fmt: skip
    (found,) = [one for one in alignments(section, acquisition) if one.other == 2]
    assert found.label == "source 2"
    np.testing.assert_allclose(found.delay_s, 0.5 + dither_ns * 1e-9)
    moved = aligned(section.removed, found.delay_s, interval_s)
    assert np.nansum(moved, axis=0)[74:77].sum() > 0.9 * count  # 0.3 s is sample 75
    assert np.nansum(removed, axis=0).max() < 0.2 * count
    assert alignments(dataclasses.replace(section, kind="shot"), acquisition) == []


def test_labels_of_alignments() -> None:
    nothing = np.zeros(1)
    assert Alignment(2, 1, nothing).label == "source 2, 1 shot later"
    assert Alignment("port", -2, nothing).label == "source port, 2 shots earlier"


def test_cells_hold_the_largest_value_and_know_nothing_of_gaps() -> None:
    values = np.arange(35, dtype=np.float32).reshape(5, 7)
    values[4] = np.nan
    cell, step = cells(values, (2, 3))
    assert step == (3, 3)
    np.testing.assert_array_equal(cell, [[16, 19, 20], [23, 26, 27]])
    assert np.isnan(cells(np.full((2, 2), np.nan, np.float32))[0]).all()


def made_maps(acquisition: Acquisition) -> MetricMaps:
    shape = (len(acquisition.source), 8, 2)
    value = np.linspace(-1, 1, int(np.prod(shape))).reshape(shape).astype(np.float32)
    return MetricMaps(
        acquisition.source,
        acquisition.shot_point,
        np.arange(1, 9),
        ((0.0, 1.0), (1.0, 2.0)),
        {"local_similarity": value},
    )


def test_maps_share_one_scale_and_shapes_are_checked(contents: Contents) -> None:
    maps = made_maps(contents.acquisition)
    low, high = maps.limits("local_similarity")
    assert (low, high) == pytest.approx((-0.98, 0.98), abs=0.002)  # 1st and 99th percentile
    part = {"interference_weight": 20 * maps.values["local_similarity"]}
    assert dataclasses.replace(maps, values=part).limits("interference_weight") == (-1.0, 1.0)
    assert maps.nearest_window((0.9, 2.2)) == 1
    with pytest.raises(InputError, match="local_similarity"):
        dataclasses.replace(maps, channel=np.arange(3))


def test_all_has_room(contents: Contents) -> None:
    maps = made_maps(contents.acquisition)
    many = dataclasses.replace(contents, sections=contents.sections * 4)
    whole = viewer_data(many, maps)
    assert whole.left_out == 0
    assert len(whole.facts["gathers"]) == 8
    size = sum(len(block) for block in whole.blocks.values())
    part = viewer_data(many, maps, size // 2)
    assert part.left_out > 0
    assert sum(len(block) for block in part.blocks.values()) <= size // 2
    assert {one["source"] for one in part.facts["gathers"]} == {"1", "2"}
    assert len(part.facts["maps"]) == 4 * 2  # sources, windows


def test_text_cannot_end_a_script() -> None:
    hostile = "</script><!--"
    assert "<" not in as_json({"a": hostile})


def test_numbers_that_are_none_can_be_read_by_a_browser(contents: Contents) -> None:
    nothing = np.full((2, 9), np.nan, np.float32)
    section = GatherSection(
        1, "shot", 5, np.array([np.nan, np.inf]), "offset (m)", nothing, nothing, None, 0.004,
        np.ones(2, bool),
    )  # fmt: skip
    maps = made_maps(contents.acquisition)
    empty = dataclasses.replace(
        maps, values={"correlation": np.full_like(maps.values["local_similarity"], np.nan)}
    )
    data = viewer_data(dataclasses.replace(contents, sections=(section,)), empty)
    as_json(data.facts)  # refuses NaN, which is no JSON
