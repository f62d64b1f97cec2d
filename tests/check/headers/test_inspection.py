"""What headers and tables alone say of a line."""

from __future__ import annotations

import numpy as np
import pytest

from deblend.check.headers.inspection import inspect_line
from deblend.errors import InputError, ShotTableError, TimeError
from deblend.model.findings import Finding
from deblend.model.recording import Gap, Recording
from deblend.model.shots import make_shots

START_NS = 1_748_779_203 * 10**9
LENGTH_S = 4.0


class Unreadable:
    """A source of 100 s at 2 ms that must not be read."""

    shape = (6, 50000)

    def read(self, channels, start, stop):
        raise AssertionError("samples were read")


def record(**changes):
    settings = {"interval_s": 0.002, "start": START_NS, "time_scale": "utc"} | changes
    return Recording(Unreadable(), **settings)


def shots_at(seconds, source=None, **columns):
    """Shots at `seconds` after the start of the record."""
    count = len(seconds)
    fired = START_NS + np.round(np.asarray(seconds) * 1e9).astype(np.int64)
    source = np.ones(count, np.int64) if source is None else np.asarray(source)
    return make_shots(source, np.arange(100, 100 + count), fired, "utc", **columns)


def finding_of(findings, metric):
    (finding,) = [finding for finding in findings if finding.metric == metric]
    return finding


def two_sources(delays, interval_s=9.0):
    """Two sources, the second `delays` after the first."""
    first = 1.0 + interval_s * np.arange(len(delays))
    source = np.repeat([1, 2], len(delays))
    return shots_at(np.concatenate([first, first + delays]), source)


def test_contents():
    findings = inspect_line(record(), shots_at([0, 10, 21, 5], ["a", "a", "a", "b"]), LENGTH_S)
    held = finding_of(findings, "record_duration")
    assert held.value == pytest.approx(100.0)
    assert held.message == (
        "6 channels (1 to 6) of 50000 samples of 2 ms, UTC 2025-06-01T12:00:03.000000Z to "
        "2025-06-01T12:01:42.998000Z, in recorded unit."
    )
    first, second = [finding for finding in findings if finding.metric == "shots_of_source"]
    assert (first.source, first.value) == ("a", 3.0)
    assert "shot points 100 to 102, 10.000 to 11.000 s apart (median 10.500 s)" in first.message
    assert (second.source, second.value) == ("b", 1.0)
    assert {finding.verdict for finding in findings} == {"note"}


def test_findings_of_the_record_are_passed_on():
    known = Finding("gap", 1.0, "s", "look", "a gap")
    assert known in inspect_line(record(findings=(known,)), shots_at([1]), LENGTH_S)


def test_edges_of_the_record():
    # 2000 samples of 2 ms: the last sample of a shot is 3.998 s after it fired.
    inside = [0.0, 96.0]
    partly = [-1e-9, 96.000000001, -3.998, 99.998]
    wholly = [-3.998000001, 99.998000001]
    findings = inspect_line(record(), shots_at([*inside, *partly, *wholly]), LENGTH_S)
    outside = finding_of(findings, "shots_outside_record")
    assert outside.value == 2
    assert "source 1 shot point 106, source 1 shot point 107" in outside.message
    some = finding_of(findings, "shots_partly_outside_record")
    assert some.value == 4
    assert "2 of 8 shots" in outside.message
    assert outside.verdict == some.verdict == "look"


def test_no_shot_in_the_record_fails():
    findings = inspect_line(record(), shots_at([-86400, -86390]), LENGTH_S)
    outside = finding_of(findings, "shots_outside_record")
    assert outside.verdict == "fail"
    assert "from 2025-05-31T12:00:03.000Z to" in outside.message
    assert "Check date and time scale" in outside.message


