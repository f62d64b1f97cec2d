from dataclasses import replace

import numpy as np
import pytest

from deblend.errors import InputError
from deblend.synth.acquisition import Acquisition, Streamer, TowedSource, true_shots
from deblend.synth.arrivals import Decay, Diffractor, DirectArrival
from deblend.synth.build import SceneDesign, blend_at, build_line, record_span, truth_gathers
from deblend.synth.firing import Dither, Firing, Trouble
from deblend.synth.geology import Geology, record_source
from deblend.synth.multiples import GuidedWaves
from deblend.synth.noise import Spikes, White
from deblend.synth.reflectors import Reflector, Surface
from deblend.synth.signature import Signature

LENGTH_S = 2.4


def small_plan(**changes) -> SceneDesign:
    """Everything arrives early enough for its tail to end within the trace."""
    layer = Reflector(Surface(500.0, 0.1, -0.1), 0.8, 1700.0)
    only_one = replace(layer, surface=Surface(800.0), seen_by=(2,))
    geology = Geology(
        (DirectArrival(), layer, only_one, Diffractor(40.0, 200.0, 600.0, 0.5, 1700.0)),
        Decay(40.0, 0.1, 1.5),
        (GuidedWaves(60.0, 0.1),),
    )
    acquisition = Acquisition(
        sources=(
            TowedSource(-25.0, signature=Signature(primary_to_bubble=np.inf)),
            TowedSource(25.0, signature=Signature(5.0, 60.0, 110.0, 5.0, gain=0.7)),
        ),
        streamer=Streamer(3),
        firing=Firing("near-simultaneous", 1.6, 6, Dither(0.2)),
    )
    plan = SceneDesign("test", "Two sources.", geology, acquisition, (), LENGTH_S)
    return replace(plan, **changes)


def with_trouble(trouble: Trouble) -> SceneDesign:
    plan = small_plan()
    return replace(plan, acquisition=replace(plan.acquisition, trouble=trouble))


@pytest.mark.parametrize(("guided", "limit_db"), [(False, -100.0), (True, -80.0)])
def test_blended_truth_is_what_direct_evaluation_in_the_record_gives(
    guided: bool, limit_db: float
) -> None:
    # The independent way: every arrival at its fire time plus travel time in one long trace.
    # Guided waves are given by their modes alone, which are not causal to the last decibel.
    plan = small_plan()
    if not guided:
        plan = replace(plan, geology=replace(plan.geology, guided=()))
    shots = true_shots(plan.acquisition, 0)
    gathers = truth_gathers(plan, shots, round(LENGTH_S / 0.004))
    start, count = record_span(shots.true_fire_time_ns, gathers.shape[2], 4_000_000)
    blended = blend_at(shots.shots, gathers, start, 4_000_000, count)
    direct = np.zeros(blended.shape)
    for number, towed in enumerate(plan.acquisition.sources, start=1):
        rows = shots.shots.rows_of(number)
        direct += record_source(
            plan.geology,
            number,
            towed.signature,
            shots.source_m[rows],
            shots.receiver_m[rows],
            interval_s=0.004,
            sample_count=count,
            delay_s=(shots.true_fire_time_ns[rows] - start) * 1e-9,
        ).sum(axis=0, dtype=np.float64)
    error = np.abs(blended - direct).max() / np.abs(direct).max()
    assert 20 * np.log10(error) < limit_db
    # Whole-sample fire times would miss that by far.
    whole = (shots.true_fire_time_ns - start) // 4_000_000 * 4_000_000 + start
    rounded = replace(shots.shots, fire_time_ns=whole)
    coarse = blend_at(rounded, gathers, start, 4_000_000, count)
    assert np.abs(coarse - direct).max() > 0.1 * np.abs(direct).max()


def test_an_event_that_only_one_source_sees() -> None:
    plan = small_plan()
    without = replace(plan, geology=replace(plan.geology, parts=plan.geology.parts[:2]))
    with_it = replace(plan, geology=replace(plan.geology, parts=(*plan.geology.parts[:3],)))
    first, second = build_line(without), build_line(with_it)
    assert np.array_equal(first.truth[1], second.truth[1])
    assert not np.array_equal(first.truth[2], second.truth[2])


def test_misfires_leave_nothing_and_are_marked() -> None:
    line = build_line(with_trouble(Trouble(misfires=3)))
    assert np.count_nonzero(~line.shots.live) == 3
    assert np.all(line.gathers[~line.shots.live] == 0)
    assert np.all(np.abs(line.gathers[line.shots.live]).max(axis=(1, 2)) > 0)


def test_timing_errors_are_in_the_table_not_in_the_record() -> None:
    exact, wrong = build_line(small_plan()), build_line(with_trouble(Trouble(0, 0.0005)))
    stop = exact.recording.shape[1]
    assert np.array_equal(exact.recording.read([0], 0, stop), wrong.recording.read([0], 0, stop))
    assert (wrong.shots.fire_time_ns != wrong.true_fire_time_ns).all()


def test_gaps_are_unknown_samples() -> None:
    line = build_line(with_trouble(Trouble(gaps_s=((2.0, 0.5),))))
    (gap,) = line.recording.gaps
    assert gap.stop - gap.start == 125
    samples = line.recording.read([0, 1, 2], 0, line.recording.shape[1])
    assert np.isnan(samples[:, gap.start : gap.stop]).all()
    assert np.isnan(samples).sum() == 3 * 125


def test_a_gap_outside_the_record_is_refused() -> None:
    with pytest.raises(InputError, match=r"a gap of 0\.5 s at 500\.0 s lies outside the record"):
        build_line(with_trouble(Trouble(gaps_s=((500.0, 0.5),))))


def test_noise_is_added_and_its_level_kept() -> None:
    clean = build_line(small_plan())
    noisy = build_line(small_plan(noise=(White(0.1), Spikes(5.0, 0.001), White(0.2))))
    stop = clean.recording.shape[1]
    added = noisy.recording.read([0, 1, 2], 0, stop) - clean.recording.read([0, 1, 2], 0, stop)
    assert set(noisy.noise_rms) == {"White", "Spikes", "White 3"}
    assert np.sqrt(np.mean(added.astype(np.float64) ** 2)) == pytest.approx(
        noisy.total_noise_rms, rel=0.02
    )
    assert clean.total_noise_rms == 0.0
    assert np.array_equal(clean.gathers, noisy.gathers)


def test_truth_ends_in_zero() -> None:
    assert np.all(build_line(small_plan()).gathers[..., -1] == 0)


def test_an_empty_length_is_refused() -> None:
    with pytest.raises(InputError, match=r"a length of 0\.0 s holds no sample"):
        build_line(small_plan(length_s=0.0))


def test_a_source_without_events_is_refused() -> None:
    plan = small_plan()
    geology = replace(plan.geology, parts=(DirectArrival(seen_by=(2,)),))
    with pytest.raises(InputError, match="source 1 sees no event"):
        build_line(replace(plan, geology=geology))
