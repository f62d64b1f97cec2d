"""A plan as a page, tables, JSON and firing tables."""

from __future__ import annotations

import json
import math
import re
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import numpy as np

from deblend.errors import SettingsError
from deblend.files import csv_text, filling, json_values, write_text
from deblend.model.findings import COLUMNS as FINDING_COLUMNS
from deblend.model.findings import finding_cells
from deblend.plan.alternative import channel_offsets_m, clean_by_channel_s, speeds_m_s
from deblend.plan.contents import NOT_A_PROMISE, PlanContents, Prediction
from deblend.plan.delay_table import DelayTable, table_text
from deblend.plan.keys import TargetTable
from deblend.plan.numbers import AlternativeNumbers
from deblend.plan.shot_timing import blending_fold
from deblend.plan.signature import SignatureMeasures
from deblend.plan.words import ADVICE, CAUTIONS
from deblend.qc.limits import overall_verdict

PAGE: Final = "plan.html"
NUMBERS: Final = "plan.json"
TABLE: Final = "plan.csv"
FINDINGS: Final = "findings.csv"
FOLD_TIMES: Final = 81


def write_plan(contents: PlanContents, folder: Path) -> list[Path]:
    """Write page, tables and firing tables into a new or empty folder; the page comes first."""
    from deblend.plan.page import render_plan

    texts = {
        PAGE: render_plan(contents),
        NUMBERS: plan_json(contents),
        TABLE: plan_csv(contents),
        FINDINGS: _findings_csv(contents),
    }
    for column in contents.columns:
        if column.alternative.dither.law == "uniform":
            texts[f"delays-{_file_name(column.alternative.name)}.csv"] = delays_text(column)
    with filling(folder):
        for name, text in texts.items():
            write_text(folder / name, text)
    return [folder / name for name in texts]


def delays_text(column: AlternativeNumbers) -> str:
    """The firing table of one alternative.

    Raises
    ------
    SettingsError
        If its shot points would be negative.
    """
    dither, firing, trial = column.alternative.dither, column.firing, column.alternative.trial
    offset_s = math.ceil(dither.range_s / dither.resolution_s - 1e-9) * dither.resolution_s
    # The offset is the whole range, so that the table does not change with the draw.
    written = np.maximum(firing.delay_s + offset_s, 0.0)
    change_s = dither.largest_change_s
    facts = {
        "alternative": column.alternative.name,
        "reach": f"one sail line of {trial.line_length_km + trial.run_in_and_out_km:g} km, run-in "
        "and run-out included",
        "law": f"uniform within plus and minus {dither.range_s * 1e3:g} ms",
        "seed": f"{firing.seed}, the best of {dither.seeds_tried}",
        "smallest_gap_ms": f"{dither.smallest_gap_s * 1e3:g}",
        "largest_change_ms": "not limited" if change_s is None else f"{change_s * 1e3:g}",
    }
    numbers = column.alternative.firing
    shot_point = numbers.first_shot_point + numbers.shot_point_step * (firing.shot_point - 1)
    if shot_point.min() < 0:
        raise SettingsError(
            f"shot points of {column.alternative.name!r} fall to {shot_point.min()}, from "
            f"{numbers.first_shot_point} by {numbers.shot_point_step}",
            where="firing",
            remedy="Raise first_shot_point, or shorten the line of [trial].",
        )
    table = DelayTable(shot_point, firing.source, written, offset_s)
    return table_text(table, resolution_s=dither.resolution_s, facts=facts)


def plan_json(contents: PlanContents) -> str:
    """Everything as JSON; what is unknown or endless is null."""
    content = {
        "plan": contents.name,
        "verdict": overall_verdict(contents.deciding_findings),
        "advice": ADVICE,
        "target": {
            "record_length_s": contents.target.record_length_s,
            "window_s": contents.target.window_s,
        },
        "alternatives": [_column_json(column, contents.target) for column in contents.columns],
        "predicted_separation": [_prediction_json(one) for one in contents.predictions],
        "signatures": [_signature_json(one) for one in contents.signatures],
        "signature_findings": [asdict(row) for row in contents.signature_findings],
        "line_as_shot": None if contents.shot is None else asdict(contents.shot),
        "cautions": list(CAUTIONS),
    }
    return json.dumps(json_values(content), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _column_json(column: AlternativeNumbers, target: TargetTable) -> dict[str, Any]:
    record_s = target.record_length_s
    after = np.linspace(0.0, record_s, FOLD_TIMES, endpoint=False)
    times = column.firing.times_s(speeds_m_s(column.alternative)[1])
    active = blending_fold(times, record_s, after)
    clean = clean_by_channel_s(column.alternative, column.clean_s)
    return {
        "name": column.alternative.name,
        "usual_speed": {
            "offset_m": channel_offsets_m(column.alternative).tolist(),
            "clean_record_length_s": np.round(clean, 4).tolist(),
            "after_firing_s": np.round(after, 4).tolist(),
            "mean_blending_fold": np.round(active.mean(axis=0), 4).tolist(),
        },
        "midpoint_lines_m": column.lines.across_m.tolist(),
        "quantities": [asdict(quantity) for quantity in column.quantities],
        "strings": [asdict(use) for use in column.strings],
        "guns_first_guess": [asdict(guns) for guns in column.guns],
        "dither": [asdict(row) for row in column.diagnoses],
        "findings": [asdict(finding) for finding in column.findings],
    }


def _prediction_json(one: Prediction) -> dict[str, Any]:
    return {
        "alternative": one.alternative,
        "stated_as": NOT_A_PROMISE,
        "scene": one.scene,
        "not_simulated_because": one.reason,
        "windows_s": one.windows_s,
        "start_db_by_seed_source_window": one.start_db.tolist(),
        "snr_db_by_seed_source_window": one.snr_db.tolist(),
    }


def _signature_json(one: SignatureMeasures) -> dict[str, Any]:
    return {
        "name": one.far_field.name,
        "ghost": one.far_field.ghost,
        "filter": one.far_field.filter,
        "gate_s": one.far_field.gate_s,
        "zero_to_peak_bar_m": one.zero_to_peak,
        "peak_to_peak_bar_m": one.peak_to_peak,
        "primary_to_bubble": one.primary_to_bubble,
        "bubble_period_s": one.bubble_period_s,
        "largest_spectrum_db_re_1_upa_m_per_hz": float(one.spectrum_db.max()),
        "notches_hz": one.notches_hz,
        "expected_notches_hz": one.expected_notches_hz,
        "usable_hz_within_10_db": one.usable_hz,
    }


def plan_csv(contents: PlanContents) -> str:
    """The table side by side, with units, formulas and where they come from."""
    names = [column.alternative.name for column in contents.columns]
    rows = []
    for (quantity, values), (_, sources) in zip(contents.rows(), contents.formulas(), strict=True):
        cells = [value if isinstance(value, str) else f"{value:.6g}" for value in values]
        row = [quantity.group, quantity.name, quantity.unit, *cells]
        rows.append([*row, quantity.formula, "; ".join(sources)])
    return csv_text(["group", "quantity", "unit", *names, "formula", "source"], rows)


def _findings_csv(contents: PlanContents) -> str:
    rows = ([name, *finding_cells(finding)] for name, finding in contents.findings)
    return csv_text(["alternative", *FINDING_COLUMNS], rows)


def _file_name(name: str) -> str:
    return re.sub(r"[^\w.-]+", "-", name).strip("-") or "alternative"
