"""Separator methods that other packages publish as entry points.

A package offers a method by one line of its own metadata::

    [project.entry-points."deblend.separators"]
    name = "package.module:SettingsClassOrFunction"

Nothing of it is imported until somebody asks for that name, so that a package which is broken
stops nobody who does not use it.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from importlib.metadata import EntryPoint, entry_points
from typing import Any, Final

from deblend.errors import DeblendError, MissingPackageError, SettingsError

GROUP: Final = "deblend.separators"
"""Entry-point group of separator methods."""


def published_names() -> tuple[str, ...]:
    """Names that other packages publish, from their metadata alone."""
    return tuple(sorted(entry_points(group=GROUP).names))


def name_of(path: str) -> str | None:
    """First name under which a ``module:attribute`` is published; None where it is not."""
    names = sorted(entry.name for entry in entry_points(group=GROUP) if entry.value == path)
    return names[0] if names else None


def load_published(name: str) -> Any:
    """What an entry point of another package points at.

    Raises
    ------
    SettingsError
        If two packages publish the name, or the package cannot be imported.
    MissingPackageError
        If it needs a package that is not installed.
    """
    found = tuple(entry_points(group=GROUP, name=name))
    if len(found) > 1:
        raise SettingsError(
            f"separator method {name!r} is published by {len(found)} packages",
            where=", ".join(_package(entry) for entry in found),
            remedy="Remove all but one of them, or hand the settings object itself to "
            "deblend.separate.",
        )
    entry = found[0]
    return guarded(entry.load, name, f"package {_package(entry)}", _own_module(entry))


def load_path(path: str, name: str) -> Any:
    """What a ``module:attribute`` of this package points at; errors as in `load_published`."""
    module, attribute = path.split(":")
    return guarded(lambda: getattr(import_module(module), attribute), name, "deblend", "deblend")


def guarded(call: Callable[[], Any], name: str, where: str, own_module: str = "") -> Any:
    """Result of a call into the code of a method, its failures told as errors of deblend.

    Parameters
    ----------
    call : callable
        Loads or makes the method.
    name : str
        Name of the method.
    where : str
        Whose code it is.
    own_module : str, optional
        Top-level module of that code: if this is what is missing, no other package is.
    """
    try:
        return call()
    except DeblendError:
        raise
    except ModuleNotFoundError as error:
        missing = (error.name or "").split(".")[0]
        if missing in ("", own_module):
            raise _broken(error, name, where) from error
        raise MissingPackageError(
            f"separator method {name!r} needs the package {missing!r}, which is not installed",
            where=where,
            remedy=f"Install it, for instance by `python -m pip install {missing}`, or choose "
            "another method.",
        ) from error
    except Exception as error:  # code of others: anything may come
        raise _broken(error, name, where) from error


def _broken(error: Exception, name: str, where: str) -> SettingsError:
    return SettingsError(
        f"separator method {name!r} cannot be loaded ({type(error).__name__}: {error})",
        where=where,
        remedy="Repair, update or remove that package; other methods work without it.",
    )


def _package(entry: EntryPoint) -> str:
    if entry.dist is None:
        return entry.value
    return f"{entry.dist.metadata['Name']} {entry.dist.version}"


def _own_module(entry: EntryPoint) -> str:
    return entry.module.split(".")[0]
