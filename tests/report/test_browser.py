"""The page in headless Chromium, with the network off: it opens, flips, leads, filters, prints."""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser_tools import browser_tools

from deblend.model.findings import Finding
from deblend.model.place import Place, read_place
from deblend.report.contents import Contents, GatherSection
from deblend.report.figures import Extras
from deblend.report.metric_maps import MetricMaps
from deblend.report.page import write_report

pytestmark = pytest.mark.browser


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
    return bytes(page.locator("#viewer canvas").first.screenshot())


def models(page: Any, code: str) -> Any:
    """A value from the models of the page, found by name."""
    return page.evaluate(
        "(() => { const model = (name) => Bokeh.documents.map((one) => "
        f"one.get_model_by_name(name)).find(Boolean); return {code}; }})()"
    )


def test_keys_and_buttons_flip_the_picture_in_place(page: Any) -> None:
    page.locator("#viewer").scroll_into_view_if_needed()
    before = picture(page)
    place = page.locator("#viewer canvas").first.bounding_box()
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
    assert page.locator("#viewer canvas").first.bounding_box() == place
    clip = models(page, "model('greys').palette")
    page.keyboard.press("1")
    until_shown(page, 1, "before")
    assert models(page, "model('greys').palette") == clip  # one amplitude scale


def test_negative_numbers_have_one_sign_everywhere(page: Any) -> None:
    page.locator("#viewer").scroll_into_view_if_needed()
    models(page, "model('gain').value = -6")
    until_shown(page, 3, "-6")
    assert page.locator("#viewer .bk-slider-title").first.inner_text() == "gain (dB): −6"
    page.fill("#findings-words", "Left.")
    assert page.inner_text("#findings-count").startswith("1 of ")
    cells = page.locator("#findings-rows td:visible").all_inner_texts()
    assert "−33 dB" in cells, cells


def test_nothing_is_cut_off_on_the_screen_of_a_phone(page: Any) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    page.wait_for_timeout(300)
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    for control in ("source", "number", "view", "aligned", "gain", "window"):
        place = page.evaluate(
            "(name) => Bokeh.index.roots.flatMap((root) => [...root.owner.all_views()])"
            ".find((view) => view.model.name === name).el.getBoundingClientRect().toJSON()",
            control,
        )
        assert 0 <= place["left"] < place["right"] <= 390, control
    page.click("#signal summary")
    picture = page.locator("#signal figure img:visible").first.bounding_box()
    assert picture["width"] == 760  # labels stay readable; the picture scrolls by itself


def test_before_is_the_sum_of_what_is_kept_and_removed(page: Any, contents: Contents) -> None:
    section = next(s for s in gathers(contents) if s.number == 4 and s.source == 1)
    page.locator("#viewer button", has_text="source 1").click()
    models(page, "model('number').value = 'gather1'")
    until_shown(page, 0, "gather1")
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
    page.locator("#viewer button", has_text="source 1").click()
    until_shown(page, 0, "gather2")
    at_rest = picture(page)
    models(page, "model('gain').value = 12")
    until_shown(page, 3, "12")
    assert picture(page) != at_rest
    models(page, "model('window').value = [0.1, 0.2]")
    assert models(page, "[model('gather_y').start, model('gather_y').end]") == [0.2, 0.1]
    page.locator("#viewer button", has_text="source 2").click()
    until_shown(page, 0, "gather7")
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
    frame = page.locator("#viewer canvas").last.bounding_box()
    page.locator("#viewer button", has_text="source 1").click()
    until_shown(page, 0, "gather2")
    page.mouse.click(frame["x"] + 0.5 * frame["width"], frame["y"] + 0.1 * frame["height"])
    until_shown(page, 0, "gather0")
    caption = page.inner_text("#gather-caption")
    assert "Source 1, channel 1" in caption
    assert "Marked: shot point 10" in caption
    assert models(page, "model('gather_mark').visible")
    assert page.evaluate("document.activeElement.id") == "viewer"
    assert "channel=1&near=10" in page.url
    assert models(page, "model('map_channel_mark').location") == 0


def rows_shown(page: Any) -> list[str]:
    return list(page.locator("#findings-rows tr[data-verdict]:visible").all_inner_texts())


def test_the_table_folds_and_filters_over_everything(page: Any) -> None:
    assert len(rows_shown(page)) == 2  # what looks; notes are folded
    page.fill("#findings-words", "worst_alike")
    assert len(rows_shown(page)) == 1
    assert "Look <b>here</b>." in rows_shown(page)[0]  # text stays text
    page.fill("#findings-words", "signal-to-noise source 3")
    assert page.inner_text("#findings-count").startswith("9 of ")
    page.fill("#findings-words", "")
    page.uncheck("#findings input[value=note]")
    assert len(rows_shown(page)) == 3  # look, look, pass
    page.check("#findings input[value=note]")
    page.locator("#metric-snr button").focus()
    page.keyboard.press("Enter")
    assert len(rows_shown(page)) == 2 + 12


