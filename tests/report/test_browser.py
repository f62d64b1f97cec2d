"""The page in headless Chromium, with the network off: it opens, flips, leads, filters, prints."""

from __future__ import annotations

import dataclasses
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from deblend.model.findings import Finding
from deblend.report.contents import Contents, GatherSection
from deblend.report.figures import Extras
from deblend.report.metric_maps import MetricMaps
from deblend.report.page import write_report

pytestmark = pytest.mark.browser
MUST_RUN = "DEBLEND_BROWSER_TESTS_MUST_RUN"
"""Set where a browser was installed: a test that is skipped there is a failure."""


def browser_tools() -> Any:
    """Playwright and Chromium, or a reason why not."""
    try:
        from playwright import sync_api
    except ImportError:
        missing = "Playwright is not installed"
    else:
        if shutil.which("chromium"):
            return sync_api
        missing = "Chromium is not installed"
    if os.environ.get(MUST_RUN):
        pytest.fail(missing)
    pytest.skip(missing)


def gathers(contents: Contents) -> tuple[GatherSection, ...]:
    """Three channels and two shots of two sources."""
    random = np.random.default_rng(8)
    acquisition = contents.acquisition
    sections = []
    for source in (1, 2):
        points = acquisition.shot_point[acquisition.source == source]
        for channel in (1, 4, 8):
            sections.append(
                dataclasses.replace(
                    contents.sections[0],
                    source=source,
                    number=channel,
                    axis=points.astype(float),
                    members=points,
                    before=random.standard_normal((24, 101)).astype(np.float32),
                    interval_s=0.04,  # long enough for other sources to fire in the meantime
                )
            )
        for point in points[[4, 16]].tolist():
            traces = random.standard_normal((3, 8, 101)).astype(np.float32)
            sections.append(
                GatherSection(
                    source, "shot", point, np.arange(8.0), "offset (m)", traces[0], traces[1],
                    traces[2], 0.04, np.ones(8, bool), np.arange(1, 9),
                )
            )  # fmt: skip
    return tuple(sections)


@pytest.fixture(scope="module")
def page_file(contents: Contents, tmp_path_factory: pytest.TempPathFactory) -> Path:
    acquisition = contents.acquisition
    shape = (len(acquisition.source), 8, 2)
    value = np.linspace(0, 1, np.prod(shape)).reshape(shape).astype(np.float32)
    maps = MetricMaps(
        acquisition.source,
        acquisition.shot_point,
        np.arange(1, 9),
        ((0.0, 0.2), (0.2, 0.4)),
        {"local_similarity": value, "correlation": -value},
    )
    named = Finding(
        "worst_alike_window", 0.4, "", "look", "Look <b>here</b>.", source=2, channel=8,
        shot_point=1001 + 1 + 4 * 16,
    )  # fmt: skip
    left = Finding("crosstalk", -33.0, "dB", "pass", "Left.", source=1, other_source=2, error=1.0)
    path = tmp_path_factory.mktemp("page") / "report.html"
    write_report(
        dataclasses.replace(
            contents, sections=gathers(contents), findings=(*contents.findings, named, left)
        ),
        path,
        Extras(maps=maps),
    )
    return path


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    tools = browser_tools()
    with tools.sync_playwright() as play:
        chromium = play.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"]
        )
        yield chromium
        chromium.close()


@pytest.fixture
def page(browser: Any, page_file: Path) -> Iterator[Any]:
    """The page, opened with the network off; any complaint of the console is a failure."""
    context = browser.new_context(viewport={"width": 1280, "height": 900}, offline=True)
    page = context.new_page()
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on(
        "console",
        lambda said: complaints.append(said.text) if said.type == "error" else None,
    )
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(page_file.as_uri())
    page.wait_for_selector("body[data-complete=yes]")
    yield page
    assert complaints == []
    assert [url for url in asked if not url.startswith(("file:", "data:", "blob:"))] == []
    context.close()


def shown(page: Any) -> list[str]:
    """Gather, view, alignment and gain that are drawn."""
    return str(page.get_attribute("#viewer", "data-shown")).split("/")


