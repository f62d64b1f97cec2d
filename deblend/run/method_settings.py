"""The method that a line file names, with its settings."""

from __future__ import annotations

import difflib
from dataclasses import fields

import msgspec

from deblend.errors import SettingsError
from deblend.run.line_file import Line
from deblend.separation.choose import choose_method, method_class, method_name
from deblend.separation.patches import Separator


def line_method(line: Line) -> Separator:
    """Separator of a line file.

    Raises
    ------
    SettingsError
        If the method is not known, or a setting is not, or its value cannot be used.
    """
    keys = line.keys.separation
    if not keys.settings:
        return choose_method(keys.method)
    kind = method_class(method_name(choose_method(keys.method)))
    names = [field.name for field in fields(kind) if field.init]  # type: ignore[arg-type]
    where = f"{line.path}, table [separation.settings]"
    for name in keys.settings:
        if name not in names:
            near = difflib.get_close_matches(name, names, n=1)
            hint = f"Did you mean {near[0]!r}? " if near else ""
            raise SettingsError(
                f"method {keys.method} has no setting {name!r}",
                where=where,
                remedy=f"{hint}It has {', '.join(names)}.",
            )
    try:
        return choose_method(msgspec.convert(keys.settings, kind))
    except msgspec.ValidationError as error:
        text, _, place = str(error).partition(" - at `$.")
        name = place.rstrip("`").split("[")[0]
        raise SettingsError(
            f"setting {name} is {keys.settings.get(name)!r}",
            where=where,
            remedy=f"{text}.",
        ) from error
