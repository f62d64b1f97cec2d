"""Versions of Python and of installed packages, for what is kept beside results."""

from __future__ import annotations

import platform
from collections.abc import Iterable
from importlib import metadata


def installed_versions(packages: Iterable[str]) -> dict[str, str]:
    """Of Python and some packages; "not installed" for one that is missing."""
    return {"python": platform.python_version()} | {name: _version(name) for name in packages}


def _version(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return "not installed"