def until_shown(page: Any, part: int, value: str) -> None:
    for _ in range(100):
        if shown(page)[part] == value:
            return
        page.wait_for_timeout(50)
    pytest.fail(f"{value} was not shown but {shown(page)}")


def picture(page: Any) -> bytes:
    """Pixels of the gather."""
    page.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
    page.wait_for_timeout(150)
    return bytes(page.locator("#viewer canvas").last.screenshot())


def models(page: Any, code: str) -> Any:
    """A value from the models of the page, found by name."""
    return page.evaluate(
        "(() => { const model = (name) => Bokeh.documents.map((one) => "
        f"one.get_model_by_name(name)).find(Boolean); return {code}; }})()"
    )


def test_keys_and_buttons_flip_the_picture_in_place(page: Any) -> None:
    page.locator("#viewer").scroll_into_view_if_needed()
    before = picture(page)
    place = page.locator("#viewer canvas").last.bounding_box()
    page.keyboard.press("2")
    until_shown(page, 1, "after")
    after = picture(page)
    assert after != before
    page.keyboard.press("f")
    until_shown(page, 1, "before")
    assert picture(page) == before
    page.locator("#viewer button", has_text="3 removed").click()
    until_shown(page, 1, "removed")
    assert picture(page) not in (before, after)
    assert page.locator("#viewer canvas").last.bounding_box() == place
    clip = models(page, "model('greys').palette")
    page.keyboard.press("1")
    until_shown(page, 1, "before")
    assert models(page, "model('greys').palette") == clip  # one amplitude scale


def test_negative_numbers_have_one_sign_everywhere(page: Any) -> None:
    page.locator("#viewer").scroll_into_view_if_needed()
    models(page, "model('gain').value = -6")
    until_shown(page, 3, "-6")
    assert page.locator("#viewer .bk-slider-title").first.inner_text() == "gain (dB): −6"
    models(page, "model('findings_text').value_input = 'Left.'")
    page.wait_for_function("document.getElementById('findings-count').textContent.startsWith('1 ')")
    cells = page.locator("#findings-table .slick-cell").all_inner_texts()
    assert "−33" in cells, cells


def test_nothing_is_cut_off_on_the_screen_of_a_phone(page: Any) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    page.wait_for_timeout(300)
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    for control in ("source", "number", "view", "aligned", "gain", "window", "findings_text"):
        place = page.evaluate(
            "(name) => Bokeh.index.roots.flatMap((root) => [...root.owner.all_views()])"
            ".find((view) => view.model.name === name).el.getBoundingClientRect().toJSON()",
            control,
        )
        assert 0 <= place["left"] < place["right"] <= 390, control
    picture = page.locator("figure img:visible").first.bounding_box()
    assert picture["width"] == 760  # labels stay readable; the picture scrolls by itself


def test_before_is_the_sum_of_what_is_kept_and_removed(page: Any, contents: Contents) -> None:
    section = next(s for s in gathers(contents) if s.number == 4 and s.source == 1)
    codes = np.array(models(page, "Array.from(model('gather_source').data.image[0])"))
    codes = codes.reshape(101, 24).T
    from deblend.report.codes import decode
    from deblend.report.drawing import display_clip

    top = display_clip(section) * 10 ** (12 / 20)
    live = np.arange(24) != 7
    wanted = np.clip(section.before, -top, top)
    # Both addends and the sum are rounded, each by half a step, 4.5 % of its size.
    size = np.abs(section.after) + np.abs(section.removed) + np.abs(section.before)
    inside = (
        (np.abs(section.after) < top)
        & (np.abs(section.removed) < top)
        & (np.abs(section.before) < top)
        & live[:, None]
    )
    error = np.abs(decode(codes.astype(np.uint8), top) - wanted)
    assert inside.sum() > 2000
    assert (error[inside] <= 0.045 * size[inside] + top / 2000).all()
    assert (codes[7] == 0).all()  # not live


