"""Leakage and loss on made lines whose fault is known: what is read, and what is flagged by chance.

python benchmarks/qc/calibration.py [--seeds 300] [--first 0]

Three sources near-simultaneous, 48 shots each, 4 channels, noise of one in ten; the scene of
tests/qc. Without a fault nothing should be flagged; with one, its amplitude should be read within a
fifth.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "tests" / "qc"))

from qc_line import QcLine, make_qc_line

from deblend.qc.leakage import Leakage, leakage_findings, line_flags, measure_leakage
from deblend.qc.limits import default_limits, overall_verdict

LEVELS = (0.05, 0.1, 0.3)


def measured(line: QcLine, estimate: np.ndarray) -> Leakage:
    return measure_leakage(line.plan, range(4), line.pseudo_deblended, estimate)


def faultless(seeds: range) -> None:
    verdicts, flagged, tests = [], np.zeros(4), np.zeros(4)
    for seed in seeds:
        line = make_qc_line(seed)
        leakage = measured(line, line.truth)
        rows = leakage_findings(line.plan, leakage, default_limits(), np.arange(1, 5))
        verdicts.append(overall_verdict(rows))
        flags = line_flags(leakage)
        for number, kind in enumerate((flags.leaked, flags.copied, flags.lost, flags.coherent)):
            flagged[number] += bool(kind.any())
            tests[number] += kind.size - (3 * kind.shape[-1] if kind.ndim == 3 else 0)
    print(
        f"nothing wrong, {len(seeds)} seeds: {verdicts.count('pass')} pass, "
        f"{verdicts.count('look')} look, {verdicts.count('fail')} fail"
    )
    names = ("crosstalk", "interference left", "signal removed", "coherent removed")
    for name, count, each in zip(names, flagged, tests, strict=True):
        share = 100 * count / len(seeds)
        print(f"  {name}: seeds with any flag {share:.1f} % ({each / len(seeds):.0f} tests a seed)")


def faults(seeds: range) -> None:
    between = ~np.eye(3, dtype=bool)
    for level in LEVELS:
        copied, leaked, lost = [], [], []
        for seed in seeds:
            line = make_qc_line(seed)
            leak = measured(line, line.truth + np.float32(level) * line.interference).crosstalk
            copied.append(leak.copied[between].mean())
            leaked.append(np.sqrt(max(leak.leaked[between].mean(), 0.0)))
            loss = measured(line, np.float32(1 - level) * line.truth).removed
            lost.append(loss.lost_fraction.mean())
        for name, values in (
            ("left, by waveform", copied),
            ("left, by energy", leaked),
            ("removed", lost),
        ):
            ratio = np.array(values) / level
            inside = 100 * np.mean(np.abs(ratio - 1) <= 0.2)
            print(
                f"{name} {level:g}: read {ratio.mean():.3f} of it, from {ratio.min():.3f} to "
                f"{ratio.max():.3f}; within a fifth in {inside:.0f} % of {len(seeds)} seeds"
            )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=300)
    parser.add_argument("--first", type=int, default=0)
    chosen = parser.parse_args()
    begin = time.perf_counter()
    faultless(range(chosen.first, chosen.first + chosen.seeds))
    faults(range(chosen.first, chosen.first + max(1, chosen.seeds // 10)))
    print(f"{time.perf_counter() - begin:.0f} s")


if __name__ == "__main__":
    main()
