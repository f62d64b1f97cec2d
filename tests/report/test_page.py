"""The page: self-contained, safe against any text, and with the numbers of the findings."""

from __future__ import annotations

import base64
import dataclasses
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from deblend.errors import OutputError
from deblend.model.findings import Finding
from deblend.report import page as page_module
from deblend.report import page_frame
from deblend.report.contents import Contents
from deblend.report.page import render_report, write_report
from deblend.report.tables import (
    SnrRow,
    by_severity,
    by_source_and_window,
    decibels,
    metric_text,
    number,
    shot_counts,
    snr_matrix,
    snr_rows,
    with_minus,
)
from deblend.report.viewer import library_scripts


class Reader(HTMLParser):
    """Tags with their attributes, text of table rows, and whether tags are closed."""

    VOID = frozenset({"meta", "img", "input", "br", "link"})

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.rows: list[list[str]] = []
        self.text: list[str] = []
        self.code: list[str] = []
        self._open: list[str] = []
        self.feed(html)
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self._open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self._open and self._open[-1] == "script":
            if "type" not in self.tags[-1][1]:
                self.code.append(data)
            return
        self.text.append(data)
        if self._open and self.rows and {"td", "th"} & set(self._open):
            self.rows[-1][-1] += " ".join(data.split())


@pytest.fixture(scope="module")
def html(contents: Contents) -> str:
    return render_report(contents)


@pytest.fixture(scope="module")
def parsed(html: str) -> Reader:
    return Reader(html)


