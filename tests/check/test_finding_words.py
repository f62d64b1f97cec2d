"""What many findings have in common, in one line."""

from __future__ import annotations

import numpy as np

from deblend.check.words import shots_named, verified_rows, with_many_as_one
from deblend.model.findings import Finding


def misfires(points: list[int], source: int = 1) -> list[Finding]:
    return [
        Finding("misfire", 3.0, "%", "fail", f"Shot {point}.", source=source, shot_point=point)
        for point in points
    ]


def test_shots_in_ranges() -> None:
    found = [*misfires([7, 3, 4, 5, 9, 10]), *misfires([2], source=2)]
    assert shots_named(found) == "source 1 shot point 3 to 5, 7, 9 to 10; source 2 shot point 2"
    many = shots_named(misfires(list(range(0, 40, 2))))
    assert many == "source 1 shot point 0, 2, 4, 6, 8, 10 and 14 more"
    assert shots_named([]) == ""


def test_many_shots_are_one_finding_and_few_are_not() -> None:
    other = Finding("gap", 1.7, "s", "look", "A gap.")
    few = [*misfires([1, 2, 3]), other]
    assert with_many_as_one(few) == few
    many = [other, *misfires(list(range(1, 301))), *misfires([7], source=2)]
    one = with_many_as_one(many)
    assert one[0] is other
    assert [finding.metric for finding in one] == ["gap", "misfire"]
    assert (one[1].value, one[1].unit, one[1].verdict) == (301.0, "findings", "fail")
    assert one[1].message == (
        "Source 1 shot point 1 to 300; source 2 shot point 7. The first of them: Shot 1."
    )
    pairs = [Finding("variation", float(k), "s", "look", f"Pair {k}.") for k in range(28)]
    (one,) = with_many_as_one(pairs)
    assert (one.value, one.message) == (28.0, "The first of them: Pair 0.")


def test_rows_of_what_was_verified() -> None:
    assert verified_rows([]) == []
    clocks = [
        Finding("clock_offset", -18.0042, "s", "fail", ""),
        Finding("clock_drift", -4.76, "ms", "look", ""),
    ]
    missing = Finding("shot_not_verified", np.nan, "", "note", "", source=3, shot_point=12)
    verified = Finding("shots_verified", 143.0, "shots", "pass", "143 of 144 shots.")
    assert verified_rows([*clocks, verified, missing]) == [
        ("clocks", "record behind fire times by -18.004 s, drift over the line of -4.8 ms"),
        ("verified", "143 of 144 shots."),
        ("not verified", "source 3 shot point 12"),
    ]
    unknown = [Finding("clock_not_verified", np.nan, "", "look", "")]
    assert verified_rows(unknown) == [("clocks", "not verified"), ("verified", "no shot")]
