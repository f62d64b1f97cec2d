"""The method that a line file names, with its settings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from typing import Any, get_type_hints

import msgspec

from deblend.errors import SettingsError
from deblend.line.line_file import LineFile
from deblend.separation.chain import Chain
from deblend.separation.choose import choose_method
from deblend.separation.contract import Separator
from deblend.separation.own_code import found_method
from deblend.words import did_you_mean


def line_method(line: LineFile, source_count: int, channel_count: int) -> Separator:
    """Separator of a line file; the line decides where the file leaves the choice open.

    Raises
    ------
    SettingsError
        If the method is not known, or a setting is not, or its value cannot be used.
    MissingPackageError
        If the method needs a package that is not installed.
    """
    keys = line.keys.separation

    def chosen(name: str, settings: Mapping[str, Any], table: str) -> Separator:
        choice = found_method(name, line.path.parent) if ":" in name else name
        method = choose_method(choice, source_count, channel_count)
        where = f"{line.path}, table [separation.{table}]"
        changed = with_settings(method, settings, name, where)
        return choose_method(changed, source_count, channel_count)

    method = chosen(keys.method, keys.settings, "settings")
    if not keys.first_method:
        return method
    first = chosen(keys.first_method, keys.first_settings, "first_settings")
    return Chain(first, method, keys.first_until)


def with_settings(
    method: Separator, settings: Mapping[str, Any], called: str, where: str
) -> Separator:
    """A method with some of its settings changed; they are as plain as TOML has them.

    For messages `called` is the name of the method and `where` the place of the settings.

    Raises
    ------
    SettingsError
        If a setting is not known, or its value cannot be used.
    """
    if not settings:
        return method
    values = {
        name: _converted(method, name, value, called, where) for name, value in settings.items()
    }
    try:
        return replace(method, **values)  # type: ignore[type-var]
    except (TypeError, ValueError) as error:
        if isinstance(error, SettingsError):
            raise
        raise SettingsError(
            f"method {called} refuses its settings ({error})",
            where=where,
            remedy="Change them, or leave them out to use the defaults.",
        ) from error


def _converted(method: Separator, name: str, value: Any, called: str, where: str) -> Any:
    """Value of one setting in the type that the method declares for it."""
    kinds = _kinds(method)
    if name not in kinds:
        known = ", ".join(kinds) or "none that a line file can change"
        raise SettingsError(
            f"method {called} has no setting {name!r}",
            where=where,
            remedy=f"{did_you_mean(name, kinds)} It has {known}.".lstrip(),
        )
    try:
        return msgspec.convert(value, kinds[name])
    except msgspec.ValidationError as error:
        text = str(error).partition(" - at `$")[0]
        raise SettingsError(
            f"setting {name} is {value!r}", where=where, remedy=f"{text}."
        ) from error


def _kinds(method: Separator) -> dict[str, Any]:
    """Settings of a method and their types: its dataclass fields, but for functions."""
    settings: Any = method
    if not is_dataclass(settings):
        return {}
    kinds = get_type_hints(type(method))
    return {
        field.name: kinds[field.name]
        for field in fields(settings)
        if field.init and not callable(getattr(method, field.name))
    }