@pytest.mark.parametrize(
    ("second", "hit"),
    # gap: samples 5000 to 5500, that is 10 s to 11 s; the gathers hold 2000 samples
    [(5.999, False), (6.0, False), (6.002, True), (10.5, True), (10.998, True), (11.0, False)],
)
def test_shots_in_gaps(second, hit):
    gaps = (Gap(0, 10), Gap(5000, 5500), Gap(40000, 40001))
    findings = inspect_line(record(gaps=gaps), shots_at([30.0, second]), LENGTH_S)
    found = [finding for finding in findings if finding.metric == "shots_in_gap"]
    assert bool(found) == hit
    if hit:
        assert found[0].value == 1
        assert "source 1 shot point 101" in found[0].message


def test_misfires_and_unwanted_shots_are_counted():
    live, deliver = np.array([True, False, False]), np.array([False, True, False])
    findings = inspect_line(record(), shots_at([1, 11, 21], live=live, deliver=deliver), LENGTH_S)
    assert finding_of(findings, "misfires").value == 2
    assert finding_of(findings, "shots_not_wanted").value == 1


def test_two_sources_at_one_instant():
    findings = inspect_line(record(), shots_at([1, 11, 11, 22], [1, 1, 2, 2]), LENGTH_S)
    same = finding_of(findings, "shots_at_one_instant")
    assert (same.value, same.verdict) == (2.0, "look")
    assert "source 1 shot point 101, source 2 shot point 102" in same.message


def test_long_lists_are_cut():
    shots = shots_at(np.arange(-20, 0) * 0.1 - 10, np.arange(20))
    shots = shots_at([*((shots.fire_time_ns - START_NS) / 1e9), 1.0], np.arange(21))
    outside = finding_of(inspect_line(record(), shots, LENGTH_S), "shots_outside_record")
    assert outside.message.endswith("source 7 shot point 107 and 12 more.")


def test_no_overlap_at_all():
    findings = inspect_line(record(), shots_at([1, 5, 9, 13], [1, 2, 1, 2]), LENGTH_S)
    assert finding_of(findings, "overlapping_shots").value == 0
    assert "nothing to separate" in finding_of(findings, "overlapping_shots").message


def test_pairs_that_never_overlap():
    shots = shots_at([1, 1.5, 11, 11.3, 6, 16], [1, 2, 1, 2, 3, 3])
    findings = inspect_line(record(), shots, LENGTH_S)
    pairs = [f.message for f in findings if f.metric == "sources_never_overlap"]
    assert pairs == [
        "Sources 1 and 3 never overlap within 4 s.",
        "Sources 2 and 3 never overlap within 4 s.",
    ]
    assert finding_of(findings, "overlapping_shots").value == 2


REGULAR = {
    "same delay": np.full(10, 0.2),
    "alternating delay": 0.3 * (-1.0) ** np.arange(10),
    "small dither": 0.5 + 0.005 * np.random.default_rng(0).uniform(-1, 1, 10),
}


@pytest.mark.parametrize("delays", REGULAR.values(), ids=REGULAR)
def test_too_regular_firing(delays):
    finding = finding_of(
        inspect_line(record(), two_sources(delays), LENGTH_S), "fire_time_variation"
    )
    assert finding.verdict == "look"
    assert finding.value < 0.02
    assert finding.limit == pytest.approx(0.1)
    assert "Fire with wider random delays" in finding.message


def test_random_delays_are_regular_enough():
    """A uniform range of 0.5 s is found again, with the frequency of half power that follows."""
    delays = np.random.default_rng(3).uniform(-0.25, 0.25, 2000)
    finding = finding_of(
        inspect_line(record(), two_sources(delays), LENGTH_S), "fire_time_variation"
    )
    assert finding.verdict == "note"
    assert finding.value == pytest.approx(0.5, rel=0.05)
    assert "coherent below about 1.2 Hz" in finding.message


def test_misfires_play_no_part_in_regularity():
    shots = two_sources(np.full(10, 0.2))
    silent = shots.with_flags(live=shots.source == 1)
    assert not [
        finding
        for finding in inspect_line(record(), silent, LENGTH_S)
        if finding.metric in ("fire_time_variation", "sources_never_overlap")
    ]
    nothing = shots.with_flags(live=np.zeros(20, bool))
    assert finding_of(inspect_line(record(), nothing, LENGTH_S), "misfires").value == 20


