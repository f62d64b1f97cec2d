"""The table of measured numbers in benchmarks/README.md, from ``benchmarks/results``."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any, Final

from benchmarks.qc.verdict_fit import CHOSEN
from benchmarks.quality.kept_targets import ROBUST, ROBUST_IN_WINDOWS, SWELL
from benchmarks.result import RESULTS
from benchmarks.run.seams import SCENES

Numbers = dict[str, Any]


def of_wrong_times(numbers: Numbers, size: str) -> str:
    """Scores of lines with wrong times, and what refining leaves of the errors; mean of seeds."""
    refined = "wrong times, 25 Hz, refined"
    columns = (
        *(
            (row, "all_db", 1)
            for row in (
                "wrong times, 25 Hz, as in the table",
                refined,
                "wrong times, 25 Hz, only the mean left",
                "right times, 25 Hz, as in the table",
            )
        ),
        (refined, "error_after_ms", 3),
        (refined, "error_mean_ms", 3),
    )
    found = []
    for seed in range(100):  # those that all columns have
        names = [f"{size}, {row}, seed {seed}, {key}" for row, key, _ in columns]
        if all(name in numbers for name in names):
            found.append([float(numbers[name]) for name in names])
    if not found:
        return "not run"
    means = [sum(values) / len(found) for values in zip(*found, strict=True)]
    cells = [f"{mean:.{digits}f}" for mean, (_, _, digits) in zip(means, columns, strict=True)]
    return f"{', '.join(cells[:4])}; {', '.join(cells[4:])} (seeds: {len(found)})"


def of_seams(numbers: Numbers, cut: str) -> str:
    """Worst windows of all scenes at 60 iterations."""
    names = [f"{scene}, {cut}, 60 iterations" for scene in SCENES]
    return ", ".join(f"{numbers[name][1]:.0f}" if name in numbers else "not run" for name in names)


LEVELS: Final = ("0.05", "0.1", "0.3")
"""Faults of benchmarks.qc.calibration."""


FLOOR_LINES: Final = (
    "recorded gather, overlaps itself",
    "recorded gather, two sources",
    "waves",
    "waves, white noise 10 %",
    "events, white-noise",
)
FLOOR_COLUMNS: Final = (
    ("fk fixed", "fk learned"),
    ("joint fixed", "joint learned"),
    ("joint ends", "joint first and last shot", "joint outer channels"),
    ("support from the truth 12%", "support from the truth 25%"),
    ("rotated support from the truth 12%", "rotated support from the truth 25%"),
)
"""Of benchmarks.quality.floor; columns of one group stand together."""
TIMES_LINES: Final = ("waves, times wrong by 0.5 ms", "long waves, times wrong by 0.5 ms")
TIMES_COLUMNS: Final = (("exact", "wrong", "refined", "refined exact"),)
RESIDUAL_LINES: Final = ("waves, white noise 10 %", "events, white-noise")
RESIDUAL_COLUMNS: Final = (
    ("leave_out", "share_by_fold", "add_to_each_shot"),
    ("leave_out noise left", "share_by_fold noise left", "add_to_each_shot noise left"),
)


def of_floor(
    numbers: Numbers, line: str, columns: tuple[tuple[str, ...], ...] = FLOOR_COLUMNS
) -> str:
    """Means over seeds of one line; a dash where there is nothing to measure, or nothing was."""

    def mean(column: str) -> str:
        values = numbers.get(f"{line}, {column}_db")
        return f"{sum(values) / len(values):.1f}" if values else "-"

    return "; ".join(", ".join(mean(column) for column in group) for group in columns)


def of_late_sources(numbers: Numbers, kind: str) -> str:
    """Sums over all delays of one kind of line."""
    rows = [(key, value) for key, value in numbers.items() if key.startswith(f"{kind}, ")]
    late = [value for key, value in rows if not key.startswith(f"{kind}, 0 ms")]
    exact = [value for key, value in rows if key.startswith(f"{kind}, 0 ms")]
    lines, found, named = (round(sum(value[k] for value in late)) for k in (0, 1, 2))
    false, clean = (round(sum(value[k] for value in exact)) for k in (4, 0))
    return f"{lines}, {found}, {named}; {false}, {clean}"


def joined(values: list[float]) -> str:
    """Values side by side, one a source."""
    return ", ".join(f"{value:.1f}" for value in values)


def within_a_fifth(numbers: Numbers, what: str) -> str:
    """Shares of lines and of rows in which benchmarks.qc.calibration reads a fault rightly."""
    return "; ".join(
        joined([numbers[f"{what}_{level}_{of}"] for level in LEVELS])
        for of in ("within_a_fifth_percent_of_seeds", "rows_within_a_fifth_percent")
    )


def by_workers(numbers: Numbers, case: str, what: str) -> str:
    """One number of benchmarks.run.scaling for each number of workers."""
    found = re.compile(rf"{case}_(\d+)_{what}")
    values = {int(m[1]): value for key, value in numbers.items() if (m := found.fullmatch(key))}
    return ", ".join(f"{values[workers]} ({workers})" for workers in sorted(values))


ROWS: Final[tuple[tuple[str, str, Callable[[Numbers], str]], ...]] = (
    (
        "adjoint of the operator, relative error in float32 and float64",
        "operator.dot_test",
        lambda n: (
            f"{n['largest_relative_error_float32']:.1e}, {n['largest_relative_error_float64']:.1e}"
        ),
    ),
    (
        "largest eigenvalue of pseudo-inverse times operator (with the pad left out of the fold)",
        "operator.largest_eigenvalue",
        lambda n: f"{n['largest_eigenvalue']:.6f} ({n['largest_eigenvalue_pad_not_counted']:.2f})",
    ),
    (
        "cutting into patches and adding back, relative error in float32",
        "operator.tight_frame",
        lambda n: f"{n['largest_relative_error']:.1e}",
    ),
    (
        "crossing plane dips of two sources, one channel, 24 iterations: `rank` damped, not "
        "damped; `fk`; `curvelet`; `median` along slopes, of vectors, without slopes (dB)",
        "quality.classical",
        lambda n: (
            f"{n['snr_dips_rank_one_channel_db']:.1f}, "
            f"{n['snr_dips_rank_one_channel_not_damped_db']:.1f}; {n['snr_dips_fk_db']:.1f}; "
            f"{n['snr_dips_curvelet_db']:.1f}; {n['snr_dips_median_db']:.1f}, "
            f"{n['snr_dips_vector_median_db']:.1f}, {n['snr_dips_median_without_slopes_db']:.1f}"
        ),
    ),
    (
        "small scene of three sources, 24 iterations: `fk`, with leakage returned; `median` along "
        "slopes, without slopes; `joint`, with leakage returned, begun with `median` (dB)",
        "quality.classical",
        lambda n: (
            f"{n['snr_three_sources_fk_db']:.1f}, "
            f"{n['snr_three_sources_fk_leakage_returned_db']:.1f}; "
            f"{n['snr_three_sources_median_db']:.1f}, "
            f"{n['snr_three_sources_median_without_slopes_db']:.1f}; "
            f"{n['snr_three_sources_joint_db']:.1f}, "
            f"{n['snr_three_sources_joint_leakage_returned_db']:.1f}, "
            f"{n['snr_three_sources_median_then_joint_db']:.1f}"
        ),
    ),
    (
        "faults planted on the standard scenes (clock offset, step, drift, misfire, autofire, "
        "swapped source, gap), 50 seeds and 24 held out: found by the input check, planted; lines "
        "where it finds something else, all; lines without a fault where it finds one, all",
        "input_check.planted_faults",
        lambda n: (
            f"{n['faults found, in the table or in the samples']}, {n['faults planted']}; "
            f"{n['lines with something found beside the fault']}, {n['lines looked at']}; "
            f"{n['lines without a fault with something found']}, {n['lines without a fault']}"
        ),
    ),
    *(
        (
            f"a source late throughout by 5 ms to 1 s, {words}: lines, found with its size, named; "
            "exact lines where one is found, all",
            "input_check.late_sources",
            lambda n, kind=kind: of_late_sources(n, kind),
        )
        for kind, words in (
            ("wave", "computed waves"),
            ("recorded", "recorded shots"),
            ("hydrophones", "near-field hydrophones beside it"),
            ("made", "eleven standard scenes"),
        )
    ),
    *(
        (
            f"{line}, two seeds: `fk` with fixed and learned floor; `joint` likewise; its "
            "first and last tenth of the shots against the middle half, first and last shot, outer "
            "channels likewise; the truth cut down to its strongest 12 % and 25 % of the "
            "coefficients of each window; the same with the rotation known (dB)",
            "quality.floor",
            lambda n, line=line: of_floor(n, line),
        )
        for line in FLOOR_LINES
    ),
    *(
        (
            f"{line} rms, two seeds, `joint`: at exact times; at wrong ones; these refined; "
            "exact ones refined (dB)",
            "quality.floor",
            lambda n, line=line: of_floor(n, line, TIMES_COLUMNS),
        )
        for line in TIMES_LINES
    ),
    *(
        (
            f"{line}, two seeds, `joint` with the residual left out, shared by fold, added to "
            "each shot: score; all that is wrong in the gathers over the noise of the record (dB)",
            "quality.floor",
            lambda n, line=line: of_floor(n, line, RESIDUAL_COLUMNS),
        )
        for line in RESIDUAL_LINES
    ),
    (
        "robust fit where nothing is wrong: largest change of a whole line, and of one of its six "
        "windows, over all scenes and seeds (dB)",
        "quality.switched_on",
        lambda n: (
            f"{max(ROBUST.values(n).values()):.2f}, {max(ROBUST_IN_WINDOWS.values(n).values()):.2f}"
        ),
    ),
    (
        "robust fit under swell and spikes: below the same line with its white noise only, worst "
        "window of each seed, lowest and highest seed (dB)",
        "quality.faulty_lines",
        lambda n: f"{-max(SWELL.values(n).values()):.1f}, {-min(SWELL.values(n).values()):.1f}",
    ),
    (
        "three sources, fire times wrong by 0.5 ms rms, energy around 25 Hz: separated as in the "
        "table, refined, at right times but for the mean error of each source, at right times "
        "(dB); error of the refined times but for that mean, and the mean (ms); 48 shots a source",
        "quality.faulty_lines",
        lambda n: of_wrong_times(n, "small"),
    ),
    (
        "the same, 108 shots a source",
        "quality.faulty_lines",
        lambda n: of_wrong_times(n, "full"),
    ),
    (
        "demonstration, whole gathers, sources 1 to 4: before (dB)",
        "speed.demo",
        lambda n: joined(n["snr_start_db"]),
    ),
    ("after (dB)", "speed.demo", lambda n: joined(n["snr_db"])),
    (
        "noise limit (dB): what a perfect separation that leaves the noise in would score",
        "speed.demo",
        lambda n: joined(n["snr_noise_limit_db"]),
    ),
    (
        "demonstration, deepest quarter of the gathers: before (dB)",
        "speed.demo",
        lambda n: joined(n["snr_start_deepest_window_db"]),
    ),
    ("after (dB)", "speed.demo", lambda n: joined(n["snr_deepest_window_db"])),
    ("noise limit (dB)", "speed.demo", lambda n: joined(n["snr_noise_limit_deepest_window_db"])),
    (
        "demonstration, wall time, processor time (s) and peak memory (GB)",
        "speed.demo",
        lambda n: f"{n['wall_s']:.0f}, {n['processor_s']:.0f}, {n['peak_gb']:.2f}",
    ),
    (
        "finite differences, million cell updates a second on one core, whole shots: grid of the "
        "small standard scene, grid of a million points",
        "speed.finite_differences",
        lambda n: (
            f"{n['million_updates_a_second_wall']:.0f}, "
            f"{n['large_million_updates_a_second_wall']:.0f}"
        ),
    ),
    (
        "leakage and loss where nothing is wrong, 300 made lines: pass, look, fail; any flag (%)",
        "qc.calibration",
        lambda n: (
            f"{n['nothing_wrong_pass']}, {n['nothing_wrong_look']}, {n['nothing_wrong_fail']}; "
            f"{100 * (1 - n['nothing_wrong_pass'] / n['nothing_wrong_seeds']):.1f}"
        ),
    ),
    (
        "interference left of 5, 10, 30 % of its amplitude, read within a fifth in the mean of a "
        "line; in a row of two sources and a window (%)",
        "qc.calibration",
        lambda n: within_a_fifth(n, "left_by_waveform"),
    ),
    (
        "signal of 5, 10, 30 % of its amplitude removed, read within a fifth in the mean of a "
        "line; in a row of a source and a window (%)",
        "qc.calibration",
        lambda n: within_a_fifth(n, "removed"),
    ),
    (
        "expected error against the true one, scenes left out: rank correlation, "
        "within 2 dB, within 5 dB (%), whole trace; by window; of runs worse than -8 dB passed, "
        "failed; of runs better than -20 dB, worst window -12, not passed (%)",
        "qc.verdict",
        lambda n: "; ".join(
            [
                *(
                    ", ".join(
                        f"{n[f'{CHOSEN}, {where}: {what}']:{form}}"
                        for what, form in (
                            ("rank correlation", ".2f"),
                            ("within 2 dB (%)", ".0f"),
                            ("within 5 dB (%)", ".0f"),
                        )
                    )
                    for where in ("whole", "window")
                ),
                f"{n[f'{CHOSEN}, runs: bad runs that pass (%)']:.0f}, "
                f"{n[f'{CHOSEN}, runs: bad runs that fail (%)']:.0f}",
                f"{n[f'{CHOSEN}, runs: good runs that do not pass (%)']:.0f}",
            ]
        ),
    ),
    (
        "injected events against the true error, eight separations of recorded shots and one of "
        "waves, by window, what is wrong of the events; what appears in other sources: rank "
        "correlation, median difference (dB), within 5 dB (%)",
        "qc.injection_truth",
        lambda n: "; ".join(
            f"{n[f'windows, {what}: rank correlation']:.2f}, "
            f"{n[f'windows, {what}: median difference (dB)']:.1f}, "
            f"{n[f'windows, {what}: within 5 dB (%)']:.0f}"
            for what in ("wrong", "elsewhere")
        ),
    ),
    (
        "what the expected error adds to the processor time of a run of 100 channels, a minute of "
        "record and 20 iterations, one pair of runs: without, with (s); more (%)",
        "qc.expected_error_cost",
        lambda n: (
            f"{n['100_channels_without_processor_s']:.1f}, "
            f"{n['100_channels_with_processor_s']:.1f}; "
            f"{n['100_channels_more_processor_percent']:.1f}"
        ),
    ),
    (
        "quality of a line of 500 shots x 3 sources x 120 channels x 2,000 samples: wall, "
        "processor time (s), memory (GB)",
        "qc.whole_line",
        lambda n: (
            f"{n['wall_s']:.0f}, {n['processor_s']:.0f}, {n['peak_memory_gb_with_the_blocks']:.2f}"
        ),
    ),
    (
        "an iteration of `fk`, `joint`, blending and all else, over the bare transforms of its "
        "patches by scipy; million sample-iterations a second; with windows that share a quarter",
        "speed.iteration",
        lambda n: (
            f"{n['fk_ratio']:.2f}, {n['joint_ratio']:.2f}; "
            f"{n['fk_million_sample_iterations_per_s']:.0f}, "
            f"{n['joint_million_sample_iterations_per_s']:.0f}; "
            f"{n['fk_quarter_million_sample_iterations_per_s']:.0f}, "
            f"{n['joint_quarter_million_sample_iterations_per_s']:.0f} ({n['threads']} threads)"
        ),
    ),
    (
        "an H200 card, three sources of 200 shots, 480 channels: `joint`, `fk`, million "
        "sample-iterations a second with data resident; bare transforms of the same patches; whole "
        "runs of 60 iterations, record and gathers moved; seconds from a fresh start to the end of "
        "the first iteration (to keep up with twelve streamers takes 390)",
        "speed.card",
        lambda n: (
            f"{n['joint_million_sample_iterations_per_s']}, "
            f"{n['fk_million_sample_iterations_per_s']}; "
            f"{n['joint_bare_million_sample_iterations_per_s']}, "
            f"{n['fk_bare_million_sample_iterations_per_s']}; "
            f"{n['joint_end_to_end_million_sample_iterations_per_s']}, "
            f"{n['fk_end_to_end_million_sample_iterations_per_s']}; "
            f"{n['joint_first_iteration_s']:.1f}"
        ),
    ),
    (
        "separation of one line in the same blocks, times as fast as by one process (processes of "
        "one thread each); in one block by threads of one process (threads)",
        "run.scaling",
        lambda n: f"{by_workers(n, 'strong', 'speed_up')}; {by_workers(n, 'threads', 'speed_up')}",
    ),
    (
        "channels that each process computes in a second where there are as many times more of "
        "them (% of one alone; processes); of runs side by side that know nothing of each other",
        "run.scaling",
        lambda n: f"{by_workers(n, 'weak', 'percent')}; {by_workers(n, 'limit', 'percent')}",
    ),
    (
        "`import deblend`; fetching `separate` with all it needs (s)",
        "speed.import_time",
        lambda n: f"{n['import_deblend_s']:.2f}; {n['with_separate_s']:.2f}",
    ),
    (
        "reading, pseudo-deblending and writing back without iterations, record of 1 GB; of 0.12 "
        "GB: part of the rate at which the same disk writes one file (%)",
        "run.through",
        lambda n: f"{n['percent_of_disk']}; {n['short_line_percent_of_disk']}",
    ),
    (
        "runs and workers killed at random moments; results; identical to that of a run left alone",
        "run.kills",
        lambda n: f"{n['kills']}; {n['results']}; {n['identical']}",
    ),
    (
        "a disk that gets full, or whose power fails with the loss of all that nobody had waited "
        "for, at every step of a run: results of the same command given again; identical",
        "run.failing_disk",
        lambda n: f"{n['results']}; {n['identical']}",
    ),
    (
        "peak memory of a run of 10, 30, 60, 180 minutes of record, 32 channels (GB); budget (GB); "
        "processor time (s)",
        "run.lengths",
        lambda n: (
            f"{', '.join(f'{peak:.2f}' for peak in n['peak_gb'])}; {n['budget_gb']:.2f}; "
            f"{', '.join(f'{used:.0f}' for used in n['processor_s'])}"
        ),
    ),
    (
        "a line in two blocks of channels against one piece, 60 iterations, difference in the "
        "worst window (dB below the local rms): swell and spikes, traffic, gaps and misfires, "
        "white noise, three sources, two sources",
        "run.seams",
        lambda n: of_seams(n, "blocks"),
    ),
    ("the same in two spans of shots", "run.seams", lambda n: of_seams(n, "spans")),
    (
        "the same without a cut, the samples of the record changed by a millionth",
        "run.seams",
        lambda n: of_seams(n, "a millionth"),
    ),
    (
        "one worker of a cluster with memory given back at once, as dask starts it, and kept, as "
        "it is used: processor time in user and system mode (s)",
        "run.malloc",
        lambda n: (
            f"{n['worker_as_started_user_s']:.1f} + {n['worker_as_started_system_s']:.1f}, "
            f"{n['worker_as_used_user_s']:.1f} + {n['worker_as_used_system_s']:.1f}"
        ),
    ),
    (
        "report of 500 shots of three sources each on 120 channels: written in (s; processor s), "
        "size (MB)",
        "report.page",
        lambda n: f"{n['write_s']:.0f}; {n['write_processor_s']:.0f}, {n['size_mb']:.1f}",
    ),
    (
        "usable after (s; processor s), longest of "
        "28 answers to clicks and keys (s; mean processor s)",
        "report.page",
        lambda n: (
            f"{n['usable_s']:.1f}; {n['usable_processor_s']:.1f}, "
            f"{n['answer_longest_s']:.2f}; {n['answer_mean_processor_s']:.2f}"
        ),
    ),
    (
        "`deblend view` on a sparse line, record and delivered files (GB): flip of before, after "
        "and removed, median and longest (s), another shot, another channel (s), memory (MB)",
        "report.view",
        lambda n: (
            f"{n['record_gb']:.0f} and {n['delivered_gb']:.0f}: {n['flip_median_s']:.2f}, "
            f"{n['flip_longest_s']:.2f}, {n['new_shot_median_s']:.1f}, "
            f"{n['new_channel_median_s']:.1f}, {n['server_peak_mb']:.0f}"
        ),
    ),
)


def numbers_table() -> str:
    """Measured numbers with the command that prints each, and the machines they come from."""
    results = {
        name: json.loads((RESULTS / f"{name}.json").read_text(encoding="utf-8"))
        for _, name, _ in ROWS
    }
    lines = ["| what | measured | command |", "|---|---|---|"]
    lines += [
        f"| {what} | {show(results[name]['numbers'])} | `{results[name]['command']}` |"
        for what, name, show in ROWS
    ]
    machines = {
        f"{result['machine']['processor']}, {result['machine']['cores']} cores"
        for result in results.values()
    }
    dates = sorted({result["date"] for result in results.values()})
    load = max(result["machine"]["load_average_1_min"] for result in results.values())
    lines += [
        "",
        f"Measured {' to '.join({dates[0]: 0, dates[-1]: 0})} on {'; '.join(sorted(machines))}, "
        f"shared with other work (load average up to {load:.0f}), so the timings are upper bounds.",
    ]
    return "\n".join(lines)
