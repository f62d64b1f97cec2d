"""Arithmetic of the loop and what it calls: compiled forms against plain ones."""

from __future__ import annotations

import numpy as np
import pytest

from deblend.arrays import in_parts, irfftn, rfftn
from deblend.blending.operator import operator_at
from deblend.separation.loop import Review, residual_of, run_loop, stepped
from deblend.separation.noise_kernels import median_magnitude
from deblend.separation.schedule import Schedule


@pytest.mark.parametrize("momentum", [0.0, 0.7])
def test_a_step_in_one_go(momentum):
    rng = np.random.default_rng(3)
    estimate, before, unexplained = rng.standard_normal((3, 5, 4, 33)).astype(np.float32)
    plain = estimate + momentum * (estimate - before) + 1.5 * unexplained
    update = stepped(estimate, before, unexplained, momentum, 1.5, np)
    np.testing.assert_allclose(update, plain, atol=1e-5)


@pytest.mark.parametrize("momentum", [0.0, 0.7])
def test_a_residual_in_one_go(momentum):
    rng = np.random.default_rng(4)
    record, blended, before = rng.standard_normal((3, 5, 101)).astype(np.float32)
    known = (rng.random((5, 101)) < 0.8).astype(np.float32)
    residual = residual_of(record, known, blended, before, momentum, np)
    plain = (record - blended - momentum * (blended - before)) * known
    np.testing.assert_allclose(residual, plain, atol=1e-5)


def test_a_value_that_is_not_a_number_shows_in_the_step():
    estimate, unexplained = np.zeros((2, 1, 1, 16), np.float32)
    unexplained[0, 0, 3] = np.nan
    assert np.isnan(stepped(estimate, estimate, unexplained, 0.7, 1.0, np)).sum() == 1


@pytest.mark.parametrize("momentum", [0.0, 0.7])
def test_the_record_of_what_lies_ahead_is_not_blended_twice(momentum):
    """The residual follows from records blended before; here everything is blended anew."""
    rng = np.random.default_rng(5)
    record = rng.standard_normal((2, 300)).astype(np.float32)
    operator = operator_at(
        np.array([0, 333_000_000, 700_500_000]),
        np.ones(3, np.bool_),
        start_ns=0,
        interval_ns=4_000_000,
        sample_count=300,
        length=100,
    )
    schedule = Schedule(6, 0.1, 1.0, momentum)
    known = np.ones_like(record)

    def shrunk(update, iteration, strictness):
        return 0.6 * update

    state = run_loop(record, known, operator, shrunk, schedule)

    estimate = before = np.zeros((3, 2, 100), np.float32)
    for _ in range(6):
        ahead = estimate + momentum * (estimate - before)
        residual = record - operator.blend(ahead)
        before, estimate = estimate, 0.6 * (ahead + operator.pseudo_inverse(residual))
    np.testing.assert_allclose(state.estimate, estimate, atol=2e-5)
    np.testing.assert_allclose(state.residual, record - operator.blend(estimate), atol=2e-5)


@pytest.mark.parametrize("shape", [(3, 4, 1, 10), (2, 1, 5, 9), (2, 1, 1, 8)])
def test_axes_of_one_element_change_nothing(shape):
    """Against numpy.fft, which transforms every axis it is told to."""
    samples = np.random.default_rng(0).standard_normal(shape).astype(np.float32)
    spectrum = rfftn(np, samples, (1, 2, 3))
    np.testing.assert_allclose(spectrum, np.fft.rfftn(samples, axes=(1, 2, 3)), atol=1e-4)
    assert spectrum.dtype == np.complex64
    np.testing.assert_allclose(irfftn(np, spectrum, shape[1:], (1, 2, 3)), samples, atol=1e-5)


@pytest.mark.parametrize("count", [1, 2, 3, 48, 255, 256])
def test_median_without_branches(count):
    """Against numpy.median, with many equal values among them."""
    rng = np.random.default_rng(count)
    spectrum = rng.standard_normal((4, count, 5)) + 1j * rng.standard_normal((4, count, 5))
    spectrum[1, : count // 2] = 0
    spectrum[2, ::2] = 3.0
    spectrum = spectrum.astype(np.complex64)
    out = np.empty((4, 5), np.float32)
    median_magnitude(spectrum, 1, out)
    np.testing.assert_allclose(out, np.median(np.abs(spectrum), axis=1), rtol=1e-5)


def test_parts_make_the_whole(monkeypatch):
    monkeypatch.setenv("NUMBA_NUM_THREADS", "3")
    for count in (1, 2, 3, 10):
        seen = np.zeros(count, np.int64)

        def work(part, seen=seen):
            seen[part] += 1

        in_parts(work, count, np)
        assert (seen == 1).all()


@pytest.mark.parametrize("restart", [False, True])
def test_a_review_sees_the_mean_of_the_latest_iterations_once(restart: bool) -> None:
    rng = np.random.default_rng(6)
    record = rng.standard_normal((2, 300)).astype(np.float32)
    operator = operator_at(
        np.array([0, 333_000_000]),
        np.ones(2, np.bool_),
        start_ns=0,
        interval_ns=4_000_000,
        sample_count=300,
        length=100,
    )
    made, seen, numbers = [], [], []

    def shrunk(update, iteration, strictness):
        numbers.append(iteration)
        made.append(operator.blend(0.9 * update))
        return 0.9 * update

    def review(residual):
        seen.append((len(made), residual))
        return Review(lambda residual: 0.5 * residual, restart)

    schedule = Schedule(12, 0.1, 1.0, 0.0)
    told = []
    done = run_loop(
        record,
        np.ones_like(record),
        operator,
        shrunk,
        schedule,
        told.append,
        reviews=[8, 10],
        review=review,
    )
    # Whoever watches knows beforehand what keeps the next iteration.
    assert [n for n, one in enumerate(told, 1) if one.review_follows] == [n for n, _ in seen]
    begun = [*range(8), *range(10), *range(12)] if restart else list(range(12))
    assert numbers == begun
    assert [count for count, _ in seen] == ([8, 18] if restart else [8, 10])
    for count, residual in seen:
        begin = count - 6 if restart or count == 8 else 8
        expected = record - np.mean(made[begin:count], axis=0)
        np.testing.assert_allclose(residual, expected, atol=1e-5)
    assert len(done.history) == 12
    # With half the weight an iteration takes half the step.
    last, before = made[-1], made[-2]
    half = 0.9 * (before + 0.5 * operator.blend(operator.pseudo_inverse(record - before)))
    np.testing.assert_allclose(last, half, atol=1e-4)
