"""The exit status of a run follows its verdict."""

from __future__ import annotations

import pytest
from small_line import Call, SmallLine


@pytest.mark.usefixtures("plain_page")
@pytest.mark.parametrize(("iterations", "verdict", "status"), [(25, "pass", 0), (1, "fail", 3)])
def test_separate_and_judge_end_alike(
    line: SmallLine, call: Call, iterations: int, verdict: str, status: int
) -> None:
    line.rewrite("iterations = 25", f"iterations = {iterations}")
    separated, verdict_row = call("separate", line.line_file), call("judge", line.out)
    assert (separated.exit_code, verdict_row.exit_code) == (status, status), separated.output
    assert f"verdict: {verdict}" in separated.stdout
    assert f"verdict: {verdict}" in verdict_row.stdout
    assert (line.out / "manifest.json").exists()


@pytest.mark.usefixtures("plain_page")
def test_without_expected_error_nothing_passes(line: SmallLine, call: Call) -> None:
    line.rewrite("[output]", "[quality]\nexpected_error = false\n\n[output]")
    separated, verdict_row = call("separate", line.line_file), call("judge", line.out)
    assert (separated.exit_code, verdict_row.exit_code) == (1, 1), separated.output
    assert "nothing is known of the error" in separated.stdout
    assert "nothing is known of the error" in verdict_row.stdout
