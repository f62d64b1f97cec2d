"""A place in a line: which gather of which source, and how it is looked at; as text of a link."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final, Literal, get_args
from urllib.parse import parse_qsl, urlencode

from deblend.errors import SettingsError
from deblend.model.findings import Finding

GatherKind = Literal["channel", "shot_point", "offset_m", "midpoint_m", "record_s"]
Version = Literal["before", "after", "removed"]
KINDS: Final[dict[GatherKind, str]] = {
    "channel": "common channel",
    "shot_point": "shot",
    "offset_m": "common offset",
    "midpoint_m": "common midpoint",
    "record_s": "record",
}
"""What the traces of a gather have in common, and what the number counts; in words."""
VERSIONS: Final[tuple[Version, ...]] = get_args(Version)
_SPANS: Final = ("time_s", "window_s")
_EXAMPLE: Final = "source=1,channel=12,show=removed"


@dataclass(frozen=True)
class Place:
    """What is looked at; text of it is a link."""

    source: str = ""
    """Whose gather; empty for the first source that has it."""
    kind: GatherKind = "channel"
    """What its traces have in common."""
    number: float | None = None
    """Channel number, shot point, offset or midpoint in m, or seconds of the record; None for the
    middle one."""
    show: Version = "before"
    """Which of its versions."""
    times: str = ""
    """Another source in whose times it is drawn, as ``2`` or, a shot later, ``2+1``."""
    near: int | None = None
    """Shot point or channel number of the trace that is marked and stays in sight."""
    time_s: tuple[float, float] | None = None
    """Seconds after firing that are drawn; None for all."""
    window_s: tuple[float, float] | None = None
    """Seconds after firing that are marked, those of a finding."""
    power: float = 0.0
    """Amplitudes are multiplied by time to this power."""
    clip: float = 95.0
    """Percentile of the amplitude before separation beyond which all versions are clipped."""

    def link(self) -> str:
        """Text for the address of a page; values that are the usual ones are left out."""
        return urlencode(self._words())

    def text(self) -> str:
        """Text for a command, where an ampersand would have to be quoted."""
        return urlencode(self._words()).replace("&", ",")

    def _words(self) -> dict[str, str]:
        usual = Place()
        words = {"source": self.source} if self.source else {}
        if self.number is not None:
            words[self.kind] = _plain(self.number)
        for name in ("show", "times", "near", "power", "clip"):
            value = getattr(self, name)
            if value != getattr(usual, name):
                words[name] = value if isinstance(value, str) else _plain(value)
        for name in _SPANS:
            span = getattr(self, name)
            if span is not None:
                words[name] = ":".join(map(_plain, span))
        return words


def read_place(text: str) -> Place:
    """The place that a link, its end, or the text of a command names.

    Raises
    ------
    SettingsError
        If a word or a value is not known.
    """
    query = "" if "://" in text and "?" not in text else text.rpartition("?")[2]
    words = dict(parse_qsl(query.replace(",", "&"), keep_blank_values=True))
    try:
        return _place_of(words)
    except (ValueError, TypeError) as error:
        raise SettingsError(
            f"the place {query!r} is not understood ({error})",
            remedy=f"Write it as {_EXAMPLE}.",
        ) from error


def place_of_finding(finding: Finding) -> Place | None:
    """The gather that a finding speaks of; None where it names neither channel nor shot point.

    A finding of one shot on one channel leads to the channel, where the shot has neighbours.
    """
    place = Place(
        source="" if finding.source is None else str(finding.source), window_s=finding.window_s
    )
    if finding.channel is not None:
        return replace(place, number=float(finding.channel), near=finding.shot_point)
    if finding.shot_point is not None:
        return replace(place, kind="shot_point", number=float(finding.shot_point))
    return None


def _place_of(words: Mapping[str, str]) -> Place:
    place = Place(source=words.get("source", ""), times=words.get("times", "").replace(" ", "+"))
    for word, value in words.items():
        if word in KINDS:
            place = replace(place, kind=word, number=_number(value))
        elif word in _SPANS:
            low, high = map(_number, value.split(":"))
            if not low < high:
                raise ValueError(f"{word} {value} is no span")
            changed: dict[str, Any] = {word: (low, high)}
            place = replace(place, **changed)
        elif word == "show":
            if value not in VERSIONS:
                raise ValueError(f"show is one of {', '.join(VERSIONS)}")
            place = replace(place, show=value)
        elif word == "near":
            place = replace(place, near=int(value))
        elif word == "power":
            place = replace(place, power=min(max(_number(value), 0.0), 4.0))
        elif word == "clip":
            place = replace(place, clip=min(max(_number(value), 1.0), 100.0))
        elif word not in ("source", "times"):
            raise ValueError(f"{word} is no word of it")
    return place


def _number(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text} is no finite number")
    return value


def _plain(value: float) -> str:
    return f"{value:.10g}"
