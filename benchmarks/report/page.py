"""Time to write the report of a line, and its size: ``python -m benchmarks.report.page``.

500 shots of each of three sources, 120 channels, 2,000 samples. With Chromium and Playwright at
hand, also the time until the page can be used and the longest answer to a click.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from benchmarks.report.made_contents import made_contents, made_extras
from benchmarks.result import keep
from deblend.report.page import write_report

SHOTS_EACH, CHANNELS, SOURCES, LENGTH = 500, 120, 3, 2000


def main() -> None:
    contents = made_contents(SHOTS_EACH, CHANNELS, SOURCES, LENGTH)
    extras = made_extras(SHOTS_EACH, CHANNELS, SOURCES)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(sys.argv[1] if len(sys.argv) > 1 else folder) / "report.html"
        begin, used = time.perf_counter(), time.process_time()
        write_report(contents, path, extras)
        numbers = {
            "write_s": round(time.perf_counter() - begin, 1),
            "write_processor_s": round(time.process_time() - used, 1),
            "size_mb": round(path.stat().st_size / 1e6, 2),
            "gathers_made": len(contents.sections),
        }
        numbers |= in_browser(path)
    keep("report.page", numbers)


def in_browser(path: Path) -> dict[str, float]:
    """Seconds until the page is usable and longest answers, in headless Chromium."""
    from benchmarks.report.clicks import measure

    return measure(path)


if __name__ == "__main__":
    main()
