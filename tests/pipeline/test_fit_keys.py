"""Keys of the line file that change the fit: refined times, weights, the unexplained part."""

from __future__ import annotations

import csv
import json

import numpy as np
from small_line import LOOK, PASS, SHOT_COUNT, Call, SmallLine

from deblend.separation.settings import RESIDUAL_CHOICES


def test_what_was_done_is_stated_in_every_result(line: SmallLine, call: Call) -> None:
    line.rewrite(
        "iterations = 25", 'iterations = 12\nrefine_times = true\nresidual = "share_by_fold"'
    )
    result = call("separate", line.line_file)
    assert result.exit_code == PASS, result.stderr
    with (line.out / "fire-times.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 2 * SHOT_COUNT
    assert max(abs(float(row["shift_ms"])) for row in rows) <= 5.0
    manifest = json.loads((line.out / "manifest.json").read_text())
    assert manifest["settings"]["refine_times"] is True
    assert "fire-times.csv" in {output["path"] for output in manifest["outputs"]}
    assert "fire_time_error_rms" in {finding["metric"] for finding in manifest["findings"]}
    header = (line.out / "delivered" / "source-1.sgy").read_bytes()[:3200]
    cards = header.decode("cp037") if header[:1] == b"\xc3" else header.decode("ascii")
    lines = [cards[k + 3 : k + 80].strip() for k in range(0, 3200, 80)]
    assert "fire times were refined" in " ".join(lines)
    consequence = RESIDUAL_CHOICES["share_by_fold"]
    assert "re-blends to the record, and its noise is lower" in consequence
    assert manifest["unexplained_residual"] == {
        "choice": "share_by_fold",
        "consequence": consequence,
    }
    assert consequence in " ".join((line.out / "report.html").read_text().split())


def test_a_noisy_channel_is_named(line: SmallLine, call: Call) -> None:
    noisy = line.samples.copy()
    level = float(np.sqrt(np.mean(np.square(noisy))))
    noise = np.random.default_rng(4).standard_normal(noisy.shape[1])
    noisy[2] += (5 * level * noise).astype(np.float32)
    line.write_records(noisy)
    result = call("separate", line.line_file)
    assert result.exit_code == LOOK, result.stderr
    with (line.out / "findings.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    (named,) = [row for row in rows if row["metric"] == "channel_fitted_less"]
    assert named["channel"] == "3"
    assert float(named["value"]) > 50
