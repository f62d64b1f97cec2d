"""What tests in a browser need, or why they are skipped."""

from __future__ import annotations

import os
import shutil
from typing import Any, Final

import pytest

MUST_RUN: Final = "DEBLEND_BROWSER_TESTS_MUST_RUN"
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
