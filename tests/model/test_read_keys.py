"""What is wrong with a file of keys is said with its table, its value and what to give."""

from __future__ import annotations

from typing import Annotated, Any

import msgspec
import pytest
from msgspec import Meta

from deblend.errors import SettingsError
from deblend.model.key_table import KeyTable
from deblend.model.read_keys import convert_table


class Gun(KeyTable, frozen=True, kw_only=True):
    depth_m: Annotated[float, Meta(gt=0, extra={"unit": "m"})]


class Source(KeyTable, frozen=True, kw_only=True):
    name: str
    gun: Gun | None = None
    delays_s: list[float] = msgspec.field(default_factory=list)


class Fleet(KeyTable, frozen=True, kw_only=True):
    sources: list[Source] = msgspec.field(default_factory=list)
    spare: dict[str, Gun] = msgspec.field(default_factory=dict)
    towing: Gun | None = None


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ({"sources": [{"name": "a"}, {}]}, r"'name' is missing in table 2 of \[\[sources\]\]"),
        (
            {"sources": [{"name": "a", "gun": {"depth_m": -3}}]},
            r"depth_m in table \[gun\] in table 1 of \[\[sources\]\] is -3 m, .*above 0, in m",
        ),
        ({"sources": [{"name": "a", "guns": {}}]}, r"table \[guns\] in table 1 .* mean 'gun'"),
        ({"sources": [{"name": "a", "delays_s": [0, "b"]}]}, r"delays_s .* is \[0, 'b'\]"),
        (
            {"sources": [{"name": "a", "delays_s": [0.0, float("inf")]}]},
            r"delays_s in .* is inf. Give a finite",
        ),
        (
            {"sources": [{"name": "a\0b"}]},
            r"name in table 1 of .* is 'a.x00b'. Give text without zero bytes",
        ),
        ({"spare": {"x": {}}}, r"'depth_m' is missing in a table of \[\[spare\]\]"),
        ({"towing": [{}]}, r"towing at the top of the file .* as one table, \[towing\]"),
        ({"depth_m": 3}, r"unknown key 'depth_m' at the top.*mean 'depth_m' in table \[towing\]"),
        ({"quay": 3}, r"Keys at the top of the file: sources, spare, towing\."),
    ],
)
def test_mistakes_are_named(content: dict[str, Any], message: str) -> None:
    with pytest.raises(SettingsError, match=message) as caught:
        convert_table(content, Fleet, "fleet.toml")
    assert str(caught.value).startswith("fleet.toml: ")


def test_good_content_becomes_a_table() -> None:
    fleet = convert_table({"sources": [{"name": "a", "delays_s": [0, 1.5]}]}, Fleet, "")
    assert fleet == Fleet(sources=[Source(name="a", delays_s=[0.0, 1.5])])
