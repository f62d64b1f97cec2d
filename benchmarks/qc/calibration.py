"""Leakage and loss on made lines whose fault is known: what is read, and what is flagged by chance.

python -m benchmarks.qc.calibration [--seeds 300] [--faults 30] [--first 0]

Three sources near-simultaneous, 48 shots each, 4 channels, noise of one in ten; the scene of
tests/qc. Without a fault nothing should be flagged; with one, its amplitude should be read within a
fifth, in the mean of a line and in its rows, one a source and window; and two error bars should
hold it in nineteen of twenty rows.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

from benchmarks.result import Number, keep

sys.path.insert(0, str(Path(__file__).parents[2] / "tests" / "qc"))

from qc_line import QcLine, make_qc_line, measured_line

from deblend.qc.leakage import Leakage, leakage_findings, line_flags, measure_leakage
from deblend.qc.limits import overall_verdict

LEVELS = (0.05, 0.1, 0.3)


def measured(line: QcLine, estimate: np.ndarray) -> Leakage:
    return measure_leakage(line.plan, range(4), line.pseudo_deblended, estimate)


def faultless(seeds: range) -> dict[str, Number]:
    verdicts, flagged, asked = [], dict.fromkeys(("copied", "other", "lost", "coherent"), 0), []
    for seed in seeds:
        line = make_qc_line(seed)
        leakage = measured(line, line.truth)
        rows = list(leakage_findings(measured_line(line.plan), leakage))
        verdicts.append(overall_verdict(rows))
        if verdicts[-1] in ("look", "fail"):
            asked += [
                f"{seed} {row.metric} {row.value:.3g}"
                for row in rows
                if row.verdict in ("look", "fail")
            ]
        flags = line_flags(leakage)
        for name in flagged:
            flagged[name] += bool(getattr(flags, name).any())
    print("rows beyond limits:", "; ".join(asked) or "none")
    count = len(seeds)
    return {
        "nothing_wrong_seeds": count,
        **{
            f"nothing_wrong_{verdict}": verdicts.count(verdict)
            for verdict in ("pass", "look", "fail")
        },
        **{f"nothing_wrong_{name}_flagged_percent": 100 * n / count for name, n in flagged.items()},
    }


def faults(seeds: range, level: float) -> dict[str, Number]:
    between = ~np.eye(3, dtype=bool)
    read: dict[str, list[float]] = {"left_by_waveform": [], "left_in_all": [], "removed": []}
    held: dict[str, list[float]] = {"left_by_waveform": [], "removed": []}
    rows: dict[str, list[float]] = {"left_by_waveform": [], "removed": []}
    for seed in seeds:
        line = make_qc_line(seed)
        leakage = measured(line, line.truth + np.float32(level) * line.interference)
        flags, leak = line_flags(leakage), leakage.crosstalk
        read["left_by_waveform"].append(leak.copied[between].mean())
        read["left_in_all"].append(np.sqrt(leak.leaked(flags.copied, flags.other)[between].mean()))
        off = np.abs(leak.copied - level)[between]
        rows["left_by_waveform"].append((off <= 0.2 * level).mean())
        held["left_by_waveform"].append((off < 2 * leak.copied_error[between]).mean())
        loss = measured(line, np.float32(1 - level) * line.truth).removed
        read["removed"].append(loss.lost_fraction.mean())
        off = np.abs(loss.lost_fraction - level)
        rows["removed"].append((off <= 0.2 * level).mean())
        held["removed"].append((off < 2 * loss.lost_error).mean())
    out: dict[str, Number] = {}
    for name, values in read.items():
        ratio = np.array(values) / level
        within = 100 * float(np.mean(np.abs(ratio - 1) <= 0.2))
        out[f"{name}_{level:g}_read_over_true_lowest_mean_highest"] = [
            float(ratio.min()),
            float(ratio.mean()),
            float(ratio.max()),
        ]
        out[f"{name}_{level:g}_within_a_fifth_percent_of_seeds"] = within
    for name, shares in rows.items():
        out[f"{name}_{level:g}_rows_within_a_fifth_percent"] = 100 * float(np.mean(shares))
    for name, shares in held.items():
        out[f"{name}_{level:g}_rows_within_two_error_bars_percent"] = 100 * float(np.mean(shares))
    return out


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=300)
    parser.add_argument("--faults", type=int, default=30)
    parser.add_argument("--first", type=int, default=0)
    chosen = parser.parse_args()
    begin = time.perf_counter()
    numbers = faultless(range(chosen.first, chosen.first + chosen.seeds))
    numbers["fault_seeds"] = chosen.faults
    for level in LEVELS:
        numbers |= faults(range(chosen.first, chosen.first + chosen.faults), level)
    print(f"{time.perf_counter() - begin:.0f} s")
    keep("qc.calibration", numbers)


if __name__ == "__main__":
    main()
