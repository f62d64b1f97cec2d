"""A chain of methods and the return of leakage, as a user asks for them in the line file."""

from __future__ import annotations

import json

import pytest
from small_line import Call, SmallLine


@pytest.mark.usefixtures("plain_page")
def test_both_are_carried_out_and_stated(line: SmallLine, call: Call) -> None:
    line.rewrite(
        "iterations = 25\n",
        'iterations = 12\nmethod = "fk"\nfirst_method = "median"\nfirst_until = 0.2\n'
        "return_leakage = true\n",
    )
    done = call("separate", line.line_file)
    assert done.exit_code == 0, done.output
    manifest = json.loads((line.out / "manifest.json").read_text(encoding="utf-8"))
    settings = manifest["settings"]
    assert settings["return_leakage"] is True
    assert settings["method"] == "median, then fk"
    assert settings["method.until"] == 0.2
    assert "StructureMedian" in settings["method.first"]
    assert "(20, 1, 32)" in settings["method.then"]
    assert (line.out / "delivered" / "source-1.sgy").exists()
