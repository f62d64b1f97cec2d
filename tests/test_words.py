"""Counts with their nouns, and no message that leaves the plural to the reader."""

from __future__ import annotations

import re
from pathlib import Path

import deblend
from deblend.words import are, counted


def test_one_of_a_thing_and_several() -> None:
    assert [counted(count, "channel") for count in (0, 1, 2)] == [
        "0 channels",
        "1 channel",
        "2 channels",
    ]
    assert [counted(count, "process", "processes") for count in (1, 3)] == [
        "1 process",
        "3 processes",
    ]
    assert [are(count) for count in (0, 1, 2)] == ["are", "is", "are"]


def test_no_text_leaves_the_plural_to_the_reader() -> None:
    root = Path(deblend.__file__).parent
    texts = [path for kind in ("py", "html", "js") for path in root.rglob(f"*.{kind}")]
    assert len(texts) > 300
    lazy = re.compile(r"[a-z]\((s|es)\)")
    assert [str(path) for path in texts if lazy.search(path.read_text(encoding="utf-8"))] == []
