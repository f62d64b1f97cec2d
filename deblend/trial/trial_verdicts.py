"""What the stacks of a trial say against its benchmark: findings with verdicts.

A difference counts only as far as neither noise nor the distance between midpoints explains it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from deblend.decibels import decibels
from deblend.model.findings import Finding
from deblend.qc.limits import Limit, verdict_row
from deblend.trial.compare_sections import CLEARLY_ALIKE
from deblend.trial.line_stack import LineStack, Window, ratio_db, snr_db
from deblend.trial.stack_likeness import (
    StackLikeness,
    envelope_shift,
    position_shift_s,
    stack_likeness,
)
from deblend.trial.trial_table import StackedTrial


def stack_findings(trial: StackedTrial, limits: Mapping[str, Limit]) -> list[Finding]:
    """Findings of every line in every window, all frequencies together."""
    benchmark = trial.stacks[trial.benchmark]
    assert benchmark is not None
    found: list[Finding] = []
    for one in trial.stacks:
        if one is None or one is benchmark:
            continue
        for window_s in trial.windows_s:
            likeness = stack_likeness(one, benchmark, window_s, 0)
            if likeness is not None:
                found += _likeness_findings(one, benchmark, likeness, window_s, limits)
            found += _snr_findings(one, benchmark, window_s, limits)
    return found


def _likeness_findings(
    line: LineStack,
    benchmark: LineStack,
    likeness: StackLikeness,
    window_s: Window,
    limits: Mapping[str, Limit],
) -> Iterator[Finding]:
    names = f"stack of {line.name} against {benchmark.name}"
    explained, unexplained = likeness.explained_percent, likeness.unexplained_percent
    yield verdict_row(
        limits,
        "nrms",
        likeness.nrms_percent,
        f"200 rms(a - b) / (rms a + rms b), {names}; noise explains {likeness.noise_percent:.1f} % "
        f"and positions {likeness.position_percent:.1f} %, which leaves {unexplained:.1f} %.",
        beyond_chance=limits["nrms"].verdict(unexplained) != "pass" and unexplained > explained,
        window_s=window_s,
    )
    clear = abs(likeness.correlation) >= CLEARLY_ALIKE
    if clear and likeness.correlation < 0.0:
        yield Finding(
            "opposite_polarity",
            likeness.correlation,
            "",
            "fail",
            f"{line.name} and {benchmark.name} have opposite polarities (correlation "
            f"{likeness.correlation:.2f}), {names}; bring them to one convention first.",
            window_s=window_s,
        )
    yield _shift_finding(line, benchmark, likeness, window_s, limits, clear)


def _shift_finding(
    line: LineStack,
    benchmark: LineStack,
    likeness: StackLikeness,
    window_s: Window,
    limits: Mapping[str, Limit],
    clear: bool,
) -> Finding:
    shift_s, by = likeness.shift_s, f"correlation {likeness.correlation:.2f}"
    if not clear:
        shift_s, alike = envelope_shift(line, benchmark, window_s)
        by = f"envelopes, correlation {alike:.2f}"
    from_place_s = position_shift_s(line, benchmark, window_s)
    side = "later" if shift_s > 0.0 else "earlier"
    return verdict_row(
        limits,
        "time_shift",
        1e3 * abs(shift_s),
        f"The stack of {line.name} comes that much {side} than that of {benchmark.name} ({by}); "
        f"the distance between midpoints may make {1e3 * from_place_s:.1f} ms.",
        beyond_chance=bool(np.isfinite(shift_s)) and abs(shift_s) > 2.0 * from_place_s,
        window_s=window_s,
    )


def _snr_findings(
    line: LineStack, benchmark: LineStack, window_s: Window, limits: Mapping[str, Limit]
) -> Iterator[Finding]:
    measured, own = snr_db(line, window_s, 0)[0], snr_db(benchmark, window_s, 0)[0]
    if not (np.isfinite(measured) and np.isfinite(own)):
        return
    output, _ = ratio_db(line, benchmark, window_s, 0)
    noise, error = ratio_db(line, benchmark, window_s, 0, noise=True)
    fold_db = decibels(line.effective_fold(window_s), benchmark.effective_fold(window_s))
    shortfall = own + fold_db + output - measured
    yield verdict_row(
        limits,
        "snr_gain_shortfall",
        shortfall,
        f"Stack of {line.name}: signal over noise {measured:.1f} dB from its halves, "
        f"{own + fold_db + output:.1f} dB expected from {own:.1f} dB of {benchmark.name}, fold "
        f"{fold_db:+.1f} dB and strength {output:+.1f} dB; noise of the stack {noise:+.1f} dB.",
        beyond_chance=shortfall > 2.0 * error,
        error=error,
        window_s=window_s,
    )
