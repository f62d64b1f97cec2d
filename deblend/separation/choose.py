"""From what the caller calls a method to a separator object."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from functools import cache
from typing import Any, Final

from deblend.arrays import Array
from deblend.errors import SettingsError
from deblend.model.findings import Finding
from deblend.plugins import NameTaken, PluginGroup
from deblend.separation.contract import Separator, methods_in_turn
from deblend.separation.methods.lifted import LiftedFunction
from deblend.words import did_you_mean

PUBLISHED: Final = PluginGroup(
    group="deblend.separators",
    kind="separator method",
    others="methods",
    by_hand=", or hand the settings object itself to deblend.separate",
)
"""Methods of other packages."""


METHODS: Final[dict[str, str]] = {
    "curvelet": "deblend.separation.methods.curvelet:CurveletThreshold",
    "fk": "deblend.separation.methods.fk:FkThreshold",
    "joint": "deblend.separation.methods.joint:JointThreshold",
    "median": "deblend.separation.methods.median:StructureMedian",
    "rank": "deblend.separation.methods.rank:RankReduction",
    "vector-median": "deblend.separation.methods.median:VectorMedian",
}
"""Built-in methods: name and where its settings class is."""

LEAST_SOURCES, LEAST_CHANNELS = 2, 8
"""What the joint method needs to be the default."""

MethodChoice = str | Separator | Callable[[Array, float], Array]

_NEEDED = ("patch", "overlap", "window", "largest", "keep")
_WINDOW_AXES = (
    ("shots", "shots along the line"),
    ("channels", "channels"),
    ("samples", "samples of a gather trace"),
)


def method_names() -> tuple[str, ...]:
    """Names of all methods: built-in ones first, then those that other packages publish."""
    others = tuple(name for name in PUBLISHED.names() if name not in METHODS)
    return (*sorted(METHODS), *others)


def choose_method(choice: MethodChoice, source_count: int, channel_count: int) -> Separator:
    """Separator of a name, a settings object or a function.

    ``"auto"`` is ``"joint"`` where there are two sources and eight channels, ``"fk"`` otherwise.
    A name is that of a built-in method or of one that another package publishes; built-in names
    cannot be taken over.

    Raises
    ------
    SettingsError
        If it is none of these, or its settings make no sense.
    MissingPackageError
        If the method needs a package that is not installed.
    """
    if isinstance(choice, str):
        joint = source_count >= LEAST_SOURCES and channel_count >= LEAST_CHANNELS
        usual = "joint" if joint else "fk"
        chosen = _named(usual if choice == "auto" else choice, channel_count)
    elif not hasattr(choice, "keep") and callable(choice):
        chosen = LiftedFunction(choice)
    else:
        chosen = choice
    missing = [name for name in _NEEDED if not hasattr(chosen, name)]
    if missing or isinstance(chosen, type):
        lacks = f"it lacks {', '.join(missing)}" if missing else "it is a class, not an object"
        raise SettingsError(
            f"{getattr(chosen, '__name__', type(chosen).__name__)} is no separator method: {lacks}",
            remedy="Give a name, a settings object or a function of a patch and a threshold.",
        )
    separator: Separator = chosen
    _check_windows(separator)
    return separator


def method_name(method: Separator) -> str:
    """Name of a built-in or published method, or that of its class or function."""
    in_turn = methods_in_turn(method)
    if len(in_turn) > 1:
        return ", then ".join(map(method_name, in_turn))
    kind: Any = method.function if isinstance(method, LiftedFunction) else type(method)
    own = getattr(kind, "__qualname__", "function")
    path = f"{getattr(kind, '__module__', '')}:{own}"
    for name, place in METHODS.items():
        if place == path:
            return name
    published = PUBLISHED.name_of(path)
    if published is not None and published not in METHODS:
        return published
    return str(getattr(kind, "__name__", "function"))


def runs_on_card(method: Separator) -> bool:
    """Whether a method, or each of those that one is made of, says that it works on a card.

    It says so with ``runs_on_card = True``: it uses nothing but the namespace of the batch.
    """
    return all(getattr(part, "runs_on_card", False) for part in methods_in_turn(method))


def processor_finding(method: Separator, device: str) -> list[Finding]:
    """Said where a card was asked for and the method has no form for it."""
    if device != "gpu" or runs_on_card(method):
        return []
    message = (
        f"A card was asked for, and method {method_name(method)} has no form for one: it runs on "
        "the processor."
    )
    return [Finding("runs_on_processor", 1.0, "methods", "note", message)]


def shrunk_windows(method: Separator, counts: tuple[int, int, int], name: str) -> list[Finding]:
    """One finding for each axis of which the line has less than a window of the method.

    Parameters
    ----------
    counts : tuple of int
        Shots along the line, channels and samples that there are.
    """
    found = []
    for size, count, (unit, words) in zip(method.patch, counts, _WINDOW_AXES, strict=True):
        if count >= size:
            continue
        few = count < 0.5 * size and unit != "samples"
        found.append(
            Finding(
                f"window_{unit}_short",
                float(count),
                unit,
                "look" if few else "note",
                f"The window of method {name} takes {size} {words} and there are {count}: windows "
                f"shrink, and with fewer {unit} coherent events stand out less from interference.",
                limit=float(size),
            )
        )
    return found


def _named(name: str, channel_count: int) -> Any:
    """The object that a name stands for, with its default settings for so many channels."""
    if name in METHODS:
        _refuse_taken(name)
        kind = PUBLISHED.load_path(METHODS[name], name)
        return PUBLISHED.guarded(lambda: _for_line(kind, channel_count), name, "deblend")
    if name not in PUBLISHED.names():
        hint = did_you_mean(name, method_names())
        raise SettingsError(
            f"separator method {name!r} is not known",
            remedy=f"{hint} Choose one of {', '.join(method_names())}.".lstrip(),
        )
    found = PUBLISHED.load(name)
    if isinstance(found, type):
        return PUBLISHED.guarded(
            lambda: _for_line(found, channel_count),
            name,
            f"class {found.__module__}.{found.__qualname__}",
        )
    if not hasattr(found, "keep") and callable(found):
        return LiftedFunction(found)
    return found


@cache
def _refuse_taken(name: str) -> None:
    """Say, once, that a package publishes a name which a built-in method has."""
    if name in PUBLISHED.names():
        warnings.warn(
            f"the built-in method {name!r} is used, and not {PUBLISHED.packages_of(name)}, which "
            f"publishes that name too. Publish it under another one{PUBLISHED.by_hand}.",
            NameTaken,
            stacklevel=2,
        )


def _for_line(kind: Any, channel_count: int) -> Any:
    """Settings that a class gives itself for a line, or its plain defaults."""
    return kind.for_line(channel_count) if hasattr(kind, "for_line") else kind()


def _check_windows(method: Separator) -> None:
    try:
        fits = len(method.patch) == 3 and all(int(n) == n and n >= 1 for n in method.patch)
    except (TypeError, ValueError):
        fits = False
    if not fits:
        raise SettingsError(
            f"patch {method.patch} is no window",
            remedy="Give positive numbers of shots, channels and time samples.",
        )
    if not 0 < method.overlap <= 0.5:
        raise SettingsError(
            f"overlap is {method.overlap}",
            remedy="Give the part of a window shared with the next: above 0, at most 0.5.",
        )
    if method.window not in ("tapered", "flat"):
        raise SettingsError(
            f"window kind {method.window!r} is not known", remedy='Choose "tapered" or "flat".'
        )
