"""The scene file of `deblend make`: the parts of a scene in TOML, by the names of their classes.

A scene file holds ``name``, ``description``, ``length_s``, ``interval_s``, a table ``[decay]``, a
table ``[acquisition]`` with ``streamer``, ``firing`` and a list of ``sources``, and lists
``[[geology]]`` and ``[[noise]]`` whose entries say which ``piece`` they are. Every other key is a
field of that piece. A piece of geology may have a ``label``; a Multiple names its ``bounces`` by
the labels of reflectors.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from types import UnionType
from typing import Any, Final, TypeVar, get_args, get_origin, get_type_hints

import msgspec

from deblend.errors import InputError, SettingsError
from deblend.files import read_toml
from deblend.synth.acquisition import Acquisition
from deblend.synth.arrivals import Decay, Diffractor, DiffractorCloud, DirectArrival
from deblend.synth.build import SceneDesign
from deblend.synth.geology import Geology
from deblend.synth.multiples import GuidedWaves, Multiple
from deblend.synth.noise import (
    Background,
    Noise,
    OtherVessel,
    PropellerTone,
    Spikes,
    SwellBursts,
    Tugging,
    White,
)
from deblend.synth.reflectors import Reflector
from deblend.words import did_you_mean

GEOLOGY: Final[dict[str, type]] = {
    kind.__name__: kind
    for kind in (DirectArrival, Diffractor, DiffractorCloud, Reflector, Multiple, GuidedWaves)
}
NOISE: Final[dict[str, type]] = {
    kind.__name__: kind
    for kind in (White, Background, SwellBursts, Tugging, Spikes, PropellerTone, OtherVessel)
}
_TOP: Final = (
    *("name", "description", "length_s", "interval_s"),
    *("decay", "acquisition", "geology", "noise"),
)

T = TypeVar("T")


def read_scene_file(path: str | Path) -> SceneDesign:
    """Read a scene file.

    Raises
    ------
    SettingsError
        If the file cannot be read, is no TOML, or holds an unknown piece, key or label, or a value
        of the wrong type.
    InputError
        If a piece refuses its values.
    """
    path = Path(path)
    content = read_toml(path, "scene file")
    return design_from(content, str(path))


def design_from(content: Mapping[str, Any], where: str = "scene") -> SceneDesign:
    """Design of a scene described by the tables, lists and values of a scene file."""
    _refuse_unknown_keys(content, _TOP, where)
    absent = [
        key for key in ("name", "length_s", "decay", "acquisition", "geology") if key not in content
    ]
    if absent:
        raise SettingsError(
            f"key {absent[0]!r} is missing", where=where, remedy=f"Keys here: {', '.join(_TOP)}."
        )
    geology = _geology(_tables(content["geology"], f"{where}, geology"), where)
    guided = tuple(piece for piece in geology if isinstance(piece, GuidedWaves))
    decay = _made(Decay, content["decay"], f"{where}, decay")
    return SceneDesign(
        name=str(content["name"]),
        description=str(content.get("description", "")),
        geology=Geology(
            tuple(piece for piece in geology if not isinstance(piece, GuidedWaves)), decay, guided
        ),
        acquisition=_made(Acquisition, content["acquisition"], f"{where}, acquisition"),
        noise=noise_from(_tables(content.get("noise", []), where), where),
        length_s=_number(content["length_s"], f"{where}, length_s"),
        interval_s=_number(content.get("interval_s", 0.004), f"{where}, interval_s"),
    )


def noise_from(entries: Iterable[dict[str, Any]], where: str) -> tuple[Noise, ...]:
    """Pieces of noise described by tables, each of which says which ``piece`` it is."""
    return tuple(
        _piece(NOISE, entry, f"{where}, noise {number}")
        for number, entry in enumerate(entries, start=1)
    )


def _geology(entries: list[dict[str, Any]], where: str) -> list[Any]:
    """Pieces of geology, with the labels of bounces replaced by the reflectors they name."""
    labelled = {entry["label"]: entry for entry in entries if "label" in entry}
    pieces = []
    for number, entry in enumerate(entries, start=1):
        place = f"{where}, geology {number}"
        settings = {key: value for key, value in entry.items() if key != "label"}
        if settings.get("piece") == "Multiple":
            labels = settings.get("bounces", [])
            settings["bounces"] = [_reflector(labelled, label, place) for label in labels]
        pieces.append(_piece(GEOLOGY, settings, place))
    return pieces


def _reflector(labelled: dict[str, dict[str, Any]], label: object, where: str) -> dict[str, Any]:
    entry = labelled.get(str(label))
    if entry is None or entry.get("piece") != "Reflector":
        raise SettingsError(
            f"no Reflector has the label {label!r}",
            where=where,
            remedy=f"Labels: {', '.join(labelled) or 'none'}.",
        )
    return {key: value for key, value in entry.items() if key not in ("piece", "label")}


def _piece(kinds: dict[str, type], entry: dict[str, Any], where: str) -> Any:
    name = entry.get("piece")
    if name not in kinds:
        raise SettingsError(
            f"piece {name!r} is not known",
            where=where,
            remedy=did_you_mean(str(name), kinds, f"Pieces: {', '.join(kinds)}."),
        )
    settings = {key: value for key, value in entry.items() if key != "piece"}
    return _made(kinds[name], settings, f"{where} ({name})")


def _made(kind: type[T], settings: object, where: str) -> T:
    """A frozen piece from a table of its fields."""
    _check_keys(settings, kind, where)
    try:
        return msgspec.convert(settings, kind)
    except msgspec.ValidationError as error:
        cause = error.__cause__
        if isinstance(cause, InputError):
            raise type(cause)(cause.what, where=where, remedy=cause.remedy) from error
        raise SettingsError(
            f"a value cannot be used: {str(error)[:1].lower()}{str(error)[1:]}",
            where=where,
            remedy=f"Keys here: {', '.join(_names(kind))}.",
        ) from error


def _names(kind: type) -> list[str]:
    return [field.name for field in fields(kind)] if is_dataclass(kind) else []


def _check_keys(settings: object, kind: type, where: str) -> None:
    """Refuse unknown keys of a piece and of the pieces inside it."""
    if not isinstance(settings, dict):
        raise SettingsError("this is no table", where=where, remedy="Write it as a table.")
    _refuse_unknown_keys(settings, _names(kind), where)
    hints = get_type_hints(kind)
    for key, value in settings.items():
        inner = _piece_in(hints[key])
        if inner is not None:
            for part in value if isinstance(value, list) else [value]:
                _check_keys(part, inner, f"{where}, {key}")


def _piece_in(hint: Any) -> type | None:
    """The dataclass in a type, a tuple of it or an optional one; None for plain values."""
    if is_dataclass(hint):
        return hint if isinstance(hint, type) else None
    if get_origin(hint) is tuple or isinstance(hint, UnionType):
        return next((_piece_in(part) for part in get_args(hint) if _piece_in(part)), None)
    return None


def _refuse_unknown_keys(content: Mapping[str, Any], known: Iterable[str], where: str) -> None:
    names = list(known)
    for key in content:
        if key not in names:
            raise SettingsError(
                f"unknown key {key!r}",
                where=where,
                remedy=did_you_mean(key, names, f"Keys here: {', '.join(names)}."),
            )


def _tables(value: object, where: str) -> list[dict[str, Any]]:
    if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
        raise SettingsError(
            "this is no list of tables", where=where, remedy="Write [[geology]] and [[noise]]."
        )
    return value


def _number(value: object, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise SettingsError(f"{value!r} is no number", where=where, remedy="Give seconds.")
    return float(value)
