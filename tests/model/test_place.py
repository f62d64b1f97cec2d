"""Places as text of links and commands, and the gather that a finding speaks of."""

from __future__ import annotations

import pytest

from deblend.errors import SettingsError
from deblend.model.findings import Finding
from deblend.model.place import Place, place_of_finding, read_place

PLACES = (
    Place(),
    Place(source="2", number=12.0, show="removed"),
    Place(source="port, outer & new", kind="shot_point", number=1026.0, near=7),
    Place(source="1", kind="offset_m", number=-216.6, times="2+1", time_s=(0.5, 1.25)),
    Place(source="1", kind="midpoint_m", number=1250.0, times="3-2", window_s=(0.0, 0.775)),
    Place(source="1", kind="record_s", number=3599.996, power=1.5, clip=99.5),
)


@pytest.mark.parametrize("place", PLACES)
def test_places_are_read_back(place: Place) -> None:
    assert read_place(place.text()) == place
    assert read_place("?" + place.link()) == place
    assert read_place(f"http://127.0.0.1:8000/token/?{place.link()}") == place


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("chanel=3", "chanel is no word of it"),
        ("channel=three", "could not convert"),
        ("channel=inf", "no finite number"),
        ("show=raw", "show is one of before, after, removed"),
        ("window_s=2:1", "is no span"),
        ("time_s=2", "not understood"),
    ],
)
def test_what_is_no_place_is_said(text: str, said: str) -> None:
    with pytest.raises(SettingsError, match=said):
        read_place(text)


def test_findings_lead_to_their_gather() -> None:
    def place(**where: object) -> Place | None:
        return place_of_finding(Finding("x", 1.0, "", "look", "x", **where))  # type: ignore[arg-type]

    assert place() is None
    assert place(source=2) is None
    assert place(source=2, channel=3) == Place(source="2", number=3.0)
    assert place(shot_point=1026) == Place(kind="shot_point", number=1026.0)
    both = place(source="a", channel=3, shot_point=1026, window_s=(0.5, 1.0))
    assert both == Place(source="a", number=3.0, near=1026, window_s=(0.5, 1.0))