def test_own_next_shot_counts_where_records_are_long():
    findings = inspect_line(record(), shots_at(1 + 3.0 * np.arange(12)), LENGTH_S)
    finding = finding_of(findings, "fire_time_variation")
    assert (finding.source, finding.verdict) == (1, "look")
    assert "source 1 and its own next shot" in finding.message


def test_half_power_product_is_that_of_a_uniform_dither():
    """Fourier transform of a uniform distribution of width D (numpy.sinc): power fraction 1/4."""
    assert 10 * np.log10(np.sinc(0.6) ** 2) == pytest.approx(-6.0, abs=0.1)


def test_time_scales_must_agree():
    with pytest.raises(TimeError, match="record is in GPS and the shots are in UTC"):
        inspect_line(record(time_scale="gps"), shots_at([1]), LENGTH_S)


@pytest.mark.parametrize("length_s", [0.0, -1.0, 0.0009, float("nan"), float("inf")])
def test_length_must_hold_a_sample(length_s):
    with pytest.raises(InputError, match=r"holds no sample of 0\.002 s"):
        inspect_line(record(), shots_at([1]), length_s)


def test_mixed_lines_and_positions_in_degrees():
    seconds = 9.0 * np.arange(8)
    place = {"x_m": 2.25 + 1e-4 * np.arange(8), "y_m": np.full(8, 58.5)}
    names = np.array(["L1"] * 6 + ["L2"] * 2)
    findings = inspect_line(record(), shots_at(seconds, line=names, **place), LENGTH_S)
    assert "L1, L2" in finding_of(findings, "mixed_lines").message
    degrees = finding_of(findings, "positions_in_degrees")
    assert degrees.verdict == "fail"
    assert "degrees, not metres" in degrees.message

    metres = {"x_m": 456_288.0 + 12.5 * np.arange(8), "y_m": np.full(8, 6_484_622.0)}
    for columns in (metres, {}, {"x_m": np.zeros(8), "y_m": np.zeros(8)}):
        found = inspect_line(record(), shots_at(seconds, **columns), LENGTH_S)
        assert not {"mixed_lines", "positions_in_degrees"} & {f.metric for f in found}


@pytest.mark.parametrize(
    ("unit_s", "verdict"), [(1.0, "fail"), (0.1, "fail"), (0.01, "fail"), (0.001, "note"), (0, "")]
)
def test_fire_times_that_were_rounded(unit_s, verdict):
    exact = 7.0 * np.arange(12) + np.random.default_rng(3).uniform(0.0, 1.0, 12)
    seconds = np.round(exact / unit_s) * unit_s if unit_s else exact
    found = inspect_line(record(), shots_at(seconds), LENGTH_S)
    rounded = [finding for finding in found if finding.metric == "fire_times_rounded"]
    assert [finding.verdict for finding in rounded] == ([verdict] if verdict else [])
    for finding in rounded:
        assert finding.value == pytest.approx(1e3 * unit_s)
        error_ms = 1e3 * np.std(np.random.default_rng(0).uniform(0.0, unit_s, 100_000))
        stated = float(finding.message.split("wrong by ")[1].split(" ms")[0])
        assert stated == pytest.approx(error_ms, rel=0.01, abs=0.05)


def test_columns_that_are_swapped():
    seconds = 2.0 * np.arange(48) + 0.123456
    source, point = np.arange(48) % 2 + 1, 1001 + np.arange(48) // 2
    right = make_shots(source, point, shots_at(seconds).fire_time_ns, "utc")
    inspect_line(record(), right, LENGTH_S)
    wrong = make_shots(point, source, shots_at(seconds).fire_time_ns, "utc")
    with pytest.raises(ShotTableError, match=r"48 shots are of 24 sources .* Exchange the two"):
        inspect_line(record(), wrong, LENGTH_S)