@pytest.fixture
def undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Figures are made but not drawn, where the text alone is looked at."""
    monkeypatch.setattr(page_frame, "png_bytes", lambda figure, colour_map=False: b"")


def bare(contents: Contents, **changes: object) -> Contents:
    """Without gathers, which take longest to draw."""
    return dataclasses.replace(contents, sections=(), **changes)


def test_nothing_outside_the_page_is_asked_for(html: str, parsed: Reader) -> None:
    own = html
    for script in library_scripts():  # addresses in there are never asked for: the policy forbids
        assert script in own
        own = own.replace(script, "")
    without_pictures = re.sub(r"data:image/png;base64,[A-Za-z0-9+/=]+", "", own)
    assert "://" not in without_pictures
    assert "url(" not in without_pictures
    assert "@import" not in without_pictures
    tags = {tag for tag, _ in parsed.tags}
    assert tags.isdisjoint({"link", "iframe", "object", "embed", "base", "form"})
    for tag, attributes in parsed.tags:
        assert not any(name.startswith("on") for name in attributes)
        if "src" in attributes:
            assert tag == "img"
            assert (attributes["src"] or "").startswith("data:image/png;base64,")
        if "href" in attributes:
            assert tag == "a"
            assert (attributes["href"] or "").startswith("#")
    (policy,) = (a["content"] for _, a in parsed.tags if a.get("http-equiv"))
    assert policy is not None
    assert policy == (
        "default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'unsafe-inline'"
    )


def test_page_is_complete_for_readers_of_all_kinds(html: str, parsed: Reader) -> None:
    assert html.startswith("<!DOCTYPE html>")
    assert dict(parsed.tags)["html"] == {"lang": "en"}
    assert "<title>Invented line 7 – separation report</title>" in html
    images = [attributes for tag, attributes in parsed.tags if tag == "img"]
    assert len(images) == 2 + 5  # a gather of each source for paper; spectra, ratios, the line
    for image in images:
        assert image["alt"]
        raw = base64.b64decode((image["src"] or "").split(",")[1])
        width, height = (int.from_bytes(raw[k : k + 4], "big") for k in (16, 20))
        assert (str(width), str(height)) == (image["width"], image["height"])
        assert 1200 <= width <= 1600
    anchors = {a["id"] for _, a in parsed.tags if "id" in a}
    links = {(a["href"] or "")[1:] for tag, a in parsed.tags if tag == "a"}
    assert {link for link in links if "=" not in link} <= anchors  # the rest are places


def test_parts_come_in_the_order_of_reading(parsed: Reader) -> None:
    sections = [a["id"] for tag, a in parsed.tags if tag == "section"]
    assert sections == [
        "answer",
        "findings",
        "input",
        "interference",
        "signal",
        "done",
        "cautions",
    ]


def test_cautions_are_there(parsed: Reader) -> None:
    text = " ".join(" ".join(parsed.text).split())
    for words in (
        "residual proves nothing alone",
        "for the contract and the responsible geophysicist",
        "Any automatic verdict is advice",
        "misses an event that was removed whole",
    ):
        assert words in text


def heading(metric: str, parsed: Reader) -> list[str]:
    """The row above those of a metric."""
    name = re.escape(metric_text(metric))
    return next(row for row in parsed.rows if len(row) == 1 and re.match(rf"{name}\s*\d", row[0]))


def test_numbers_are_those_of_the_findings(contents: Contents, parsed: Reader) -> None:
    assert ["1", "separated", "21.1", "21.1", "21.1"] in parsed.rows
    assert ["before", "−4.7", "−4.7", "−4.7"] in parsed.rows
    assert ["gain", "25.8", "25.8", "25.8"] in parsed.rows
    assert ["noise limit", "35.5", "35.5", "35.5"] in parsed.rows
    assert ["1", "24", "23", "1", "partly outside the record (1)"] in parsed.rows
    assert ["look", "channel 3", "–", "", "Channel 3 is dead."] in parsed.rows
    for finding in contents.findings[1:]:
        window = "" if finding.window_s is None else ", {:g}–{:g} s".format(*finding.window_s)
        value = f"{number(finding.value)} dB"
        row = ["note", f"source {finding.source}{window}", value, "", "made up"]
        assert row in parsed.rows[parsed.rows.index(heading(finding.metric, parsed)) :]


@pytest.mark.usefixtures("undrawn")
def test_without_truth_the_energy_removed_is_the_headline(contents: Contents) -> None:
    rows = tuple(
        Finding("energy_removed", -1.25 * source, "dB", "note", "", source=source, window_s=window)
        for source in (10, 9)
        for window in ((1.0, 2.0), (0.0, 1.0))
    )
    parsed = Reader(render_report(bare(contents, findings=rows)))
    assert parsed.rows.index(["9", "−11.2", "−11.2"]) < parsed.rows.index(["10", "−12.5", "−12.5"])
    assert ["Source", "0–1 s", "1–2 s"] in parsed.rows
    assert "Signal-to-noise ratio against the known truth" not in parsed.text


HOSTILE = "<script>alert(1)</script><img src=x onerror=y>\"'>&amp; {{ 7*7 }} $x$ 水"


@pytest.mark.usefixtures("undrawn")
def test_hostile_text_stays_text(contents: Contents) -> None:
    acquisition = dataclasses.replace(
        contents.acquisition,
        source=np.array([HOSTILE, "b", "c", "d"] * 24),
        reason=np.full(96, HOSTILE),
    )
    finding = Finding(HOSTILE, 1.0, HOSTILE, "fail", HOSTILE, source=HOSTILE)
    ratio = Finding("snr", 1.0, "dB", "note", HOSTILE, source=HOSTILE)
    removed = Finding("reblend_residual", 1.0, "dB", "note", HOSTILE, source=HOSTILE)
    parsed = Reader(
        render_report(
            dataclasses.replace(
                contents,
                title=HOSTILE,
                sections=(dataclasses.replace(contents.sections[0], source=HOSTILE),),
                acquisition=acquisition,
                convergence=(dataclasses.replace(contents.convergence[0], label=HOSTILE),),
                findings=(finding, ratio, removed),
                settings={HOSTILE: HOSTILE},
                provenance={HOSTILE: HOSTILE},
                amplitude_unit=HOSTILE,
            )
        )
    )
    assert "alert(1)" not in "".join(parsed.code)
    assert not any(a.get("src") == "x" for _, a in parsed.tags)
    assert [HOSTILE, HOSTILE] in parsed.rows
    assert HOSTILE in [part.strip() for part in parsed.text]


@pytest.mark.usefixtures("undrawn")
def test_empty_contents_make_a_page(contents: Contents) -> None:
    parsed = Reader(
        render_report(bare(contents, convergence=(), findings=(), settings={}, provenance={}))
    )
    text = " ".join(parsed.text)
    assert "No gathers were chosen" in text
    assert "No history of the iterations" in text


@pytest.mark.usefixtures("undrawn")
def test_a_long_table_is_cut_and_says_so(
    contents: Contents, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(page_module, "MOST_FINDINGS", 5)
    worst = Finding("worst", 1.0, "", "fail", "Worst of all.")
    parsed = Reader(render_report(bare(contents, findings=(*contents.findings, worst))))
    marks = [row[0] for row in parsed.rows if row[0] in ("fail", "look", "note")]
    assert marks == ["fail", "look", "note", "note", "note"]
    assert f"{len(contents.findings) - 4} more rows" in " ".join(parsed.text)


@pytest.mark.usefixtures("undrawn")
def test_writing_is_atomic(contents: Contents, tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    write_report(bare(contents, title="lone \ud800 surrogate"), path)
    assert "lone ? surrogate" in path.read_text(encoding="utf-8")
    assert [entry.name for entry in tmp_path.iterdir()] == ["report.html"]
    with pytest.raises(OutputError, match=r"absent/report\.html: the file cannot be written"):
        write_report(bare(contents), tmp_path / "absent" / "report.html")


def test_reasons_are_counted(contents: Contents) -> None:
    first, *_ = shot_counts(contents.acquisition)
    assert (first.fired, first.delivered) == (24, 23)
    assert first.reasons == (("partly outside the record", 1),)
    unsaid = dataclasses.replace(contents.acquisition, reason=None)
    assert shot_counts(unsaid)[0].reasons == (("no reason given, see the findings", 1),)


def test_ratio_rows_are_put_together_whatever_the_order() -> None:
    place = {"source": 10, "window_s": (0.0, 1.0)}
    findings = [
        Finding("snr_noise_limit", 30.0, "dB", "note", "", **place),
        Finding("snr", 12.0, "dB", "note", "", **place),
        Finding("snr", 99.0, "dB", "note", "one channel", channel=3, **place),
        Finding("snr_start", -5.0, "dB", "note", "", **place),
        Finding("snr", 7.0, "dB", "note", "", source=9),
        Finding("snr", 8.0, "dB", "note", "", source=9, band_hz=(4.0, 8.0)),
        Finding("difference_snr", 1.0, "dB", "note", "", source="9 - 10"),
    ]
    rows = snr_rows(findings)
    assert [(row.source, row.place) for row in rows] == [
        (9, "all times"),
        (10, "0–1 s"),
        (9, "4–8 Hz"),
    ]
    assert rows[1] == SnrRow(10, (0.0, 1.0), None, -5.0, 12.0, 30.0)
    assert rows[1].gain == 17.0
    matrix = snr_matrix(rows[:2])
    assert list(matrix) == [9, 10]
    assert np.isnan(matrix[9][1].value)
    assert matrix[10][1] is rows[1]
    assert snr_rows(findings, "difference_snr")[0].value == 1.0


def test_severity_comes_first_and_order_is_kept() -> None:
    marks = ("note", "fail", "pass", "look", "note", "fail")
    rows = [Finding(str(k), 0.0, "", mark, "") for k, mark in enumerate(marks)]
    assert [row.metric for row in by_severity(rows)] == ["1", "5", "3", "0", "4", "2"]


def test_matrix_leaves_out_bands_and_details() -> None:
    rows = [
        Finding("m", 1.0, "dB", "note", "", source=1),
        Finding("m", 2.0, "dB", "note", "", source=1, band_hz=(1.0, 2.0)),
        Finding("m", 3.0, "dB", "note", "", source=1, shot_point=4),
    ]
    assert by_source_and_window(rows, "m") == ([None], {1: [1.0]})


@pytest.mark.parametrize(
    ("value", "text"),
    [(np.nan, "–"), (np.inf, "∞"), (-np.inf, "−∞"), (-1.25, "−1.25"), (None, "–"), (0.0, "0")],
)
def test_numbers_for_people(value: float | None, text: str) -> None:
    assert number(value) == text


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("-3.5 dB, (-2), at -.5 and -inf", "−3.5 dB, (−2), at −.5 and −inf"),
        ("1.5e-05", "1.5e−05"),
        ("source 1 - 2", "source 1 − 2"),
        (
            "2025-06-01, bytes 157-166, --block 0, SEG-D, line-1.sgy, bay - 7",
            "2025-06-01, bytes 157-166, --block 0, SEG-D, line-1.sgy, bay - 7",
        ),
    ],
)
def test_only_hyphens_of_negative_numbers_become_minus_signs(text: str, shown: str) -> None:
    assert with_minus(text) == shown


@pytest.mark.usefixtures("undrawn")
def test_a_page_has_no_hyphen_before_a_number(contents: Contents) -> None:
    low = Finding("low", -4.5, "dB", "look", "Only -4.5 dB since 2025-06-01.", limit=-3.0)
    text = " ".join(
        Reader(render_report(bare(contents, findings=(low,), provenance={"lag": "-2 ms"}))).text
    )
    for part in ("−4.5", "Only −4.5 dB since 2025-06-01.", "−2 ms"):
        assert part in text


def test_levels_have_one_decimal() -> None:
    assert decibels(-3.04) == "−3.0"
    assert decibels(np.nan) == "–"


@pytest.mark.usefixtures("undrawn")
def test_gathers_that_found_no_room_are_counted_and_can_be_viewed(contents: Contents) -> None:
    assert "found no room" not in render_report(contents)
    text = render_report(dataclasses.replace(contents, left_out=3))
    said = " ".join(re.sub(r"<[^>]+>", "", text).split())
    assert "3 more gathers found no room in this page, 3 of which findings name: deblend" in said
    assert "deblend view with the folder of this page shows any gather." in said
