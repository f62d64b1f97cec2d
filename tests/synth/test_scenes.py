import csv
from pathlib import Path

import numpy as np
import pytest

from deblend.blending.operator import make_operator
from deblend.errors import InputError
from deblend.synth.acquisition import true_shots
from deblend.synth.earths import EarthLimits, varied_earth
from deblend.synth.line import MadeLine
from deblend.synth.scenes import make_scene, scene_design, scene_names, signal_windows_s

RECORDED = Path(__file__).parents[2] / "benchmarks" / "results" / "plain_fk.csv"


def interval_over_length(line: MadeLine) -> float:
    fired = line.true_fire_time_ns[line.shots.source == 1]
    return float(np.median(np.diff(fired))) * 1e-9 / line.length_s


def made(name: str, lines: dict[str, MadeLine]) -> MadeLine:
    if name not in lines:
        lines[name] = make_scene(name)
    return lines[name]


@pytest.fixture(scope="module")
def lines() -> dict[str, MadeLine]:
    return {}


@pytest.mark.parametrize("name", scene_names())
def test_every_scene_is_made_small(name: str, lines: dict[str, MadeLine]) -> None:
    line = made(name, lines)
    assert line.name == name
    assert line.recording.shape[0] == 8
    assert len(line.shots) == 48 * len(line.shots.sources)
    assert np.isfinite(line.gathers).all()
    windows = signal_windows_s(line)
    rms = [
        float(np.sqrt(np.mean(line.gathers[..., round(a / 0.004) : round(b / 0.004)] ** 2)))
        for a, b in windows
    ]
    assert windows[-1][1] == pytest.approx(line.length_s - 0.35)
    # Signal in every window, down to the last one.
    assert 20 * np.log10(min(rms) / max(rms)) > -60.0


def test_there_are_at_least_eight_scenes_with_two_three_and_five_sources() -> None:
    assert len(scene_names()) >= 8
    counts = {len(scene_design(name).acquisition.sources) for name in scene_names()}
    assert {2, 3, 5} <= counts


def test_five_in_turn_has_blending_fold_six(lines: dict[str, MadeLine]) -> None:
    line = made("five-in-turn", lines)
    operator = make_operator(
        line.shots,
        start_ns=line.recording.start_ns,
        interval_ns=4_000_000,
        sample_count=line.recording.shape[1],
        length=600,
    )
    # Counted with the pad of the delay filter, 32 samples in 600, 6 becomes 6.3.
    middle = operator.fold[5000:-5000]
    assert middle.mean() == pytest.approx(6.0 * operator.padded_length / 600, rel=0.02)


def test_long_records_are_one_and_a_half_intervals(lines: dict[str, MadeLine]) -> None:
    assert interval_over_length(made("long-records", lines)) == pytest.approx(1 / 1.5, rel=0.1)


def test_wrong_times_are_wrong_by_half_a_millisecond(lines: dict[str, MadeLine]) -> None:
    line = made("wrong-times", lines)
    error = (line.shots.fire_time_ns - line.true_fire_time_ns) * 1e-9
    assert np.std(error) == pytest.approx(0.0005, rel=0.2)


def test_white_noise_is_a_tenth_of_the_signal(lines: dict[str, MadeLine]) -> None:
    noisy = made("white-noise", lines)
    samples = noisy.recording.read([0], 0, noisy.recording.shape[1]).astype(np.float64)
    assert noisy.noise_rms["White"] ** 2 == pytest.approx(
        np.mean(samples**2) * 0.01 / 1.01, rel=0.4
    )


def test_swell_lies_on_fifteen_per_cent_and_spikes_on_half_a_per_cent() -> None:
    _, swell, spikes = scene_design("swell-and-spikes").noise
    assert (swell.share, swell.band_hz) == (0.15, (2.0, 10.0))
    assert spikes.share == 0.005


def test_small_dither_is_small(lines: dict[str, MadeLine]) -> None:
    line = made("small-dither", lines)
    fired = (line.shots.fire_time_ns[line.shots.source == 2] - line.shots.fire_time_ns.min()) * 1e-9
    assert np.abs(fired - np.rint(fired / 5.4) * 5.4).max() < 0.11


def test_unlike_sources_have_events_of_their_own() -> None:
    plan = scene_design("unlike-sources")
    assert {piece.seen_by for piece in plan.geology.parts} == {(), (2,), (3,)}
    gains = {source.signature.gain for source in plan.acquisition.sources}
    assert len(gains) == 3


def test_seeds_change_the_firing_and_leave_the_earth() -> None:
    assert scene_design("three-sources").geology == scene_design("wrong-times").geology
    first, second = (true_shots(scene_design("two-sources").acquisition, seed) for seed in (0, 1))
    assert not np.array_equal(first.shots.fire_time_ns, second.shots.fire_time_ns)


def test_earths_are_drawn_from_their_seed() -> None:
    assert varied_earth(EarthLimits(), 1) == varied_earth(EarthLimits(), 1)
    assert varied_earth(EarthLimits(), 1) != varied_earth(EarthLimits(), 2)


def test_an_unknown_scene_is_refused_with_the_nearest_name() -> None:
    with pytest.raises(InputError, match=r"scene 'three-source' is not known.*'three-sources'"):
        make_scene("three-source")


def test_an_unknown_size_is_refused() -> None:
    with pytest.raises(InputError, match="size 'huge' is not known"):
        make_scene("two-sources", "huge")


def recorded() -> list[dict[str, str]]:
    with RECORDED.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_plain_fk_was_recorded_for_every_scene_and_leaves_something_to_do() -> None:
    # Kept from a script that benchmarks/quality/standard_scenes.toml has replaced.
    rows = {(row["scene"], row["size"]): row for row in recorded()}
    assert {name for name, _ in rows} == set(scene_names())
    for size in ("small", "full"):
        row = rows["three-sources", size]
        assert float(row["snr_db"]) <= 20.0
        assert float(row["deepest_window_db"]) < 10.0
