"""A report in headless Chromium: how soon it can be used, how soon it answers."""

from __future__ import annotations

import shutil
import statistics
import time
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import CDPSession, Page, sync_playwright


def measure(path: Path) -> dict[str, float]:
    """Seconds until usable, and median and longest seconds from a click to the new picture."""
    chromium = shutil.which("chromium")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_context(
            viewport={"width": 1600, "height": 1000}, offline=True
        ).new_page()
        clock = page.context.new_cdp_session(page)
        clock.send("Performance.enable", {"timeDomain": "threadTicks"})
        begin = time.perf_counter()
        page.goto(path.resolve().as_uri())
        page.wait_for_selector("body[data-complete=yes]")
        usable_s, usable_processor_s = time.perf_counter() - begin, _processor_s(clock)
        page.locator("#viewer").scroll_into_view_if_needed()
        page.wait_for_timeout(1000)
        used = _processor_s(clock)
        answers = [*_keys(page), *_map_clicks(page)]
        used = _processor_s(clock) - used
        browser.close()
    return {
        "usable_s": round(usable_s, 2),
        "usable_processor_s": round(usable_processor_s, 2),
        "answer_median_s": round(statistics.median(answers), 3),
        "answer_longest_s": round(max(answers), 3),
        "answers_timed": len(answers),
        "answer_mean_processor_s": round(used / len(answers), 3),
    }


def _processor_s(clock: CDPSession) -> float:
    """Processor time of the page's thread so far, which other work on the machine leaves alone."""
    metrics = clock.send("Performance.getMetrics")["metrics"]
    return float(next(one["value"] for one in metrics if one["name"] == "TaskDuration"))


def _timed(page: Page, act: Callable[[], None]) -> float:
    """From the action until the page says that another picture is drawn, and one frame more."""
    page.wait_for_timeout(600)  # a person does not click twice in a moment
    shown = page.evaluate("document.getElementById('viewer').dataset.shown")
    begin = time.perf_counter()
    act()
    page.wait_for_selector(f"#viewer:not([data-shown='{shown}'])", state="attached")
    page.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
    return time.perf_counter() - begin


def _keys(page: Page) -> list[float]:
    """Views, gathers and flips, each for the first time and again."""
    return [_timed(page, lambda k=key: page.keyboard.press(k)) for key in "231fn2p3" * 3]


def _map_clicks(page: Page) -> list[float]:
    """Clicks on both ends of the map in turn, which lead to different gathers."""

    def click(part: float) -> None:
        frame = page.locator("#viewer canvas").last.bounding_box()  # a click may scroll
        assert frame is not None
        page.mouse.click(frame["x"] + 0.5 * frame["width"], frame["y"] + part * frame["height"])

    return [_timed(page, lambda part=part: click(part)) for part in (0.1, 0.6, 0.1, 0.6)]
