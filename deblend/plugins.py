"""What other packages publish as entry points: separator methods, readers of records.

A package offers one by a line of its own metadata::

    [project.entry-points."deblend.separators"]
    name = "package.module:SettingsClassOrFunction"

Nothing of it is imported until it is asked for, so that a package which is broken stops nobody who
does not use it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from deblend.errors import DeblendError, MissingPackageError, SettingsError


class NameTaken(UserWarning):
    """What a package publishes has the name of something built in, and is not used."""


@dataclass(frozen=True)
class PluginGroup:
    """One kind of plug-in."""

    group: str
    """Entry-point group."""
    kind: str
    """What messages call one of them."""
    others: str
    """What goes on without a broken one, and what to choose instead of it: ``methods``."""
    by_hand: str = ""
    """What works without an entry point, after ``Remove all but one of them``."""

    def names(self) -> tuple[str, ...]:
        """Names that other packages publish, from their metadata alone."""
        return tuple(sorted(entry_points(group=self.group).names))

    def packages_of(self, name: str) -> str:
        """Packages that publish a name, with their versions."""
        return ", ".join(_package(entry) for entry in entry_points(group=self.group, name=name))

    def name_of(self, path: str) -> str | None:
        """First name under which a ``module:attribute`` is published; None where it is not."""
        names = sorted(entry.name for entry in entry_points(group=self.group, value=path))
        return names[0] if names else None

    def load(self, name: str) -> Any:
        """What an entry point of another package points at.

        Raises
        ------
        SettingsError
            If two packages publish the name, or the package cannot be imported.
        MissingPackageError
            If it needs a package that is not installed.
        """
        found = tuple(entry_points(group=self.group, name=name))
        if len(found) > 1:
            raise SettingsError(
                f"{self.kind} {name!r} is published by {len(found)} packages",
                where=", ".join(_package(entry) for entry in found),
                remedy=f"Remove all but one of them{self.by_hand}.",
            )
        entry = found[0]
        own_module = entry.module.split(".")[0]
        return self.guarded(entry.load, name, f"package {_package(entry)}", own_module)

    def load_path(self, path: str, name: str) -> Any:
        """What a ``module:attribute`` of this package points at; errors as in `load`."""
        module, attribute = path.split(":")
        return self.guarded(
            lambda: getattr(import_module(module), attribute), name, "deblend", "deblend"
        )

    def guarded(self, call: Callable[[], Any], name: str, where: str, own_module: str = "") -> Any:
        """Result of a call into the code of a plug-in, its failures as errors of deblend.

        `where` says whose code it is, `own_module` is its top-level module: if this is what is
        missing, no other package is.
        """
        try:
            return call()
        except DeblendError:
            raise
        except ModuleNotFoundError as error:
            missing = (error.name or "").split(".")[0]
            if missing in ("", own_module):
                raise self._broken(error, name, where) from error
            raise MissingPackageError(
                f"{self.kind} {name!r} needs the package {missing!r}, which is not installed",
                where=where,
                remedy=f"Install it, for instance by `python -m pip install {missing}`, or choose "
                f"another {self.others.removesuffix('s')}.",
            ) from error
        except (Exception, SystemExit) as error:  # code of others: anything may come
            raise self._broken(error, name, where) from error

    def _broken(self, error: BaseException, name: str, where: str) -> SettingsError:
        return SettingsError(
            f"{self.kind} {name!r} cannot be loaded ({type(error).__name__}: {error})",
            where=where,
            remedy=f"Repair, update or remove that package; other {self.others} work without it.",
        )


def _package(entry: EntryPoint) -> str:
    if entry.dist is None:
        return entry.value
    return f"{entry.dist.metadata['Name']} {entry.dist.version}"