def test_a_row_leads_to_its_gather_and_back_leads_back(page: Any) -> None:
    first, start = shown(page)[0], page.url
    page.locator("#metric-dead_channel a").focus()
    page.keyboard.press("Enter")  # channel 3, which is not among the gathers of the page
    page.wait_for_selector("#missing:visible")
    assert "Source 2, channel 3 is not among" in page.inner_text("#missing")
    assert page.inner_text("#missing code") == "deblend view OUT --at source=2,channel=3"
    page.locator("#metric-worst_alike_window a").click()
    page.wait_for_selector("#missing", state="hidden")
    until_shown(page, 0, "gather7")
    assert page.evaluate("document.activeElement.id") == "viewer"
    assert abs(page.locator("#look").bounding_box()["y"]) < 120
    assert models(page, "model('gather_mark').location") == 16  # its shot
    page.keyboard.press("3")
    until_shown(page, 1, "removed")
    place = page.url
    page.go_back()
    page.go_back()
    until_shown(page, 0, first)
    assert page.url == start
    other = page.context.new_page()
    other.goto(place)  # as from a mail
    other.wait_for_selector("body[data-complete=yes]")
    assert shown(other)[:2] == ["gather7", "removed"]


def test_a_shot_that_is_not_in_the_page_is_marked_and_the_command_said(page: Any) -> None:
    page.evaluate("location.hash = 'source=1&shot_point=1029'")
    page.wait_for_selector("#missing:visible")
    assert "shot point 1029 is not among" in page.inner_text("#missing")
    command = page.inner_text("#missing code")
    assert command == "deblend view OUT --at source=1,shot_point=1029"
    assert read_place(command.split()[-1]) == Place("1", "shot_point", 1029)
    assert shown(page)[0] in ("gather0", "gather1", "gather2")
    assert models(page, "model('gather_mark').location") == 7


def test_keys_alone_mark_a_trace_and_open_the_gather_that_crosses(page: Any) -> None:
    page.evaluate("location.hash = 'source=1&channel=4&near=1013'")
    until_shown(page, 0, "gather1")
    page.wait_for_selector("#viewer:focus")
    page.keyboard.press("ArrowRight")
    assert "Marked: shot point 1017" in page.inner_text("#gather-caption")
    page.keyboard.press("Enter")
    until_shown(page, 0, "gather3")
    page.keyboard.press("Enter")
    until_shown(page, 0, "gather1")


def test_links_of_the_page_open_what_is_folded_away(page: Any) -> None:
    for part in ("input", "interference", "signal", "done", "cautions"):
        assert not page.locator(f"#{part} details").evaluate("(one) => one.open")
        page.click(f"nav a[href='#{part}']")
        page.wait_for_selector(f"#{part} details[open]")


def test_the_first_screen_names_the_faults(
    browser: Any, contents: Contents, tmp_path: Path
) -> None:
    late = [
        Finding(
            "shot_delay", 20.0 + k, "ms", "fail", f"Shot point {point} fires late.", source=2,
            shot_point=point, limit=6.0,
        )
        for k, point in enumerate((1010, 1026))
    ]  # fmt: skip
    dead = Finding("dead_channel", np.nan, "", "look", "Channel 1 is dead.", channel=1)
    sections = tuple(
        dataclasses.replace(one, live=np.zeros(len(one.live), bool)) if one.number == 1 else one
        for one in gathers(contents)
    )
    write_report(
        dataclasses.replace(contents, sections=sections, findings=(dead, *late)),
        tmp_path / "report.html",
    )
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto((tmp_path / "report.html").as_uri())
    page.wait_for_selector("body[data-complete=yes]")
    answer = page.inner_text("#answer .words")
    assert "Of 3 judged figures, 2 fail and 1 wants a look." in answer
    for words in ("Shot point 1026 fires late. and 1 more row", "Channel 1 is dead."):
        assert words in answer
    for part in ("#answer .reasons", "#viewer canvas"):
        box = page.locator(part).first.bounding_box()
        assert box["y"] + box["height"] <= 900, part
    assert shown(page)[0] == "gather7"  # source 2, a live channel
    assert "shot point 1026" in page.inner_text("#gather-caption")
    page.locator(".reasons a", has_text="shot point 1026").click()
    page.wait_for_selector("#missing:visible")
    page.locator(".reasons a", has_text="1 more row").click()
    page.wait_for_selector("#metric-shot_delay button:focus")
    page.close()


def test_a_click_on_a_heading_sorts(page: Any) -> None:
    page.fill("#findings-words", "metric-snr ")
    heading = page.locator("#findings-rows thead button", has_text="Value")
    heading.click()

    def values() -> list[float]:
        cells = page.locator("#metric-snr tr[data-verdict]:visible td:nth-child(3)")
        return [float(text.split()[0]) for text in cells.all_inner_texts()]

    rising = values()
    assert rising == sorted(rising)
    assert len(set(rising)) > 1
    heading.click()
    assert values() == sorted(rising, reverse=True)


def test_on_paper_pictures_stand_in_for_controls(page: Any, tmp_path: Path) -> None:
    page.emulate_media(media="print")
    page.set_viewport_size(
        {"width": 1030, "height": 700}
    )  # A4 across, within its margins, at 96 dpi
    assert not page.locator("#viewer").is_visible()
    assert not page.locator("nav").is_visible()
    assert not page.locator("#findings-words").is_visible()
    for image in page.locator("main img").all():
        box = image.bounding_box()
        assert 0 < box["width"] <= 1030
    assert page.locator("#look .paper img").first.is_visible()
    assert page.locator("#findings tbody tr:visible").count() > 3
    assert page.evaluate("document.documentElement.scrollWidth") <= 1030
    pdf = page.pdf(path=str(tmp_path / "page.pdf"), prefer_css_page_size=True)
    assert pdf.startswith(b"%PDF")
    assert 4 <= pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page ") <= 20