def test_gain_window_and_gather_are_chosen(page: Any) -> None:
    at_rest = picture(page)
    models(page, "model('gain').value = 12")
    until_shown(page, 3, "12")
    assert picture(page) != at_rest
    models(page, "model('window').value = [0.1, 0.2]")
    assert models(page, "[model('gather_y').start, model('gather_y').end]") == [0.2, 0.1]
    page.locator("#viewer button", has_text="source 2").click()
    until_shown(page, 0, "gather6")
    page.locator("#viewer button", has_text="shot").click()
    until_shown(page, 0, "gather8")
    caption = page.inner_text("#gather-caption")
    assert "Source 2, shot point 1018" in caption
    assert "Black is +" in caption


def test_removed_part_in_the_times_of_another_source(page: Any) -> None:
    page.keyboard.press("3")
    until_shown(page, 1, "removed")
    own = picture(page)
    choices = models(page, "model('aligned').options.map((one) => one[0])")
    models(page, f"model('aligned').value = {choices[1]!r}")
    until_shown(page, 2, choices[1])
    assert choices[1].startswith("source ")
    assert picture(page) != own
    assert f"time break of {choices[1]}" in page.inner_text("#gather-caption")


def test_a_click_on_the_map_moves_the_gather(page: Any) -> None:
    page.locator("#viewer").scroll_into_view_if_needed()
    frame = page.locator("#viewer canvas").first.bounding_box()
    first = shown(page)[0]
    page.mouse.click(frame["x"] + 0.5 * frame["width"], frame["y"] + 0.1 * frame["height"])
    until_shown(page, 0, "gather0")
    assert first != "gather0"
    caption = page.inner_text("#gather-caption")
    assert "Source 1, channel 1" in caption
    assert "Asked for: shot point 10" in caption
    assert models(page, "model('gather_mark').visible")
    assert models(page, "model('map_channel_mark').location") == 0


def test_the_table_filters_and_a_row_leads_to_its_gather(page: Any) -> None:
    rows = page.locator("#findings-table .slick-row")
    assert rows.count() > 10
    models(page, "model('findings_metric').value = 'worst_alike_window'")
    page.wait_for_timeout(200)
    assert rows.count() == 1
    assert page.inner_text("#findings-count").startswith("1 of ")
    assert "Look <b>here</b>." in rows.first.inner_text()  # text stays text
    rows.first.locator(".slick-cell").nth(1).click()
    until_shown(page, 0, "gather7")
    assert "Look <b>here</b>." in page.inner_text("#finding-meaning")
    models(page, "model('findings_metric').value = ''")
    page.locator("#findings-table button", has_text="note (").click()
    page.wait_for_timeout(200)
    assert rows.count() == 3  # look, look, pass


def test_a_click_on_a_heading_sorts(page: Any) -> None:
    heading = page.locator("#findings-table .slick-header-column", has_text="value").first
    models(page, "model('findings_metric').value = 'snr'")
    heading.click()
    page.wait_for_timeout(200)

    def values() -> list[float]:
        rows = page.locator("#findings-table .slick-row")
        found = [
            (
                rows.nth(k).bounding_box()["y"],
                float(rows.nth(k).locator(".slick-cell").nth(8).inner_text()),
            )
            for k in range(rows.count())
        ]
        return [value for _, value in sorted(found)]

    rising = values()
    assert rising == sorted(rising)
    assert len(set(rising)) > 1
    heading.click()
    page.wait_for_timeout(200)
    assert values() == sorted(rising, reverse=True)


def test_on_paper_pictures_stand_in_for_controls(page: Any, tmp_path: Path) -> None:
    page.emulate_media(media="print")
    page.set_viewport_size(
        {"width": 1030, "height": 700}
    )  # A4 across, within its margins, at 96 dpi
    assert not page.locator("#viewer").is_visible()
    assert not page.locator("nav").is_visible()
    assert not page.locator("#findings-table").is_visible()
    for image in page.locator("main img").all():
        box = image.bounding_box()
        assert 0 < box["width"] <= 1030
    assert page.locator("#look .paper img").first.is_visible()
    assert page.locator("#findings .paper tbody tr").count() > 3
    assert page.evaluate("document.documentElement.scrollWidth") <= 1030
    pdf = page.pdf(path=str(tmp_path / "page.pdf"), prefer_css_page_size=True)
    assert pdf.startswith(b"%PDF")
    assert 4 <= pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page ") <= 20
