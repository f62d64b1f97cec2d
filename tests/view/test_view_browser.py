"""The page in headless Chromium: it opens, flips, leads, goes back, and says what it lacks."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from typing import Any

import pytest
from browser_tools import browser_tools

from deblend.view.serve import Viewing

pytestmark = pytest.mark.browser

WORST = "source=2&channel=5&near=1011&window_s=0.1%3A0.2"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with browser_tools().sync_playwright() as play:
        chromium = play.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"]
        )
        yield chromium
        chromium.close()


@pytest.fixture
def page(browser: Any, server: Viewing) -> Iterator[Any]:
    """The page; any complaint of the console, or a request to elsewhere, is a failure."""
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    complaints: list[str] = []
    asked: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    page.on("request", lambda request: asked.append(request.url))
    page.goto(f"{server.address.partition('?')[0]}?source=1&channel=4")
    page.wait_for_selector("body[data-ready=yes]")
    yield page
    assert complaints == []
    own = server.address.partition("?")[0]
    assert [one for one in asked if not one.startswith((own, "data:", "blob:"))] == []
    page.close()


def until(page: Any, shown: str) -> None:
    page.wait_for_selector(f'body[data-shown="{shown}"]', state="attached", timeout=10_000)


def press(page: Any, key: str, shown: str) -> None:
    page.keyboard.press(key)
    until(page, shown)


def pixels(page: Any) -> bytes:
    """What the canvas of the gather shows."""
    page.wait_for_timeout(300)
    return bytes(page.locator("canvas").first.screenshot())


def test_keys_flip_and_leaf(page: Any) -> None:
    until(page, "source=1&channel=4")
    before = pixels(page)
    press(page, "a", "source=1&channel=4&show=after")
    after = pixels(page)
    press(page, "r", "source=1&channel=4&show=removed")
    assert len({before, after, pixels(page)}) == 3
    press(page, "Space", "source=1&channel=4&show=after")
    assert pixels(page) == after
    press(page, "b", "source=1&channel=4")
    assert pixels(page) == before
    press(page, "ArrowRight", "source=1&channel=5")
    press(page, "s", "source=1&shot_point=1013&near=5")
    press(page, "ArrowLeft", "source=1&shot_point=1011&near=5")
    press(page, "c", "source=1&channel=5&near=1011")


def test_back_and_links_lead_to_what_was_shown(page: Any, browser: Any) -> None:
    press(page, "ArrowRight", "source=1&channel=5")
    press(page, "r", "source=1&channel=5&show=removed")
    shown = pixels(page)
    link = page.url
    assert link.endswith("?source=1&channel=5&show=removed")
    page.go_back()
    until(page, "source=1&channel=5")
    page.go_back()
    until(page, "source=1&channel=4")
    other = browser.new_page(viewport={"width": 1280, "height": 900})
    other.goto(link)
    until(other, "source=1&channel=5&show=removed")
    assert pixels(other) == shown
    other.close()


def test_findings_lead_to_the_gather_they_speak_of(page: Any) -> None:
    """The worst first: a channel near a shot, then a shot, then the worst cell of a map."""
    press(page, "j", WORST)
    page.get_by_role("alert").get_by_text("fail: Alike.").wait_for()
    press(page, "j", "source=1&channel=4")
    press(page, "j", "source=2&shot_point=1014")
    press(page, "j", "source=1&channel=3&near=1007&window_s=0.2%3A0.4")
    page.evaluate("window.scrollTo(0, document.body.scrollHeight)")
    page.locator(".slick-cell").get_by_text("Shot is late.").click()
    until(page, "source=2&shot_point=1014")
    assert page.evaluate("window.scrollY") == 0
    page.locator(".slick-cell").get_by_text("Removed.").wait_for(state="detached")


def test_controls_lead_and_wrong_numbers_are_said(page: Any) -> None:
    number = page.get_by_label("channel number")
    number.fill("2")
    number.press("Enter")
    until(page, "source=1&channel=2")
    number.fill("77")
    number.press("Enter")
    page.get_by_role("alert").get_by_text("no common channel 77").wait_for()
    until(page, "source=1&channel=2")
    page.get_by_label("source").select_option("2")
    until(page, "source=2&channel=2")
    page.get_by_label("gather").select_option(label="record")
    page.wait_for_selector("body[data-shown*=record_s]", state="attached")
    page.get_by_text("The record as recorded").wait_for()


def test_a_link_to_nowhere_is_said(page: Any, server: Viewing) -> None:
    page.goto(server.address.partition("?")[0] + "?source=1&channel=99")
    page.get_by_role("alert").get_by_text("no common channel 99").wait_for()
    page.goto(server.address.partition("?")[0])
    until(page, WORST)


def test_clicks_leaf_and_mark_a_trace(page: Any) -> None:
    page.get_by_role("button", name="▶").click()
    until(page, "source=1&channel=5")
    page.get_by_role("button", name="◀").click()
    until(page, "source=1&channel=4")
    page.get_by_role("button", name="after").click()
    until(page, "source=1&channel=4&show=after")
    frame = page.locator("canvas").first.bounding_box()
    page.mouse.click(frame["x"] + 0.5 * frame["width"], frame["y"] + 0.5 * frame["height"])
    page.wait_for_selector("body[data-shown*='near=']", state="attached")
    page.get_by_role("alert").get_by_text("channel 4, 0.").wait_for()


def test_the_map_leads_to_its_cell(page: Any) -> None:
    press(page, "ArrowRight", "source=1&channel=5")
    canvas = page.locator("canvas").nth(2)
    canvas.scroll_into_view_if_needed()
    frame = canvas.bounding_box()
    page.mouse.click(frame["x"] + 0.5 * frame["width"], frame["y"] + 0.4 * frame["height"])
    page.wait_for_selector("body[data-shown*='window_s=0%3A0.2']", state="attached")
    assert "near=" in page.url
