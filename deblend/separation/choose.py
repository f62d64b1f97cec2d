"""From what the caller calls a method to a separator object."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from importlib import import_module
from typing import Final

from deblend.arrays import Array
from deblend.errors import SettingsError
from deblend.separation.methods.lifted import LiftedFunction
from deblend.separation.patches import Separator

METHODS: Final[dict[str, str]] = {
    "fk": "deblend.separation.methods.fk:FkThreshold",
    "joint": "deblend.separation.methods.joint:JointThreshold",
}
"""Built-in methods: name and where its settings class is."""

LEAST_SOURCES, LEAST_CHANNELS = 2, 8
"""What the joint method needs to be the default."""

MethodChoice = str | Separator | Callable[[Array, float], Array]


def method_class(name: str) -> type[Separator]:
    """Settings class of a method.

    Raises
    ------
    SettingsError
        If no method has that name.
    """
    if name not in METHODS:
        near = difflib.get_close_matches(name, METHODS, n=1)
        hint = f"Did you mean {near[0]!r}? " if near else ""
        raise SettingsError(
            f"separator method {name!r} is not known",
            remedy=f"{hint}Choose one of {', '.join(sorted(METHODS))}.",
        )
    module, attribute = METHODS[name].split(":")
    found: type[Separator] = getattr(import_module(module), attribute)
    return found


def choose_method(choice: MethodChoice, source_count: int, channel_count: int) -> Separator:
    """Separator of a name, a settings object or a function.

    ``"auto"`` is ``"joint"`` where there are two sources and eight channels, ``"fk"`` otherwise.

    Raises
    ------
    SettingsError
        If it is none of these, or its settings make no sense.
    """
    if isinstance(choice, str):
        joint = source_count >= LEAST_SOURCES and channel_count >= LEAST_CHANNELS
        usual = "joint" if joint else "fk"
        chosen: object = method_class(usual if choice == "auto" else choice)()
    elif not hasattr(choice, "keep") and callable(choice):
        chosen = LiftedFunction(choice)
    else:
        chosen = choice
    missing = [
        name
        for name in ("patch", "overlap", "window", "largest", "keep")
        if not hasattr(chosen, name)
    ]
    if missing:
        raise SettingsError(
            f"{type(chosen).__name__} is no separator method: it lacks {', '.join(missing)}",
            remedy="Give a name, a settings object or a function of a patch and a threshold.",
        )
    separator: Separator = chosen  # type: ignore[assignment]
    _check_windows(separator)
    return separator


def method_name(method: Separator) -> str:
    """Name of a built-in method, or the name of its class or function."""
    kind = type(method)
    path = f"{kind.__module__}:{kind.__qualname__}"
    for name, place in METHODS.items():
        if place == path:
            return name
    if isinstance(method, LiftedFunction):
        return getattr(method.function, "__name__", "function")
    return kind.__name__


def _check_windows(method: Separator) -> None:
    if len(method.patch) != 3 or min(method.patch) < 1:
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
